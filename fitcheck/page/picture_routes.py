"""Parts of photographs over HTTP, for the overlay and its magnifier.

What a frame shows never changes: its address holds the photograph's hash and the frame itself,
so that a browser asks for it once and a new run of the page sends nothing again.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from urllib.parse import quote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fitcheck.access.photograph_routes import PATH
from fitcheck.errors import BadInput
from fitcheck.page.picture_frame import PictureFrame
from fitcheck.page.pictures import SMALL_PX, frame_jpeg, picture_of, piece_of, small_of
from fitcheck.store import Store

Give = Callable[[Request], Awaitable[Response]]

NAME = "The photograph"  # where its file's name is not at hand
_NAMES = ("left", "top", "width", "height", "quarters")
_served = False


def picture_routes(store: Callable[[], Store]) -> list[Route]:
    """Return the routes; from now on the page says that they are there."""
    global _served
    _served = True

    def reader(identity: str, sha256: str) -> Callable[[], bytes]:
        # Whose photograph it is is asked of the store every time, remembered picture or not.
        data = store().inspections.photograph(identity, sha256)
        return lambda: data

    def frame_of(identity: str, sha256: str, query: dict[str, str]) -> bytes:
        frame = _frame(query)
        photo = picture_of(sha256, reader(identity, sha256), NAME)
        if "side" in query:
            frame = piece_of(frame, *(_whole(query, n) for n in ("x", "y", "side")))
        return frame_jpeg(photo, frame)

    def small(identity: str, sha256: str, query: dict[str, str]) -> bytes:
        longest_px = _whole(query, "longest")
        if longest_px not in SMALL_PX:
            raise _no_frame()
        return small_of(sha256, reader(identity, sha256), NAME, longest_px)

    def giving(make: Callable[[str, str, dict[str, str]], bytes]) -> Give:
        async def give(request: Request) -> Response:
            identity, sha256 = request.path_params["inspection"], request.path_params["sha256"]
            query = dict(request.query_params)
            try:
                data = await run_in_threadpool(make, identity, sha256, query)
            except BadInput as error:
                said = {"code": error.code, "message": error.message, "advice": error.advice}
                return JSONResponse(said, 404, headers={"Cache-Control": "no-store"})
            headers = {
                "Cache-Control": "private, max-age=31536000, immutable",
                "Content-Security-Policy": "default-src 'none'; sandbox",
            }
            return Response(data, media_type="image/jpeg", headers=headers)

        return give

    one = f"{PATH}/{{inspection}}/{{sha256}}"
    return [
        Route(f"{one}/frame", giving(frame_of), methods=["GET"]),
        Route(f"{one}/small", giving(small), methods=["GET"]),
    ]


def routes_are_served() -> bool:
    """Tell whether this process serves the routes: not under ``streamlit run``."""
    return _served


def frame_address(identity: str, sha256: str, frame: PictureFrame) -> str:
    """Return the address of what a frame shows."""
    query: dict[str, object] = {name: getattr(frame, name) for name in _NAMES}
    query["scale"] = repr(frame.scale)
    return f"{PATH}/{identity}/{sha256}/frame?{urlencode(query)}"


def small_address(identity: str, sha256: str, longest_px: int) -> str:
    """Return the address of a whole photograph, as small as that."""
    # A document may come from anywhere: what it calls a hash is not trusted to be one.
    return f"{PATH}/{quote(identity, '')}/{quote(sha256, '')}/small?longest={longest_px}"


def _frame(query: dict[str, str]) -> PictureFrame:
    left, top, width, height, quarters = (_whole(query, name) for name in _NAMES)
    try:
        scale = float(query.get("scale", "1"))
    except ValueError:
        scale = 0.0
    if not (0 < scale <= 1 and 0 <= quarters <= 3 and width > 0 and height > 0):
        raise _no_frame()
    return PictureFrame(left, top, width, height, quarters, scale)


def _whole(query: dict[str, str], name: str) -> int:
    said = query.get(name, "")
    if not (said.isascii() and said.isdigit() and len(said) < 7):
        raise _no_frame()
    return int(said)


def _no_frame() -> BadInput:
    return BadInput(
        "frame_outside", "There is no such part of the photograph.", "Load the page again."
    )
