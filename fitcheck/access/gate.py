"""The gate in front of the page: no request gets past it that it has not looked at.

It wraps the whole application (ASGI), so that it does not matter which path is asked for:
pages, photographs, uploads and the websocket come by the same way. It checks

- the Host header: a name that a stranger pointed at this machine leads nowhere (DNS rebinding);
- the Origin of whatever changes something and of websockets: another site's page cannot act;
- with a door, the session of a paired device;

and puts the security headers on every answer.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Collection
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, HTTPConnection, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fitcheck.access.pairing import SESSION_LIFETIME_S, Door, NotPaired
from fitcheck.access.pairing_page import code_page, content_policy, form_page
from fitcheck.store.inspections import IDENTITY

DEVICE_HEADER = "x-fitcheck-device"  # what the paired device is called; only the gate sets it
LONGEST_FORM_BYTES = 2000
LOOK_AGAIN_S = 5.0  # how soon a websocket notices that its session has ended
SESSION_ENDED = 4401  # close code of a websocket; 4000–4999 are for applications (RFC 6455)

# Streamlit sets its style as it goes and loads the page's components as blobs. Script that stands
# in a page is not run: neither a stranger's nor the one line of Streamlit's own, which only tells
# search engines when to look. Nothing may come from or go to another host.
PAGE_POLICY = (
    "default-src 'self'; script-src 'self' blob:; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; media-src 'self' blob:; "
    "connect-src 'self'; worker-src 'self' blob:; frame-src 'none'; object-src 'none'; "
    "base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
)
SECURITY_HEADERS = {
    "Content-Security-Policy": PAGE_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # with "no-referrer" browsers hide their own Origin, too
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}

_SAFE_METHODS = ("GET", "HEAD", "OPTIONS")


class Gate:
    """An application with the gate in front of it.

    Parameters
    ----------
    app
        What stands behind the gate.
    hosts
        Names and addresses, without port, that this machine may be asked for by.
    door
        Lets paired devices in; None where only this machine can reach the page.
    address
        Of the page as other devices type it, for instance ``http://192.168.1.20:8501``.
    asked
        Called when somebody without a session looks for a way in.
    """

    def __init__(
        self,
        app: ASGIApp,
        hosts: Collection[str],
        door: Door | None = None,
        address: str = "",
        asked: Callable[[], None] | None = None,
    ) -> None:
        self._app = app
        self._hosts = {host.lower() for host in hosts}
        self._door = door
        self._address = address
        self._asked = asked
        self._secure = address.startswith("https:")
        # Cookies do not know ports: another page of this machine must not take this one's place.
        port = urlsplit(address).port or 0
        self._cookie = f"{'__Host-' if self._secure else ''}fitcheck-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or hand it on."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        send = _with_security_headers(send)
        refusal = self._refusal(HTTPConnection(scope))
        if refusal is not None:
            await _answer(refusal, scope, receive, send)
            return
        scope = _without_header(scope, DEVICE_HEADER)
        if self._door is None:
            await self._app(scope, receive, send)
        else:
            await self._through_the_door(self._door, scope, receive, send)

    def _refusal(self, connection: HTTPConnection) -> Response | None:
        """Why a request is not even looked at, whoever sends it."""
        hosts = connection.headers.getlist("host")
        if len(hosts) != 1 or _host_name(hosts[0]) not in self._hosts:
            return PlainTextResponse("This is not the page's address.", 403)
        changes = connection.scope.get("method", "") not in _SAFE_METHODS
        for origin in connection.headers.getlist("origin"):
            if changes and _origin_host(origin) != hosts[0].lower():
                return PlainTextResponse("This was asked for by another page.", 403)
        return None

    async def _through_the_door(
        self, door: Door, scope: Scope, receive: Receive, send: Send
    ) -> None:
        token = HTTPConnection(scope).cookies.get(self._cookie, "")
        session = door.session(token)
        path, method = scope["path"], scope.get("method", "")
        if path == "/pair" and method == "POST":
            await _answer(await self._pair(door, Request(scope, receive)), scope, receive, send)
        elif session is None:
            if self._asked is not None and method == "GET":
                self._asked()
            await _answer(HTMLResponse(form_page(), 401), scope, receive, send, pairing=True)
        elif path == "/pair" and method == "GET":
            await _answer(RedirectResponse("/", 303), scope, receive, send)
        elif path == "/pair/code" and method == "GET":
            inspection = Request(scope).query_params.get("inspection", "")
            named = inspection if IDENTITY.fullmatch(inspection) else ""
            page = HTMLResponse(code_page(self._address, door.new_code(), named))
            await _answer(page, scope, receive, send, pairing=True)
        elif path == "/pair/end" and method == "POST":
            door.end(token)
            ended = RedirectResponse("/pair", 303)
            ended.delete_cookie(self._cookie, secure=self._secure, httponly=True)
            await _answer(ended, scope, receive, send)
        else:
            scope = _with_header(scope, DEVICE_HEADER, session.device)
            if scope["type"] == "websocket":
                await self._websocket(door, token, scope, receive, send)
            else:
                await self._app(scope, receive, send)

    async def _pair(self, door: Door, request: Request) -> Response:
        form = await _form(request)
        client = request.client
        try:
            token = door.pair(
                form.get("code", ""),
                client.host if client else "",
                form.get("device", "") or _device_of(request.headers),
            )
        except NotPaired as error:
            headers = {"Retry-After": "900"} if error.code == "locked_out" else {}
            return HTMLResponse(form_page(str(error)), 403, headers=headers | _PAIRING_HEADERS)
        inspection = form.get("inspection", "")
        known = IDENTITY.fullmatch(inspection)
        paired = RedirectResponse(f"/?inspection={inspection}&step=3" if known else "/", 303)
        paired.set_cookie(
            self._cookie,
            token,
            max_age=int(SESSION_LIFETIME_S),
            secure=self._secure,
            httponly=True,
            samesite="strict",
        )
        return paired

    async def _websocket(
        self, door: Door, token: str, scope: Scope, receive: Receive, send: Send
    ) -> None:
        """Hand a websocket on, and close it when its session ends."""
        waiting: asyncio.Task[Message] | None = None

        async def receive_while_paired() -> Message:
            nonlocal waiting
            while True:
                # Not cancelled at every look: a message could be lost on the way.
                waiting = waiting or asyncio.ensure_future(_next(receive))
                done, _ = await asyncio.wait({waiting}, timeout=LOOK_AGAIN_S)
                if door.session(token) is None:
                    await send({"type": "websocket.close", "code": SESSION_ENDED})
                    return {"type": "websocket.disconnect", "code": SESSION_ENDED}
                if done:
                    message, waiting = waiting.result(), None
                    return message

        try:
            await self._app(scope, receive_while_paired, send)
        finally:
            if waiting is not None:
                waiting.cancel()


_PAIRING_HEADERS = {"Cache-Control": "no-store"}


async def _next(receive: Receive) -> Message:
    return await receive()


async def _answer(
    response: Response, scope: Scope, receive: Receive, send: Send, pairing: bool = False
) -> None:
    """Send an answer of the gate's own; a websocket is refused (HTTP 403) instead."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": SESSION_ENDED})
        return
    if pairing or isinstance(response, HTMLResponse):
        response.headers["Content-Security-Policy"] = content_policy()
    response.headers["Cache-Control"] = "no-store"
    await response(scope, receive, send)


def _with_security_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in SECURITY_HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return sending


def _without_header(scope: Scope, name: str) -> Scope:
    kept = [(key, value) for key, value in scope["headers"] if key.lower() != name.encode()]
    return {**scope, "headers": kept}


def _with_header(scope: Scope, name: str, value: str) -> Scope:
    written = value.encode("ascii", "replace")
    return {**scope, "headers": [*scope["headers"], (name.encode(), written)]}


def _host_name(host: str) -> str:
    """Return the name in a Host header without its port; empty if it is none."""
    found = re.fullmatch(r"(\[[0-9a-fA-F:.]+\]|[^\s:@/?#\[\]]+)(?::\d{1,5})?", host)
    return found[1].strip("[]").lower().rstrip(".") if found else ""


def _origin_host(origin: str) -> str:
    """Return an Origin's host with its port; empty if it is none."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:  # a bracket too many or too few
        return ""


async def _form(request: Request) -> dict[str, str]:
    """Return the fields of a small form; none if it is larger or something else."""
    body = b""
    try:
        async for piece in request.stream():
            body += piece
            if len(body) > LONGEST_FORM_BYTES:
                return {}
        fields = parse_qs(body.decode("utf-8"), max_num_fields=10)
    except (ValueError, ClientDisconnect):  # UnicodeDecodeError is a ValueError
        return {}
    return {name: values[0] for name, values in fields.items()}


def _device_of(headers: Headers) -> str:
    """Return a rough name for a device, from what its browser says of itself."""
    agent = headers.get("user-agent", "")
    for sign, name in (
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Android", "Android phone"),
        ("Windows", "Windows computer"),
        ("Macintosh", "Mac"),
        ("Linux", "Linux computer"),
    ):
        if sign in agent:
            return name
    return "paired device"
