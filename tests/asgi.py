"""Asks an ASGI application as a server would, without one."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[MutableMapping[str, Any], Receive, Send], Awaitable[None]]


@dataclass
class Answer:
    """What came back: status, headers in small letters, body."""

    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""


def scope_of(
    kind: str, path: str, headers: dict[str, str], address: str
) -> MutableMapping[str, Any]:
    path, _, query = path.partition("?")
    named = {"host": "127.0.0.1:8501", **{k.lower(): v for k, v in headers.items()}}
    return {
        "type": kind,
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "scheme": "http" if kind == "http" else "ws",
        "path": unquote(path),
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "headers": [(k.encode(), v.encode("latin-1")) for k, v in named.items()],
        "client": (address, 50_000),
        "server": ("127.0.0.1", 8501),
        "subprotocols": [],
    }


def ask(
    app: App,
    path: str,
    method: str = "GET",
    headers: dict[str, str] | None = None,
    body: bytes = b"",
    address: str = "192.168.1.7",
    breaks_off: bool = False,
) -> Answer:
    """Send one request and return its answer; ``breaks_off`` ends it before its body is whole."""
    answer = Answer()
    pieces = [body[at : at + 65_536] for at in range(0, len(body), 65_536)] or [b""]

    async def receive() -> Message:
        if pieces:
            more = len(pieces) > 1 or breaks_off
            return {"type": "http.request", "body": pieces.pop(0), "more_body": more}
        return {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            answer.status = message["status"]
            answer.headers = {k.decode().lower(): v.decode() for k, v in message["headers"]}
        elif message["type"] == "http.response.body":
            answer.body += message.get("body", b"")

    scope = {**scope_of("http", path, headers or {}, address), "method": method}
    asyncio.run(_called(app, scope, receive, send))
    return answer


def connect(
    app: App,
    path: str = "/_stcore/stream",
    headers: dict[str, str] | None = None,
    messages: list[Message] | None = None,
    wait_s: float = 5.0,
) -> list[Message]:
    """Open a websocket, send it messages, and return all that the application sent."""
    sent: list[Message] = []
    waiting = [{"type": "websocket.connect"}, *(messages or [])]

    async def receive() -> Message:
        if waiting:
            return waiting.pop(0)
        await asyncio.sleep(3600)
        raise AssertionError("never")

    async def send(message: Message) -> None:
        sent.append(message)

    scope = scope_of("websocket", path, headers or {}, "192.168.1.7")

    async def run() -> None:
        await asyncio.wait_for(_called(app, scope, receive, send), wait_s)

    asyncio.run(run())
    return sent


async def _called(app: App, scope: Any, receive: Receive, send: Send) -> None:
    await app(scope, receive, send)
