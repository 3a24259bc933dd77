"""A file or its bytes in, an upright picture with what is known of its lens out.

First stage of the pipeline. Everything that can be wrong with a file is refused here, before
its pixels are decoded where that is possible, with a sentence that says what to do; no
exception of the libraries that read pictures gets past this module.

Pixels are (x, y) of the upright picture, x to the right, y down, centres at whole numbers;
arrays are (row, column, channel). Colour is not managed: edges and corners are found in the
luminance, and a colour profile moves none of them.

One thing cannot be seen here: damage inside the coded data that a decoder conceals. It shows
as a patch of grey, which a later stage meets as a card or an edge that is not there.
"""

from __future__ import annotations

import hashlib
import io
import math
import stat
import threading
import unicodedata
import warnings
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitcheck.errors import BadInput
from fitcheck.picture import TURNS, Picture

MAX_FILE_BYTES = 80 * 1024 * 1024  # a 50 megapixel phone photo in its largest setting is 30 MiB
MAX_PIXELS = 120_000_000  # phones reach 108 (200 only in a special mode); 360 MB decoded
MAX_SIDE_PX = 30_000  # a long panorama has no single focal length anyway
MIN_SIDE_PX = 640  # below this the markers of a card across the picture are a few pixels wide

FORMATS = "JPEG, PNG, TIFF, WebP or HEIC"

# Diagonal of the 36 mm × 24 mm frame. CIPA DCG-001 defines the 35 mm equivalent by the
# diagonal of the picture, not by its width; on a 4:3 picture the two differ by 4 %.
DIAGONAL_35MM = 43.266615

# The tag is a whole number, so ±0.5 mm of 26 mm is 1.9 % at most from rounding alone; makers
# also state a nominal lens, and focusing close lengthens it by a per cent or so.
TAGGED_RELATIVE_SD = 0.03
# Zoomed or cropped: some phones count that in the tag and others do not, some editors keep
# the tag of the whole frame. A 16:9 picture cut from a 4:3 frame of the same width is 8 % off.
DOUBTFUL_RELATIVE_SD = 0.15
# Main cameras of phones lie between 23 and 28 mm, the lenses beside them between 13 and 77.
DEFAULT_35MM = 27.0
DEFAULT_RELATIVE_SD = 0.15
# Outside this range it is not the lens of anything that takes photographs of a bench.
PLAUSIBLE_35MM = (8.0, 300.0)
# Above this the digital zoom counts; exactly 1 is what many phones write for "none".
ZOOM_COUNTS_ABOVE = 1.01
# Sensors are 4:3 in phones and 3:2 in cameras; any other shape was cut from one of these.
SENSOR_SHAPES = (4 / 3, 3 / 2)
SHAPE_TOLERANCE = 0.01  # decoders and makers round the sides to a multiple of 8 or 16

LONGEST_NAME = 120
LONGEST_MAKE = 60

_TAG_MAKE = 0x010F
_TAG_MODEL = 0x0110
_TAG_ORIENTATION = 0x0112
_TAG_EXIF_DIRECTORY = 0x8769
_TAG_PIXEL_X = 0xA002
_TAG_PIXEL_Y = 0xA003
_TAG_DIGITAL_ZOOM = 0xA404
_TAG_FOCAL_35MM = 0xA405
_TAG_SUBFILE_TYPE = 0x00FE
_TAG_BITS_PER_SAMPLE = 0x0102
_TAG_DNG_VERSION = 0xC612

_SIGNATURES = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"II+\x00", "TIFF"),  # BigTIFF
    (b"MM\x00+", "TIFF"),
)
_HEIF_STILLS = (b"heic", b"heix", b"heim", b"heis", b"mif1")
_HEIF_SEQUENCES = (b"hevc", b"hevx", b"hevm", b"hevs", b"msf1")

# warnings.catch_warnings changes the whole process, so two photos decoded at once could leave
# the filters of one behind in the other. It also bounds the memory that a page needs when
# several people use it.
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright picture and what is known of the lens that took it.

    Attributes
    ----------
    name
        File name for people, without its folder.
    picture
        Its pixels, upright.
    focal_prior_px
        Prior mean of the focal length, in pixels of this picture.
    focal_prior_relative_sd
        Standard deviation of that prior, as a share of the mean.
    make, model
        Of the phone, from EXIF; empty if unknown.
    sha256
        Of the file's bytes, 64 hexadecimal digits.
    """

    name: str
    picture: Picture
    focal_prior_px: float
    focal_prior_relative_sd: float
    make: str
    model: str
    sha256: str

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the upright picture, in pixels."""
        height, width = self.picture.shape
        return width, height

    @property
    def pixels(self) -> NDArray[np.uint8]:
        """Shape (height, width, 3), dtype uint8, RGB, upright, C-contiguous, read-only."""
        return self.picture.pixels

    @property
    def grey(self) -> NDArray[np.uint8]:
        """Luminance (ITU-R BT.601 weights): shape (height, width), dtype uint8, read-only."""
        return self.picture.grey


def load_photo(path: Path | str) -> Photo:
    """Read a photo from a file.

    Parameters
    ----------
    path
        The file. Its ending does not matter, only its content does.

    Returns
    -------
    The photo, upright.

    Raises
    ------
    BadInput
        If there is no such file, if it is a folder or cannot be read, and as
        :func:`read_photo` does.
    """
    path = Path(path)
    name = _name_for_people(str(path))
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise BadInput(
                "file_is_folder",
                f"{name} is a folder, not a photo.",
                "Give the photos in it one by one.",
            )
        if not stat.S_ISREG(status.st_mode):  # opening a pipe would wait for ever
            raise BadInput(
                "file_unreadable",
                f"{name} is not an ordinary file.",
                "Save the photo as a file first.",
            )
        _check_file_size(status.st_size, name)
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise BadInput(
            "file_missing",
            f"There is no file {_printable(str(path))}.",
            "Check the name and the folder.",
        ) from error
    except (OSError, ValueError) as error:  # ValueError: a null character in the path
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(
            "file_unreadable",
            f"{name} cannot be read: {reason}.",
            "Check that you may read the file and that its disk is connected.",
        ) from error
    return read_photo(data, name)


def read_photo(data: bytes, name: str) -> Photo:
    """Read a photo from the bytes of its file.

    Parameters
    ----------
    data
        The whole file: JPEG (of an MPO the first picture), PNG, TIFF (its first page), WebP
        or HEIC (its primary picture).
    name
        What to call the photo; a folder in front and control characters are dropped.

    Returns
    -------
    The photo, upright.

    Raises
    ------
    BadInput
        With one of these codes: ``file_empty``, ``file_too_large``, ``not_a_photo``,
        ``raw_photo``, ``animated``, ``photo_too_small``, ``too_many_pixels``,
        ``unsupported_pixels``, ``photo_damaged``, ``too_little_memory``,
        ``heic_unavailable``.
    """
    name = _name_for_people(name)
    kind = _checked_kind(data, name)
    with _ONE_AT_A_TIME, warnings.catch_warnings():
        # Pillow warns of odd metadata and of sizes that our own limits judge.
        warnings.simplefilter("ignore")
        try:
            picture, exif = _decode(data, kind, name)
        except BadInput:
            raise
        except Exception as error:
            # The readers raise what they like on damaged files: OSError, SyntaxError,
            # struct.error, ValueError, KeyError, RuntimeError, MemoryError and more.
            raise _refusal_for(error, kind, name) from error
    height, width = picture.shape
    focal_px, relative_sd = _focal_prior(exif, (width, height))
    return Photo(
        name=name,
        picture=picture,
        focal_prior_px=focal_px,
        focal_prior_relative_sd=relative_sd,
        make=exif.make,
        model=exif.model,
        sha256=hashlib.sha256(data).hexdigest(),
    )


def check_photo(data: bytes, name: str) -> None:
    """Refuse what cannot be a photo, by its size, first bytes and header.

    No pixel is decoded, so it is quick and needs little memory; damage further in is not seen.

    Parameters
    ----------
    data
        The whole file, as for :func:`read_photo`.
    name
        What to call the photo.

    Raises
    ------
    BadInput
        As :func:`read_photo` does.
    """
    name = _name_for_people(name)
    kind = _checked_kind(data, name)
    with _ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            if kind == "HEIF":
                _check_heif(data, name)
            with _open(data, kind) as image:
                _check_picture(image, kind, name)
        except BadInput:
            raise
        except Exception as error:
            raise _refusal_for(error, kind, name) from error


def photo_kind(data: bytes) -> str | None:
    """Return the format that a file's first bytes announce; None if it is not one of a photo.

    ``"JPEG"``, ``"PNG"``, ``"TIFF"``, ``"WEBP"`` or ``"HEIF"``; 12 bytes are enough.
    """
    return _kind(data)


def focal_length_px(focal_35mm: float, size_px: tuple[int, int]) -> float:
    """Focal length in pixels from the 35 mm equivalent, by the diagonal.

    Parameters
    ----------
    focal_35mm
        35 mm equivalent focal length, in millimetres.
    size_px
        Width and height of the picture, in pixels; which is which does not matter.

    Returns
    -------
    Focal length in pixels. Source: CIPA DCG-001, definition of the 35 mm equivalent.
    """
    return focal_35mm * math.hypot(*size_px) / DIAGONAL_35MM


# ---- file and name ---------------------------------------------------------------------


def _printable(text: str) -> str:
    """Return the text without control, format, surrogate and line-separator characters."""
    return "".join(
        char
        for char in text
        if unicodedata.category(char)[0] != "C" and unicodedata.category(char) not in ("Zl", "Zp")
    )


def _name_for_people(path: str) -> str:
    """Last part of a path; browsers may send either kind of slash."""
    last = path.replace("\\", "/").rstrip("/").rpartition("/")[2]
    return _printable(last)[-LONGEST_NAME:].strip() or "photo"


def _check_file_size(size_bytes: int, name: str) -> None:
    if size_bytes == 0:
        raise BadInput(
            "file_empty", f"{name} is empty.", "Copy the photo from the phone once more."
        )
    if size_bytes > MAX_FILE_BYTES:
        mib = 1024 * 1024
        raise BadInput(
            "file_too_large",
            f"{name} is larger than {MAX_FILE_BYTES // mib} MiB, the most that is read.",
            "Save it as JPEG at its full number of pixels.",
        )


# ---- content ---------------------------------------------------------------------------


def _checked_kind(data: bytes, name: str) -> str:
    _check_file_size(len(data), name)
    kind = _kind(data)
    if kind is None:
        raise BadInput(
            "not_a_photo",
            f"{name} is not a {FORMATS} picture.",
            f"Use the photo as the phone saved it, or save it as {FORMATS}.",
        )
    return kind


def _kind(data: bytes) -> str | None:
    """Pillow's name of the format that the first bytes announce, None for any other."""
    for signature, kind in _SIGNATURES:
        if data.startswith(signature):
            return kind
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_STILLS + _HEIF_SEQUENCES:
        return "HEIF"
    return None


def _decode(data: bytes, kind: str, name: str) -> tuple[Picture, _Exif]:
    """Return the upright picture and the EXIF; raises BadInput or whatever Pillow does."""
    if kind == "HEIF":
        _check_heif(data, name)
    with _open(data, kind) as image:
        _check_picture(image, kind, name)
        stated_px = sorted(image.size)
        picture = None
        if kind == "JPEG" and image.mode == "RGB":
            exif = _read_exif(image)
            # Only one that has no fault at all: Pillow knows which faults do no harm. It decodes
            # to the same pixels, but into memory of its own, of which it hands out a copy.
            with suppress(ValueError):
                picture = Picture.of_jpeg(data, TURNS.get(exif.orientation))
        if picture is None:
            image.load()
            exif = _read_exif(image)  # a PNG's may stand behind its pixels
            # Pillow turns a TIFF as it loads it. A HEIC is turned by its own boxes, and ISO/IEC
            # 23008-12 forbids to turn it by EXIF as well.
            turn = TURNS.get(exif.orientation) if kind not in ("TIFF", "HEIF") else None
            picture = Picture(np.array(_to_rgb(image, kind, name), dtype=np.uint8), turn)
        if sorted(picture.shape) != stated_px:  # a HEIC can hold another size than it states
            raise _damaged(kind, name)
    return picture, exif


def _open(data: bytes, kind: str) -> Image.Image:
    """Read the header only, with the reader of that one format."""
    if kind == "JPEG":
        # Not Image.open: that goes on to read the index of an MPO (a phone's depth map, gain
        # map or second view), and a stale index would stop a sound photo. Read as a JPEG, an
        # MPO is its first picture.
        from PIL import JpegImagePlugin

        return JpegImagePlugin.JpegImageFile(io.BytesIO(data))
    if kind == "HEIF":
        _register_heif()
    return Image.open(io.BytesIO(data), formats=[kind])


@cache
def _register_heif() -> None:
    import pillow_heif  # only when needed: it loads a video decoder

    # The picture alone: a damaged thumbnail or depth map must not stop it.
    pillow_heif.register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)


def _check_heif(data: bytes, name: str) -> None:
    """Refuse a sequence, and a file that ends inside its coded data.

    A phone's HEIC is a grid of tiles. libheif fills tiles that it cannot read with grey and
    says nothing, so a file cut short would load. ISO/IEC 14496-12, section 4.2: a box is its
    size in 4 bytes, 4 letters, and if the size is 1, the real one in 8 bytes; 0 means to the
    end of the file.
    """
    if data[8:12] in _HEIF_SEQUENCES:
        raise _animated(name)
    start = 0
    while start + 8 <= len(data):
        size, letters = int.from_bytes(data[start : start + 4], "big"), data[start + 4 : start + 8]
        if size == 1:
            size = int.from_bytes(data[start + 8 : start + 16], "big")
        if letters == b"mdat" and start + size > len(data):
            raise _damaged("HEIF", name)
        if size < 8:  # to the end of the file, or bytes that some makers append
            return
        start += size


def _check_picture(image: Image.Image, kind: str, name: str) -> None:
    """Refuse by the header, before any pixel is decoded."""
    if kind in ("PNG", "WEBP") and getattr(image, "is_animated", False):
        raise _animated(name)
    if kind == "TIFF":
        tags: Any = getattr(image, "tag_v2", {})
        if _TAG_DNG_VERSION in tags or _tag(tags, _TAG_SUBFILE_TYPE) == 1:
            raise BadInput(
                "raw_photo",
                f"{name} is a camera's raw file; all that could be read is its small preview.",
                "Export it as JPEG at full size, or photograph with raw switched off.",
            )
    width, height = image.size
    if min(width, height) < MIN_SIDE_PX:
        raise BadInput(
            "photo_too_small",
            f"{name} is {width} × {height} pixels; each side must have at least {MIN_SIDE_PX}.",
            "Use the original photo, not a thumbnail or a copy that a messenger made smaller.",
        )
    if width * height > MAX_PIXELS or max(width, height) > MAX_SIDE_PX:
        raise _too_many_pixels(f"{name} is {width} × {height} pixels")


def _to_rgb(image: Image.Image, kind: str, name: str) -> Image.Image:
    """Return the loaded picture as 8 bit RGB; transparent parts become white."""
    if image.mode.startswith("I;16") or (image.mode == "I" and kind == "PNG"):
        # Pillow's own conversion clips at 255. The upper 8 bits are what it takes of 16 bit
        # colour; a 12 bit TIFF fills only the lower 12.
        bits = _tag(getattr(image, "tag_v2", {}), _TAG_BITS_PER_SAMPLE)
        shift = 4 if bits == (12,) else 8
        samples = np.asarray(image).astype(np.int32) >> shift
        return Image.fromarray(samples.clip(0, 255).astype(np.uint8)).convert("RGB")
    if image.mode in ("I", "F", "LAB", "HSV"):  # no agreed range, or no way to RGB
        raise BadInput(
            "unsupported_pixels",
            f"{name} stores its pixels in a form that is not a photo's ({image.mode}).",
            "Save it as JPEG, or as PNG with 8 bits for each colour.",
        )
    if image.has_transparency_data:
        layer = image.convert("RGBA")
        paper = Image.new("RGBA", layer.size, "white")
        return Image.alpha_composite(paper, layer).convert("RGB")
    return image if image.mode == "RGB" else image.convert("RGB")  # that would copy


# ---- EXIF ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Exif:
    """The tags used here; None or empty where absent or broken."""

    orientation: int
    make: str
    model: str
    focal_35mm: float | None
    digital_zoom: float | None
    recorded_px: tuple[float, float] | None


def _read_exif(image: Image.Image) -> _Exif:
    """Read what can be read: broken EXIF counts as none, and never stops a photo."""
    main: Any = {}
    detail: Any = {}
    with suppress(Exception):
        main = image.getexif()
        detail = main.get_ifd(_TAG_EXIF_DIRECTORY)
    orientation = _tag(main, _TAG_ORIENTATION)
    recorded = _number(_tag(detail, _TAG_PIXEL_X)), _number(_tag(detail, _TAG_PIXEL_Y))
    return _Exif(
        orientation=orientation if orientation in range(1, 9) else 1,
        make=_text(_tag(main, _TAG_MAKE)),
        model=_text(_tag(main, _TAG_MODEL)),
        focal_35mm=_number(_tag(detail, _TAG_FOCAL_35MM)),
        digital_zoom=_number(_tag(detail, _TAG_DIGITAL_ZOOM)),
        recorded_px=(recorded[0], recorded[1]) if recorded[0] and recorded[1] else None,
    )


def _tag(directory: Any, tag: int) -> Any:
    """Value of a tag, None if absent; Pillow decodes on access and may fail in many ways."""
    with suppress(Exception):
        return directory.get(tag)
    return None


def _number(value: Any) -> float | None:
    """The value as a finite number above zero (0 means unknown in all tags used), else None."""
    with suppress(Exception):
        number = float(value)
        if math.isfinite(number) and number > 0:
            return number
    return None


def _text(value: Any) -> str:
    """The value as one short line of printable text, empty if it is no text."""
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return ""
    spaced = value.replace("\x00", " ").replace("\n", " ").replace("\t", " ")
    return " ".join(_printable(spaced).split())[:LONGEST_MAKE].strip()


def _focal_prior(exif: _Exif, size_px: tuple[int, int]) -> tuple[float, float]:
    """Mean (pixels) and relative standard deviation of what is known of the focal length."""
    shortest, longest = PLAUSIBLE_35MM
    if exif.focal_35mm is None or not shortest <= exif.focal_35mm <= longest:
        return focal_length_px(DEFAULT_35MM, size_px), DEFAULT_RELATIVE_SD
    zoomed = exif.digital_zoom is not None and exif.digital_zoom > ZOOM_COUNTS_ABOVE
    doubtful = zoomed or _was_cropped(exif, size_px)
    relative_sd = DOUBTFUL_RELATIVE_SD if doubtful else TAGGED_RELATIVE_SD
    return focal_length_px(exif.focal_35mm, size_px), relative_sd


def _was_cropped(exif: _Exif, size_px: tuple[int, int]) -> bool:
    """Tell whether the shape is no sensor's, or not the one that the phone recorded."""

    def differs(shape: float) -> bool:
        return abs(_shape(size_px) / shape - 1) > SHAPE_TOLERANCE

    if all(differs(shape) for shape in SENSOR_SHAPES):
        return True
    return exif.recorded_px is not None and differs(_shape(exif.recorded_px))


def _shape(size: tuple[float, float]) -> float:
    """Longer side over shorter side."""
    return max(size) / min(size)


# ---- refusals --------------------------------------------------------------------------


def _refusal_for(error: Exception, kind: str, name: str) -> BadInput:
    """Turn what a reader raised into a sentence: the only place that does."""
    if isinstance(error, Image.DecompressionBombError):
        return _too_many_pixels(f"{name} has too many pixels")
    if isinstance(error, MemoryError):
        return BadInput(
            "too_little_memory",
            f"There is not enough memory to read {name}.",
            "Close other programs, or save the photo with fewer pixels.",
        )
    if isinstance(error, ImportError):
        return BadInput(
            "heic_unavailable",
            f"{name} is a HEIC photo, and the part that reads them does not start here.",
            "Install pillow-heif again, or save the photo as JPEG.",
        )
    return _damaged(kind, name)


def _damaged(kind: str, name: str) -> BadInput:
    known_as = {"HEIF": "HEIC", "WEBP": "WebP"}.get(kind, kind)
    return BadInput(
        "photo_damaged",
        f"{name} is damaged or incomplete: it begins as {known_as} but cannot be read.",
        "Copy the photo from the phone once more, or save it as JPEG in a picture program.",
    )


def _animated(name: str) -> BadInput:
    return BadInput(
        "animated",
        f"{name} is a moving picture; it is not clear which of its pictures to measure.",
        "Take a still photo, or save the one picture you mean.",
    )


def _too_many_pixels(what: str) -> BadInput:
    return BadInput(
        "too_many_pixels",
        f"{what}; at most {MAX_PIXELS // 1_000_000} megapixels and {MAX_SIDE_PX} on a side"
        " are read.",
        "Photograph at the phone's normal resolution (12 to 50 megapixels), not as a panorama.",
    )
