"""What a telephone makes of light: lens, sensor, its own processing, and a file with EXIF."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Picture = NDArray[np.float32]

_TAG_MAKE, _TAG_MODEL, _TAG_ORIENTATION = 0x010F, 0x0110, 0x0112
_TAG_EXIF, _TAG_FOCAL, _TAG_PIXEL_X, _TAG_PIXEL_Y = 0x8769, 0x920A, 0xA002, 0xA003
_TAG_FOCAL_35MM, _TAG_TIME = 0xA405, 0x9003

# How the stored picture is turned so that the tag's turn makes it upright again.
_STORED = {
    1: None,
    3: Image.Transpose.ROTATE_180,
    6: Image.Transpose.ROTATE_90,
    8: Image.Transpose.ROTATE_270,
}


@dataclass(frozen=True)
class Phone:
    """How a telephone and its hand work.

    Attributes
    ----------
    blur_px
        Spread of lens and hand shake, a Gaussian in linear light.
    gain, read_noise
        Variance of the sensor's noise per unit of light, and its part in the dark.
    tint
        Left over by the white balance, per channel.
    curve
        Share of an S-shaped tone curve laid over sRGB, 0 to 1.
    sharpening
        Amount of unsharp masking.
    vignetting
        Share of light lost in the corners.
    quality
        Of the JPEG.
    """

    blur_px: float = 0.6
    gain: float = 0.0004
    read_noise: float = 0.002
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    curve: float = 0.2
    sharpening: float = 0.4
    vignetting: float = 0.15
    quality: int = 92


def developed(light: Picture, phone: Phone, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Turn linear light (height, width, 3), 1 being full white, into 8 bit RGB."""
    height, width = light.shape[:2]
    y, x = np.ogrid[:height, :width]
    half = np.hypot(width, height) / 2
    r2 = ((x - (width - 1) / 2) ** 2 + (y - (height - 1) / 2) ** 2) / half**2
    fall = (1 - phone.vignetting * r2).astype(np.float32)
    seen = light * fall[..., None] * np.array(phone.tint, dtype=np.float32)
    seen = np.asarray(cv2.GaussianBlur(seen, (0, 0), phone.blur_px), dtype=np.float32)
    raw = _mosaic(seen)
    spread = np.sqrt(np.maximum(raw, 0) * phone.gain + phone.read_noise**2)
    raw += (spread * rng.standard_normal(raw.shape, dtype=np.float32)).astype(np.float32)
    colour = _demosaiced(np.clip(raw, 0, 1))
    levels = _toned(colour, phone.curve)
    if phone.sharpening:
        luma = levels @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
        detail = luma - cv2.GaussianBlur(luma, (0, 0), 1.2)
        # Processing leaves the faintest differences alone, else it would sharpen noise.
        detail = np.sign(detail) * np.maximum(np.abs(detail) - 0.006, 0)
        levels = levels + phone.sharpening * detail[..., None]
    return np.asarray(np.clip(levels * 255 + 0.5, 0, 255), dtype=np.uint8)


def _mosaic(light: Picture) -> Picture:
    raw = light[..., 1].copy()
    raw[0::2, 0::2] = light[0::2, 0::2, 0]
    raw[1::2, 1::2] = light[1::2, 1::2, 2]
    return raw


# Linear 5 × 5 interpolation of Malvar, He and Cutler, "High-quality linear interpolation for
# demosaicing of Bayer-patterned color images", ICASSP 2004. It is symmetric: it moves no edge.
def _kernel(rows: list[list[int]], share: int) -> Picture:
    return (np.array(rows) / share).astype(np.float32)


_AT_GREEN_OWN_ROW = _kernel(
    [[0, 0, 1, 0, 0], [0, -2, 0, -2, 0], [-2, 8, 10, 8, -2], [0, -2, 0, -2, 0], [0, 0, 1, 0, 0]],
    16,
)
_GREEN = _kernel(
    [[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]], 8
)
_AT_OTHER = _kernel(
    [[0, 0, -3, 0, 0], [0, 4, 0, 4, 0], [-3, 0, 12, 0, -3], [0, 4, 0, 4, 0], [0, 0, -3, 0, 0]], 16
)


def _demosaiced(raw: Picture) -> Picture:
    def filtered(kernel: Picture) -> Picture:
        return np.asarray(cv2.filter2D(raw, -1, kernel, borderType=cv2.BORDER_REFLECT_101))

    colour = np.repeat(raw[..., None], 3, axis=2)
    green, row = filtered(_GREEN), filtered(_AT_GREEN_OWN_ROW)
    column, other = filtered(np.ascontiguousarray(_AT_GREEN_OWN_ROW.T)), filtered(_AT_OTHER)
    red_spot, green_in_red = (
        (slice(0, None, 2), slice(0, None, 2)),
        (slice(0, None, 2), slice(1, None, 2)),
    )
    blue_spot, green_in_blue = (
        (slice(1, None, 2), slice(1, None, 2)),
        (slice(1, None, 2), slice(0, None, 2)),
    )
    for spot in (red_spot, blue_spot):
        colour[(*spot, 1)] = green[spot]
    colour[(*green_in_red, 0)] = row[green_in_red]
    colour[(*green_in_blue, 0)] = column[green_in_blue]
    colour[(*blue_spot, 0)] = other[blue_spot]
    colour[(*green_in_red, 2)] = column[green_in_red]
    colour[(*green_in_blue, 2)] = row[green_in_blue]
    colour[(*red_spot, 2)] = other[red_spot]
    # Telephones smooth colour more than light.
    luma = colour @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
    chroma = cv2.GaussianBlur(colour - luma[..., None], (0, 0), 1.4)
    return np.asarray(np.maximum(luma[..., None] + chroma, 0))


def _toned(light: Picture, curve: float) -> Picture:
    step = np.linspace(0, 1, 65536, dtype=np.float32)
    srgb = np.where(
        step <= 0.0031308, 12.92 * step, 1.055 * np.maximum(step, 1e-9) ** (1 / 2.4) - 0.055
    )
    table = ((1 - curve) * srgb + curve * srgb * srgb * (3 - 2 * srgb)).astype(np.float32)
    at = (np.clip(light, 0, 1) * 65535 + 0.5).astype(np.uint16)
    return np.asarray(table[at])


def saved(
    pixels: NDArray[np.uint8],
    path: Path,
    phone: Phone,
    make: str,
    model: str,
    focal_35mm: int,
    orientation: int = 1,
    taken: str = "",
) -> None:
    """Write the JPEG as a telephone would: perhaps on its side, with a tag that says so."""
    picture = Image.fromarray(pixels)
    turn = _STORED[orientation]
    if turn is not None:
        picture = picture.transpose(turn)
    exif = Image.Exif()
    exif[_TAG_MAKE], exif[_TAG_MODEL], exif[_TAG_ORIENTATION] = make, model, orientation
    detail = exif.get_ifd(_TAG_EXIF)
    detail[_TAG_FOCAL] = focal_35mm / 4.6
    detail[_TAG_FOCAL_35MM] = focal_35mm
    detail[_TAG_PIXEL_X], detail[_TAG_PIXEL_Y] = picture.size
    if taken:
        detail[_TAG_TIME] = taken
    picture.save(path, quality=phone.quality, exif=exif, subsampling=2, optimize=True)
