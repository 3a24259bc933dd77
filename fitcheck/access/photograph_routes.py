"""Photographs over HTTP: sent in by a phone's browser, and fetched to be looked at.

An upload is one POST with the file as its body. A phone whose connection breaks sends it again:
the same bytes are kept once. Its header must carry a token that only the page gives out.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fitcheck.access.gate import DEVICE_HEADER
from fitcheck.access.upload_tokens import TOKEN_HEADER, is_upload_token
from fitcheck.access.whole_file import check_whole
from fitcheck.errors import BadInput
from fitcheck.photo import MAX_FILE_BYTES, check_photo, photo_kind
from fitcheck.store import Store
from fitcheck.store.content_files import Incoming
from fitcheck.store.fields import Edits
from fitcheck.store.inspections import one_line

THIS_COMPUTER = "this computer"
PATH = "/photographs"
MOST_UPLOADS_AT_ONCE = 4  # each is held in memory, 80 MiB at most, while it is looked at
LONGEST_UPLOAD_S = 600.0

_MEDIA_TYPES = {
    "JPEG": "image/jpeg",
    "PNG": "image/png",
    "TIFF": "image/tiff",
    "WEBP": "image/webp",
    "HEIF": "image/heic",
}
_STATUS = {
    "file_too_large": 413,
    "upload_forbidden": 403,
    "inspection_unknown": 404,
    "photograph_unknown": 404,
    "inspection_binned": 409,
    "too_many_photographs": 409,
    "upload_broken_off": 408,
    "not_a_photo": 415,
    "store_full": 507,
}

Describe = Callable[[str, str, Mapping[str, str]], Edits]


def photograph_routes(
    store: Callable[[], Store],
    describe: Describe,
    arrived: Callable[[str, str], object] = lambda *_: None,
) -> list[Route]:
    """Return the routes.

    Parameters
    ----------
    store
        Gives the store.
    describe
        From a photograph's SHA-256, its name and the query of the upload's address to what
        the inspection's document says of it, as edits.
    """
    uploads = asyncio.Semaphore(MOST_UPLOADS_AT_ONCE)

    async def take(request: Request) -> Response:
        identity = request.path_params["inspection"]
        try:
            if not is_upload_token(identity, request.headers.get(TOKEN_HEADER, "")):
                raise BadInput(
                    "upload_forbidden",
                    "The upload does not come from this page.",
                    "Load the page again, then send the photograph once more.",
                )
            if _stated_bytes(request) > MAX_FILE_BYTES:
                raise _too_large()
            async with uploads, asyncio.timeout(LONGEST_UPLOAD_S):
                said = await _received(request, store(), identity, describe)
                await run_in_threadpool(arrived, identity, str(said["sha256"]))
                return JSONResponse(said)
        except BadInput as error:
            return _refused(error)
        except (TimeoutError, ClientDisconnect):
            return _refused(
                BadInput(
                    "upload_broken_off",
                    "The photograph did not arrive whole.",
                    "Send it once more.",
                )
            )

    async def give(request: Request) -> Response:
        identity, sha256 = request.path_params["inspection"], request.path_params["sha256"]
        try:
            data = await run_in_threadpool(store().inspections.photograph, identity, sha256)
        except BadInput as error:
            return _refused(error)
        kind = photo_kind(data)
        if kind is None:
            return _refused(
                BadInput(
                    "not_a_photo", "The file is not a photograph.", "It can be exported only."
                )
            )
        headers = {
            "Cache-Control": "private, max-age=31536000, immutable",  # the hash is its name
            "Content-Security-Policy": "default-src 'none'; sandbox",
            "Content-Disposition": "inline",
        }
        return Response(data, media_type=_MEDIA_TYPES[kind], headers=headers)

    return [
        Route(f"{PATH}/{{inspection}}", take, methods=["POST"]),
        Route(f"{PATH}/{{inspection}}/{{sha256}}", give, methods=["GET"]),
    ]


async def _received(
    request: Request, store: Store, identity: str, describe: Describe
) -> dict[str, Any]:
    path = request.query_params.get("name", "").replace("\\", "/")
    name = one_line(path.rpartition("/")[2]) or "photo"
    who = request.headers.get(DEVICE_HEADER, THIS_COMPUTER)
    await run_in_threadpool(store.inspections.get, identity)  # before 80 MiB come in for nobody
    with store.photographs.receive(name) as incoming:
        async for piece in request.stream():
            incoming.write(piece)
        asked = dict(request.query_params)
        await run_in_threadpool(_keep, store, identity, incoming, name, who, describe, asked)
        return {"sha256": incoming.sha256, "name": name, "bytes": incoming.size_bytes}


def _keep(
    store: Store,
    identity: str,
    incoming: Incoming,
    name: str,
    who: str,
    describe: Describe,
    asked: Mapping[str, str],
) -> None:
    data = incoming.read_back()
    check_photo(data, name)
    check_whole(data, name)
    edits = describe(incoming.sha256, name, asked)
    store.inspections.attach(identity, incoming, name, who, edits)


def _stated_bytes(request: Request) -> int:
    stated = request.headers.get("content-length", "0")
    return int(stated) if stated.isascii() and stated.isdigit() and len(stated) < 20 else 0


def _too_large() -> BadInput:
    return BadInput(
        "file_too_large",
        f"The photograph is larger than {MAX_FILE_BYTES // 2**20} MiB, the most that is kept.",
        "Save it as JPEG at its full number of pixels.",
    )


def _refused(error: BadInput) -> JSONResponse:
    status = _STATUS.get(error.code, 503 if error.code.startswith("store_") else 400)
    said = {"code": error.code, "message": error.message, "advice": error.advice}
    return JSONResponse(said, status, headers={"Cache-Control": "no-store"})
