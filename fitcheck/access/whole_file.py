"""Whether a picture's file is all there: its end is looked for, no pixel is decoded.

A connection that breaks, or a copy that was stopped, leaves the first part of a file. Its first
bytes and its header are sound, so only its end tells. What comes behind the end does not matter:
makers append their own there.
"""

from __future__ import annotations

import io
import re
import struct

from PIL import JpegImagePlugin, TiffImagePlugin

from fitcheck.errors import BadInput
from fitcheck.photo import photo_kind

# ITU-T T.81, B.1.1.2 to B.1.1.5: a marker is FF and a code. In coded data 00 follows an FF that
# is data, D0 to D7 restart the coding, and further FF only fill.
_MARKER = re.compile(rb"\xff[^\x00\x01\xd0-\xd7\xff]")
_END = 0xD9
_SHRUNK = 8  # what a JPEG's decoder can leave out by itself, in each direction


def check_whole(data: bytes, name: str) -> None:
    """Refuse a picture of which the end is missing.

    Parameters
    ----------
    data
        The file, which :func:`fitcheck.photo.check_photo` has passed; that looks itself for the
        end of a HEIC.
    name
        What to call it.

    Raises
    ------
    BadInput
        ``photo_damaged``.
    """
    kind = photo_kind(data)
    if kind == "JPEG":
        whole = _jpeg_has_end(data) or _jpeg_decodes(data)
    elif kind == "PNG":
        whole = _png_has_end(data)
    elif kind == "WEBP":  # RFC 9649, section 2.4: the size of all that follows its field
        whole = len(data) >= 8 + int.from_bytes(data[4:8], "little")
    elif kind == "TIFF":
        whole = _tiff_has_all(data)
    else:
        whole = True
    if not whole:
        raise BadInput(
            "photo_damaged",
            f"{name} breaks off: the end of the file is missing.",
            "Send the photograph once more, or copy it anew from where it was taken.",
        )


def _jpeg_has_end(data: bytes) -> bool:
    at = 2
    while (found := _MARKER.search(data, at)) is not None:
        code, at = data[found.start() + 1], found.end()
        if code == _END:
            return True
        # A segment states its length; its content, a preview with an end of its own for one, is
        # passed over. Behind the start of a scan coded data follows, up to the next marker.
        at += int.from_bytes(data[at : at + 2], "big")
    return False


def _jpeg_decodes(data: bytes) -> bool:
    """Tell whether all lines are there though the end is not marked, as some programs leave it."""
    try:
        with JpegImagePlugin.JpegImageFile(io.BytesIO(data)) as image:
            image.draft(None, (image.width // _SHRUNK, image.height // _SHRUNK))
            image.load()
    except Exception:  # readers raise what they like on damaged files
        return False
    return True


def _png_has_end(data: bytes) -> bool:
    """Go from chunk to chunk: length, four letters, content, checksum (PNG, section 5.3)."""
    at = 8
    while at + 12 <= len(data):
        length, letters = struct.unpack_from(">L4s", data, at)
        at += 12 + length
        if letters == b"IEND":
            return bool(at <= len(data))
    return False


def _tiff_has_all(data: bytes) -> bool:
    """Compare where the strips or tiles of the first page lie with the file's size (TIFF 6.0)."""
    try:
        with TiffImagePlugin.TiffImageFile(io.BytesIO(data)) as image:
            tags = image.tag_v2
            for starts, lengths in ((273, 279), (324, 325)):
                for start, length in zip(
                    tags.get(starts, ()), tags.get(lengths, ()), strict=False
                ):
                    if start + length > len(data):
                        return False
    except Exception:  # readers raise what they like on damaged files
        return False
    return True
