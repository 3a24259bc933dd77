import hashlib
import io
import os
import struct
import subprocess
import sys
import warnings
import zlib
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from numpy.typing import NDArray
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from fitcheck import photo
from fitcheck.errors import BadInput
from fitcheck.photo import focal_length_px, load_photo, read_photo
from fitcheck.picture import TURNS, Picture

pillow_heif.register_heif_opener()

WIDTH, HEIGHT = 880, 660  # 4:3, and not square, so that swapped axes show
RED, GREEN, BLUE, GREY = (200, 40, 40), (40, 200, 40), (40, 40, 200), (128, 128, 128)


def asymmetric(width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.uint8]:
    """Four quarters of different colour: no turn or mirror image of it equals another."""
    pixels = np.empty((height, width, 3), np.uint8)
    pixels[: height // 2, : width // 2] = RED
    pixels[: height // 2, width // 2 :] = GREEN
    pixels[height // 2 :, : width // 2] = BLUE
    pixels[height // 2 :, width // 2 :] = GREY
    return pixels


def encoded(pixels, kind: str = "JPEG", **options) -> bytes:
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def exif(orientation=None, make=None, model=None, **detail) -> bytes:
    tags = Image.Exif()
    for tag, value in ((0x010F, make), (0x0110, model), (0x0112, orientation)):
        if value is not None:
            tags[tag] = value
    numbers = {"f35": 0xA405, "zoom": 0xA404, "x": 0xA002, "y": 0xA003}
    if "zoom" in detail:
        detail["zoom"] = IFDRational(round(detail["zoom"] * 100), 100)
    tags[0x8769] = {numbers[key]: value for key, value in detail.items()}
    return tags.tobytes()


def refusal(data: bytes, name: str = "bow.jpg") -> BadInput:
    with pytest.raises(BadInput) as caught:
        read_photo(data, name)
    error = caught.value
    assert error.message.endswith(".")
    assert error.advice.endswith(".")
    return error


def png(width, height, rows: bytes, bits=8, colour=2, extra=b"") -> bytes:
    header = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + extra
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


def chunk(letters: bytes, content: bytes) -> bytes:
    check = zlib.crc32(letters + content)
    return struct.pack(">I", len(content)) + letters + content + struct.pack(">I", check)


def png_rows(samples: NDArray) -> bytes:
    return b"".join(b"\0" + row.tobytes() for row in samples)


def tiff(width, height, pixels: bytes, bits=8, photometric=1, extra=()) -> bytes:
    """A grey, uncompressed, little-endian TIFF of one strip."""
    tags = [
        (256, 4, width),
        (257, 4, height),
        (258, 3, bits),
        (259, 3, 1),
        (262, 3, photometric),
        (277, 3, 1),
        (278, 4, height),
        (279, 4, len(pixels)),
        *extra,
    ]
    start = 8 + 2 + 12 * (len(tags) + 1) + 4
    tags = sorted([*tags, (273, 4, start)])
    entries = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in tags)
    head = b"II*\0" + struct.pack("<IH", 8, len(tags))
    return head + entries + struct.pack("<I", 0) + pixels


def mutated(data: bytes, chance: np.random.Generator, start: int, stop: int) -> bytes:
    """The bytes with one to twelve of them between start and stop overwritten."""
    broken = bytearray(data)
    for place in chance.integers(start, stop, chance.integers(1, 13)):
        broken[place] = chance.choice([0, 1, 128, 255, chance.integers(256)])
    return bytes(broken)


SMOOTH = np.stack(
    np.broadcast_arrays(
        np.arange(720) * 255 // 720,
        np.arange(660)[:, None] * 255 // 660,
        (np.arange(720) + np.arange(660)[:, None]) % 256,
    ),
    axis=-1,
).astype(np.uint8)
NOISY = np.random.default_rng(8).integers(0, 256, (660, 720, 3), dtype=np.uint8)

FORMATS = {
    "jpeg": ("JPEG", {"quality": 92}),
    "progressive jpeg": ("JPEG", {"quality": 92, "progressive": True}),
    "mpo": ("MPO", {"save_all": True, "append_images": [Image.new("RGB", (720, 660))]}),
    "png": ("PNG", {}),
    "tiff": ("TIFF", {}),
    "webp": ("WEBP", {"lossless": True}),
    "heic": ("HEIF", {"quality": 90}),
    "heic of tiles": ("HEIF", {"quality": 90, "tile_size": 256}),  # as phones write it
}
each_format = pytest.mark.parametrize("kind", FORMATS)


def in_format(pixels, kind: str, **more) -> bytes:
    name, options = FORMATS[kind]
    return encoded(pixels, name, **options, **more)


@cache
def noisy_file(kind: str) -> bytes:
    """A file whose coded data, not its headers, are the most of it."""
    return in_format(NOISY, kind)


# ---- what comes out --------------------------------------------------------------------


@each_format
def test_reads_every_format(kind):
    data = in_format(asymmetric(), kind)
    found = read_photo(data, "bow.bin")
    assert found.size_px == (WIDTH, HEIGHT)
    assert found.pixels.shape == (HEIGHT, WIDTH, 3)
    assert found.pixels.dtype == np.uint8
    assert found.pixels.flags.c_contiguous
    assert not found.pixels.flags.writeable
    assert np.abs(found.pixels.astype(int) - asymmetric()).mean() < 2


def test_file_is_judged_by_content_not_by_its_ending(tmp_path):
    path = tmp_path / "seat.txt"
    data = encoded(asymmetric(), "PNG")
    path.write_bytes(data)
    found = load_photo(path)
    assert found.name == "seat.txt"
    assert np.array_equal(found.pixels, asymmetric())
    assert np.array_equal(load_photo(str(path)).pixels, found.pixels)


def test_sha256_is_that_of_the_bytes():
    data = encoded(asymmetric(), "PNG")
    assert read_photo(data, "a").sha256 == hashlib.sha256(data).hexdigest()


def test_grey_is_luminance_and_made_once():
    found = read_photo(encoded(asymmetric(), "PNG"), "a")
    assert found.grey.shape == (HEIGHT, WIDTH)
    assert found.grey.dtype == np.uint8
    assert found.grey is found.grey
    red, green, blue = RED
    assert found.grey[0, 0] == round(0.299 * red + 0.587 * green + 0.114 * blue)
    assert found.grey[-1, -1] == 128


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("/home/me/seat-001.jpg", "seat-001.jpg"),
        ("C:\\fakepath\\seat-001.jpg", "seat-001.jpg"),
        ("se\x1b[31mat\n\u202e.jpg", "se[31mat.jpg"),
        ("bad\udcff.jpg", "bad.jpg"),
        ("Bogen über zwei.jpg", "Bogen über zwei.jpg"),
        ("", "photo"),
        ("\x00\x01", "photo"),
        ("..", ".."),
    ],
)
def test_name_is_for_people(given, shown):
    assert read_photo(encoded(asymmetric()), given).name == shown


def test_a_long_name_keeps_its_ending():
    name = read_photo(encoded(asymmetric()), "x" * 5000 + ".jpg").name
    assert len(name) == photo.LONGEST_NAME
    assert name.endswith("x.jpg")


# ---- orientation -----------------------------------------------------------------------


def stored(upright, orientation: int):
    """The picture as a camera stores it; EXIF 2.32, 4.6.4: where row 0 and column 0 lie."""
    turned = upright.swapaxes(0, 1)
    return np.ascontiguousarray(
        {
            1: upright,  # row 0 is the top, column 0 the left side
            2: upright[:, ::-1],  # top, right
            3: upright[::-1, ::-1],  # bottom, right
            4: upright[::-1],  # bottom, left
            5: turned,  # left, top
            6: turned[::-1],  # right, top
            7: turned[::-1, ::-1],  # right, bottom
            8: turned[:, ::-1],  # left, bottom
        }[orientation]
    )


def all_of(picture, rows=slice(None), columns=slice(None)):
    """A picture's colours at every pixel of some rows and columns."""
    height, width = picture.colours.shape
    x, y = np.meshgrid(
        np.arange(width, dtype=np.float32)[columns], np.arange(height, dtype=np.float32)[rows]
    )
    part, x, y = picture.colours.window(x, y)
    return part[y.astype(int), x.astype(int)]


@pytest.mark.parametrize("orientation", range(1, 9))
@each_format
def test_orientation_is_applied_exactly_once(kind, orientation):
    upright = asymmetric()
    data = in_format(stored(upright, orientation), kind, exif=exif(orientation, f35=26))
    found = read_photo(data, "a")
    assert found.size_px == (WIDTH, HEIGHT)
    assert found.focal_prior_px == pytest.approx(focal_length_px(26, (WIDTH, HEIGHT)))
    assert found.focal_prior_relative_sd == photo.TAGGED_RELATIVE_SD
    parts = all_of(found.picture)  # before the whole: then it is still as it was stored
    assert np.abs(parts.astype(int) - upright).mean() < 2
    assert np.array_equal(found.pixels, parts)
    assert np.array_equal(all_of(found.picture), parts)
    assert found.grey.shape == (HEIGHT, WIDTH)
    weighted = found.pixels @ [0.299, 0.587, 0.114]  # ITU-R BT.601, from memory
    assert np.abs(found.grey - weighted).mean() < 1


def test_width_and_height_swap_for_a_portrait():
    data = encoded(asymmetric(), exif=exif(orientation=6))
    assert read_photo(data, "a").size_px == (HEIGHT, WIDTH)


def test_heic_is_turned_by_its_own_boxes_not_by_exif():
    # ISO/IEC 23008-12: readers ignore EXIF orientation in HEIC. This file has no rotation box.
    tags = Image.Exif()
    tags[0x0112] = 6
    data = encoded(asymmetric(), "HEIF", exif=tags)
    assert b"irot" not in data
    assert read_photo(data, "a").size_px == (WIDTH, HEIGHT)


@pytest.mark.parametrize("orientation", [0, 9, 200])
def test_impossible_orientation_counts_as_upright(orientation):
    data = encoded(asymmetric(), "PNG", exif=exif(orientation))
    assert np.array_equal(read_photo(data, "a").pixels, asymmetric())


# ---- focal length ----------------------------------------------------------------------


def test_focal_length_by_the_diagonal():
    # CIPA DCG-001, definition by the diagonal; 4032 × 3024 and 26 mm worked out by hand. By
    # the width it would be 2912.0.
    assert focal_length_px(26, (4032, 3024)) == pytest.approx(3028.663, abs=0.0005)
    assert focal_length_px(26, (3024, 4032)) == focal_length_px(26, (4032, 3024))


def test_focal_prior_of_a_whole_photo():
    pixels = np.full((3024, 4032), 90, np.uint8)
    tags = exif(6, "Acorn", "Phone 26", f35=26, zoom=1.0, x=4032, y=3024)
    found = read_photo(encoded(pixels, exif=tags), "a")
    assert found.size_px == (3024, 4032)
    assert found.focal_prior_px == pytest.approx(3028.663, abs=0.0005)
    assert found.focal_prior_relative_sd == 0.03
    assert (found.make, found.model) == ("Acorn", "Phone 26")


@pytest.mark.parametrize("f35", [None, 0, 7, 301, 65535])
def test_unknown_or_absurd_focal_length_gives_a_wide_prior(f35):
    tags = exif(make="Acorn") if f35 is None else exif(make="Acorn", f35=f35)
    found = read_photo(encoded(asymmetric(), exif=tags), "a")
    assert found.focal_prior_px == pytest.approx(focal_length_px(27, (WIDTH, HEIGHT)))
    assert found.focal_prior_relative_sd == 0.15
    assert found.make == "Acorn"


@pytest.mark.parametrize(
    ("zoom", "relative_sd"), [(0.0, 0.03), (1.0, 0.03), (1.01, 0.03), (1.02, 0.15), (2.5, 0.15)]
)
def test_digital_zoom_widens_the_prior(zoom, relative_sd):
    found = read_photo(encoded(asymmetric(), exif=exif(f35=26, zoom=zoom)), "a")
    assert found.focal_prior_px == pytest.approx(focal_length_px(26, (WIDTH, HEIGHT)))
    assert found.focal_prior_relative_sd == relative_sd


@pytest.mark.parametrize(
    ("size", "recorded", "relative_sd"),
    [
        ((880, 660), (4032, 3024), 0.03),  # made smaller, the same view
        ((880, 660), (3024, 4032), 0.03),  # turned
        ((960, 640), (), 0.03),  # 3:2, a camera
        ((882, 656), (), 0.03),  # 4:3 rounded to whole blocks
        ((1280, 720), (), 0.15),  # 16:9 is cut from a larger frame
        ((700, 700), (), 0.15),
        ((960, 640), (4032, 3024), 0.15),  # recorded as 4:3, now 3:2
    ],
)
def test_a_cropped_photo_widens_the_prior(size, recorded, relative_sd):
    detail = dict(zip(("x", "y"), recorded, strict=False))
    data = encoded(asymmetric(*size), exif=exif(f35=26, **detail))
    assert read_photo(data, "a").focal_prior_relative_sd == relative_sd


def test_zoom_of_nothing_over_nothing_is_no_zoom():
    tags = exif(f35=26, zoom=2.0)
    zoom = struct.pack(">II", 2, 1)  # Pillow reduces the fraction
    assert tags.count(zoom) == 1
    found = read_photo(encoded(asymmetric(), exif=tags.replace(zoom, bytes(8))), "a")
    assert found.focal_prior_relative_sd == 0.03


def test_make_and_model_are_short_clean_lines():
    tags = exif(make="  Ac\x1b[2Jorn\r\n\tInc. ", model="P" * 500)
    found = read_photo(encoded(asymmetric(), exif=tags), "a")
    assert found.make == "Ac[2Jorn Inc."
    assert found.model == "P" * 60


def test_no_exif_at_all():
    found = read_photo(encoded(asymmetric()), "a")
    assert (found.make, found.model) == ("", "")
    assert found.focal_prior_relative_sd == 0.15


@pytest.mark.parametrize("kind", ["jpeg", "mpo", "webp", "heic", "tiff"])
def test_broken_exif_never_stops_a_photo(kind):
    tags = exif(6, "Acorn", "Phone", f35=26, zoom=1.0, x=WIDTH, y=HEIGHT)
    data = in_format(asymmetric(), kind, exif=tags)
    if kind == "tiff":
        with Image.open(io.BytesIO(data)) as image:
            start = image.tag_v2[0x8769]
        length = 60
    else:
        start = data.index(tags[6:20])
        length = len(tags) - 6
    chance = np.random.default_rng(5)
    for _ in range(60):
        found = read_photo(mutated(data, chance, start, start + length), "a")
        assert sorted(found.size_px) == [HEIGHT, WIDTH]
        assert found.focal_prior_px > 0
        assert found.focal_prior_relative_sd in (0.03, 0.15)


def test_a_stale_index_of_an_mpo_never_stops_a_photo():
    data = in_format(asymmetric(), "mpo")
    start = data.index(b"MPF\0") + 4
    chance = np.random.default_rng(6)
    for _ in range(60):
        broken = mutated(data, chance, start, start + 80)
        assert read_photo(broken, "a").size_px == (WIDTH, HEIGHT)


def test_the_first_picture_of_an_mpo_is_taken():
    found = read_photo(in_format(asymmetric(), "mpo"), "a")  # the second is black
    assert np.abs(found.pixels.astype(int) - asymmetric()).mean() < 2


# ---- forms of pixels -------------------------------------------------------------------

RAMP16 = np.broadcast_to(np.linspace(0, 65535, 700).astype(np.uint16), (650, 700))


def assert_is_ramp(pixels: NDArray[np.uint8]) -> None:
    expected = np.linspace(0, 255, 700)
    assert np.abs(pixels - expected[None, :, None]).max() <= 1
    assert pixels[0, 0, 0] == 0
    assert pixels[0, -1, 0] == 255


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_16_bit_grey_is_scaled_not_clipped(kind):
    assert_is_ramp(read_photo(encoded(RAMP16, kind), "a").pixels)


def test_16_bit_grey_big_endian_tiff():
    assert_is_ramp(read_photo(encoded(RAMP16.astype(">u2"), "TIFF"), "a").pixels)


def test_16_bit_colour_is_scaled_not_clipped():
    samples = np.stack([RAMP16, RAMP16, RAMP16], axis=-1).astype(">u2")
    assert_is_ramp(read_photo(png(700, 650, png_rows(samples), bits=16), "a").pixels)


def test_12_bit_tiff_fills_the_range():
    values = np.linspace(0, 4095, 700).astype(int)
    even, odd = values[0::2], values[1::2]
    row = np.stack([even >> 4, (even & 15) << 4 | odd >> 8, odd & 255], axis=-1)
    pixels = row.astype(np.uint8).tobytes() * 650
    assert_is_ramp(read_photo(tiff(700, 650, pixels, bits=12), "a").pixels)


def test_10_bit_heic_is_scaled_not_clipped():
    samples = np.repeat(RAMP16[..., None], 3, axis=-1)
    heif = pillow_heif.from_bytes("RGB;16", (700, 650), samples.tobytes())
    buffer = io.BytesIO()
    heif.save(buffer, quality=-1)
    found = read_photo(buffer.getvalue(), "a").pixels
    assert np.abs(found - np.linspace(0, 255, 700)[None, :, None]).max() <= 3


@pytest.mark.parametrize("mode", ["RGBA", "LA"])
def test_transparent_parts_become_white(mode):
    image = Image.fromarray(asymmetric()).convert(mode)
    alpha = Image.new("L", image.size, 255)
    alpha.paste(0, (0, 0, 100, 100))
    alpha.paste(128, (100, 0, 200, 100))
    image.putalpha(alpha)
    found = read_photo(encoded(image, "PNG"), "a").pixels
    plain = np.asarray(image.convert("RGB")).astype(int)
    assert (found[:100, :100] == 255).all()
    assert np.abs(found[50, 150] - (plain[50, 150] + 255) / 2).max() <= 1
    assert np.array_equal(found[300:], plain[300:])


def test_palette_with_and_without_transparency():
    image = Image.fromarray(asymmetric()).quantize(8)
    found = read_photo(encoded(image, "PNG"), "a").pixels
    assert np.abs(found.astype(int) - asymmetric()).max() <= 8
    corner = image.getpixel((0, 0))
    found = read_photo(encoded(image, "PNG", transparency=corner), "a").pixels
    assert (found[0, 0] == 255).all()
    assert np.abs(found[-1, -1].astype(int) - GREY).max() <= 8


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"progressive": True},
        {"subsampling": "4:4:4"},
        {"subsampling": "4:2:2", "restart_marker_blocks": 3},
    ],
)
def test_a_jpegs_pixels_are_those_of_pillow(options):
    data = encoded(NOISY, "JPEG", quality=90, **options)
    with Image.open(io.BytesIO(data)) as image:
        assert np.array_equal(read_photo(data, "a").pixels, np.asarray(image))


@pytest.mark.parametrize("orientation", TURNS)
@pytest.mark.parametrize("subsampling", ["4:2:0", "4:2:2", "4:4:4"])
@pytest.mark.parametrize("size", [(64, 96), (63, 96), (64, 95)])
def test_colours_put_together_are_those_of_the_decoder(orientation, subsampling, size):
    noise = np.random.default_rng(3).integers(0, 256, (*size, 3), dtype=np.uint8)
    noise[:30] = cv2.GaussianBlur(noise[:30], (0, 0), 2)  # gentle colours, and loud ones
    data, turn = encoded(noise, "JPEG", quality=95, subsampling=subsampling), TURNS[orientation]
    picture, wanted = Picture.of_jpeg(data, turn), Picture.of_jpeg(data, turn).pixels
    assert np.array_equal(all_of(picture), wanted)
    height, width = wanted.shape[:2]
    for rows in (slice(0, 1), slice(7, 8), slice(8, 31), slice(height - 3, height)):
        for columns in (slice(0, 2), slice(5, 22), slice(width - 1, width)):
            assert np.array_equal(all_of(picture, rows, columns), wanted[rows, columns])


def stored_as_red_green_blue(data):
    """The same JPEG with its components named R, G and B, and no JFIF header that says other."""
    parts, place = [data[:2]], 2
    while data[place + 1] != 0xDA:  # start of scan: ITU-T T.81, annex B
        length = 2 + int.from_bytes(data[place + 2 : place + 4], "big")
        segment = bytearray(data[place : place + length])
        if segment[1] == 0xC0:
            segment[10::3] = b"RGB"
        if segment[1] != 0xE0:
            parts.append(bytes(segment))
        place += length
    rest = bytearray(data[place:])
    rest[5:11:2] = b"RGB"
    return b"".join([*parts, bytes(rest)])


def test_a_jpeg_of_red_green_and_blue_is_read_as_such():
    data = stored_as_red_green_blue(encoded(NOISY, "JPEG", quality=90, subsampling="4:2:0"))
    picture, wanted = Picture.of_jpeg(data), Picture.of_jpeg(data).pixels
    assert np.array_equal(all_of(picture), wanted)
    assert not np.array_equal(wanted, Picture.of_jpeg(encoded(NOISY, "JPEG", quality=90)).pixels)


def test_colours_stored_at_half_are_kept_so():
    halved = encoded(NOISY[:64, :96], "JPEG", quality=90, subsampling="4:2:0")
    whole = encoded(NOISY[:64, :96], "JPEG", quality=90, subsampling="4:4:4")
    assert Picture.of_jpeg(halved).colours._halved.shape == (32, 48, 3)
    assert Picture.of_jpeg(whole).colours._halved.size == 0


def test_grey_is_the_same_whatever_is_looked_at_first():
    data = encoded(NOISY, "JPEG", quality=90)
    colour_first, grey_first = read_photo(data, "a"), read_photo(data, "a")
    assert np.array_equal(colour_first.pixels, all_of(read_photo(data, "a").picture))
    assert np.array_equal(grey_first.grey, colour_first.grey)
    for found in (colour_first.pixels, colour_first.grey):
        with pytest.raises(ValueError, match="read-only"):
            found[0] = 0


def test_harmless_faults_of_a_jpeg_do_not_stop_it():
    data = encoded(NOISY, "JPEG", quality=90)
    wanted = read_photo(data, "a").pixels
    for odd in (data + b"\0" * 99, data[:-2] + b"\0" * 40 + data[-2:]):
        assert np.array_equal(read_photo(odd, "a").pixels, wanted)


def test_cmyk_one_bit_and_grey():
    cmyk = Image.fromarray(asymmetric()).convert("CMYK")
    found = read_photo(encoded(cmyk, "JPEG", quality=95), "a").pixels
    assert np.abs(found.astype(int) - asymmetric()).mean() < 3
    grey = Image.fromarray(asymmetric()).convert("L")
    found = read_photo(encoded(grey, "PNG"), "a").pixels
    assert np.array_equal(found, np.repeat(np.asarray(grey)[..., None], 3, axis=-1))
    bit = grey.point(lambda value: 255 * (value > 100)).convert("1")
    found = read_photo(encoded(bit, "PNG"), "a").pixels
    assert np.array_equal(found[..., 0], np.asarray(bit) * np.uint8(255))


@pytest.mark.parametrize("mode", ["F", "I"])
def test_numbers_without_a_range_are_refused(mode):
    image = Image.fromarray(asymmetric()).convert(mode)
    error = refusal(encoded(image, "TIFF"), "bow.tif")
    assert error.code == "unsupported_pixels"
    assert "8 bits" in error.advice


# ---- refusals: the file ----------------------------------------------------------------


def load_refusal(path) -> BadInput:
    with pytest.raises(BadInput) as caught:
        load_photo(path)
    return caught.value


def test_missing_file(tmp_path):
    error = load_refusal(tmp_path / "nowhere" / "seat.jpg")
    assert error.code == "file_missing"
    assert "There is no file" in error.message
    assert "seat.jpg" in error.message


def test_file_below_a_file(tmp_path):
    (tmp_path / "seat.jpg").write_bytes(b"x")
    assert load_refusal(tmp_path / "seat.jpg" / "seat.jpg").code == "file_missing"


def test_folder(tmp_path):
    error = load_refusal(tmp_path)
    assert error.code == "file_is_folder"
    assert "folder" in error.message


def test_null_character_and_endless_name(tmp_path):
    assert load_refusal("seat\0.jpg").code in ("file_missing", "file_unreadable")
    assert load_refusal(tmp_path / ("x" * 5000)).code == "file_unreadable"


def test_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = tmp_path / "seat.jpg"
    path.write_bytes(encoded(asymmetric()))

    def forbidden(*_args, **_more):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", forbidden)
    error = load_refusal(path)
    assert error.code == "file_unreadable"
    assert error.message == "seat.jpg cannot be read: Permission denied."


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    assert load_refusal(tmp_path / "pipe.jpg").code == "file_unreadable"


def test_empty_file(tmp_path):
    (tmp_path / "seat.jpg").touch()
    assert load_refusal(tmp_path / "seat.jpg").code == "file_empty"
    assert refusal(b"").code == "file_empty"


def test_file_too_large(tmp_path):
    path = tmp_path / "seat.jpg"
    with path.open("wb") as file:
        file.truncate(photo.MAX_FILE_BYTES + 1)  # sparse: takes no room
    error = load_refusal(path)
    assert error.code == "file_too_large"
    assert "80 MiB" in error.message


def test_bytes_too_large(monkeypatch):
    monkeypatch.setattr(photo, "MAX_FILE_BYTES", 1024 * 1024)
    error = refusal(bytes(1024 * 1024 + 1))
    assert error.code == "file_too_large"
    assert "1 MiB" in error.message


# ---- refusals: the content -------------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        b"x",
        b"\0" * 5000,
        b"a letter to the bowyer, and no picture at all",
        b"%PDF-1.7\n" + b"0" * 2000,
        b"RIFF\x00\x00\x00\x00WAVEfmt ",
        b"\x00\x00\x00\x18ftypmp42" + b"\0" * 500,
        encoded(asymmetric(), "GIF"),
        encoded(asymmetric(), "BMP"),
        np.random.default_rng(1).bytes(4000),
    ],
)
def test_garbage_and_other_formats(data):
    error = refusal(data)
    assert error.code == "not_a_photo"
    assert error.message == "bow.jpg is not a JPEG, PNG, TIFF, WebP or HEIC picture."


@each_format
@pytest.mark.parametrize("share", [0.001, 0.02, 0.25, 0.5, 0.75, 0.95])
def test_truncated_file(kind, share):
    data = noisy_file(kind)
    whole = data.rindex(b"\xff\xd8\xff") if kind == "mpo" else len(data)
    error = refusal(data[: max(16, int(whole * share))])
    assert error.code == "photo_damaged"
    assert "damaged or incomplete" in error.message


@pytest.mark.parametrize("kind", ["jpeg", "progressive jpeg", "tiff", "webp", "heic"])
@pytest.mark.parametrize("missing", [1, 2, 100])
def test_only_the_end_is_missing(kind, missing):
    assert refusal(noisy_file(kind)[:-missing]).code == "photo_damaged"


@pytest.mark.parametrize("missing", [1, 100, 5000, 200_000])
def test_truncated_heic_of_tiles_is_noticed_though_its_reader_says_nothing(missing):
    data = noisy_file("heic of tiles")[:-missing]
    if b"grid" not in data:
        pytest.skip("this pillow-heif cannot write tiles")
    with Image.open(io.BytesIO(data), formats=["HEIF"]) as image:
        image.load()  # if this raises one day, our own check may go
    assert refusal(data).code == "photo_damaged"


def test_bytes_behind_a_heic_do_no_harm():
    data = in_format(asymmetric(), "heic of tiles")
    assert read_photo(data + b"\0\0\0\0SEFT" + b"\xff" * 99, "a").size_px == (WIDTH, HEIGHT)
    assert read_photo(data + b"\xff" * 99, "a").size_px == (WIDTH, HEIGHT)


def test_heic_that_holds_another_size_than_it_states():
    data = in_format(asymmetric(), "heic")
    stated = struct.pack(">II", WIDTH, HEIGHT)
    assert stated in data
    lying = data.replace(stated, struct.pack(">II", WIDTH + 320, HEIGHT + 320))
    assert refusal(lying).code == "photo_damaged"


def test_decoded_size_is_compared_with_the_header(monkeypatch):
    other = Picture(np.zeros((700, 700, 3), dtype=np.uint8))
    monkeypatch.setattr(Picture, "of_jpeg", lambda *_: other)
    assert refusal(encoded(asymmetric())).code == "photo_damaged"


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_moving_pictures(kind):
    other = Image.fromarray(asymmetric()[::-1])
    error = refusal(encoded(asymmetric(), kind, save_all=True, append_images=[other]))
    assert error.code == "animated"
    assert "moving picture" in error.message


def test_heif_sequence():
    data = in_format(asymmetric(), "heic")
    for brand in (b"hevc", b"msf1"):
        assert refusal(data[:8] + brand + data[12:]).code == "animated"


@pytest.mark.parametrize("size", [(639, 900), (900, 639), (160, 120)])
def test_photo_too_small(size):
    error = refusal(encoded(asymmetric(*size)))
    assert error.code == "photo_too_small"
    assert f"{size[0]} × {size[1]}" in error.message
    assert "640" in error.message


def test_smallest_photo_is_read():
    assert read_photo(encoded(asymmetric(640, 640)), "a").size_px == (640, 640)


@pytest.mark.parametrize(
    "tags",
    [
        [(0xC612, 4, 0x00000401)],  # DNGVersion
        [(0x00FE, 4, 1)],  # NewSubfileType: a reduced picture comes first
    ],
)
def test_raw_files_are_named_as_such(tags):
    error = refusal(tiff(256, 192, bytes(256 * 192), extra=tags), "bow.dng")
    assert error.code == "raw_photo"
    assert "raw" in error.message


# ---- too many pixels -------------------------------------------------------------------


@pytest.mark.parametrize(
    "size",
    [
        (50_000, 50_000),  # Pillow raises
        (12_000, 10_001),  # Pillow warns, we refuse
        (13_000, 13_000),
        (30_001, 700),
        (700, 30_001),
        (2**31 - 1, 2**31 - 1),
    ],
)
def test_too_many_pixels(size, monkeypatch):
    from PIL import ImageFile

    def decoded(*_args):
        raise AssertionError("decoded before the limit was checked")

    monkeypatch.setattr(ImageFile.ImageFile, "load", decoded)
    error = refusal(png(*size, b"\0" * 1000))
    assert error.code == "too_many_pixels"
    assert "120 megapixels" in error.message
    assert "30000" in error.message


def test_between_the_warning_of_pillow_and_our_limit(monkeypatch):
    # Pillow would warn, and with these test settings raise, for 880 × 660 pixels.
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 300_000)
    assert read_photo(encoded(asymmetric(880, 660)), "a").size_px == (880, 660)


def test_other_formats_state_their_size_too():
    assert refusal(tiff(40_000, 40_000, bytes(1000))).code == "too_many_pixels"
    jpeg = encoded(asymmetric())
    size = struct.pack(">HH", HEIGHT, WIDTH)
    assert jpeg.count(size) == 1
    huge = jpeg.replace(size, struct.pack(">HH", 60_000, 60_000))
    assert refusal(huge).code == "too_many_pixels"
    heic = in_format(asymmetric(), "heic")
    size = struct.pack(">II", WIDTH, HEIGHT)
    assert refusal(heic.replace(size, struct.pack(">II", 20_000, 20_000))).code in (
        "too_many_pixels",
        "photo_damaged",
    )


def test_a_decompression_bomb_takes_little_memory(tmp_path):
    resource = pytest.importorskip("resource")
    assert resource
    bomb = tmp_path / "bomb.png"
    bomb.write_bytes(png(50_000, 50_000, b"\0" * 5_000_000))
    assert bomb.stat().st_size < 10_000
    program = (
        "import resource, sys\n"
        "from fitcheck.errors import BadInput\n"
        "from fitcheck.photo import load_photo\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "try:\n"
        "    load_photo(sys.argv[1])\n"
        "except BadInput as error:\n"
        "    print(error.code)\n"
        "after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "unit = 1 if sys.platform == 'darwin' else 1024\n"
        "print((after - before) * unit)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, bomb], capture_output=True, text=True, check=True
    )
    code, grown_bytes = done.stdout.split()
    assert code == "too_many_pixels"
    assert int(grown_bytes) < 60_000_000  # the picture would take 7.5 GB


# ---- what the readers throw ------------------------------------------------------------


@pytest.mark.parametrize(
    ("thrown", "code"),
    [
        (struct.error("x"), "photo_damaged"),
        (SyntaxError("x"), "photo_damaged"),
        (KeyError("x"), "photo_damaged"),
        (RuntimeError("x"), "photo_damaged"),
        (RecursionError("x"), "photo_damaged"),
        (MemoryError(), "too_little_memory"),
        (Image.DecompressionBombError("x"), "too_many_pixels"),
        (ImportError("no libheif"), "heic_unavailable"),
    ],
)
def test_whatever_a_reader_throws_becomes_a_sentence(thrown, code, monkeypatch):
    def throws(*_args):
        raise thrown

    monkeypatch.setattr(photo, "_open", throws)
    error = refusal(encoded(asymmetric()))
    assert error.code == code
    assert error.__cause__ is thrown


def test_interrupting_is_not_swallowed(monkeypatch):
    def throws(*_args):
        raise KeyboardInterrupt

    monkeypatch.setattr(photo, "_open", throws)
    with pytest.raises(KeyboardInterrupt):
        read_photo(encoded(asymmetric()), "a")


@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff", "webp", "heic", "heic of tiles", "mpo"])
def test_mutated_files_give_a_photo_or_a_sentence(kind, capfd):
    data = in_format(SMOOTH, kind, exif=exif(6, "Acorn", "Phone", f35=26))
    chance = np.random.default_rng(2024)
    seen = set()
    for turn in range(60):
        reach = min(len(data), (300, 2000, len(data))[turn % 3])  # headers matter most
        broken = mutated(data, chance, 0, reach)
        if turn % 5 == 0:
            broken = broken[: chance.integers(len(broken))]
        try:
            found = read_photo(broken, "a")
        except BadInput as error:
            seen.add(error.code)
        else:
            seen.add("photo")
            assert found.pixels.shape == (*found.size_px[::-1], 3)
            assert found.focal_prior_px > 0
    assert "photo_damaged" in seen
    assert "Traceback" not in capfd.readouterr().err


def test_photos_read_at_once_leave_no_trace_in_the_warnings():
    before = list(warnings.filters)
    files = [in_format(asymmetric(), kind) for kind in FORMATS] * 2
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda data: read_photo(data, "a").size_px, files))
    assert set(found) == {(WIDTH, HEIGHT)}
    assert list(warnings.filters) == before


def test_importing_is_cheap():
    program = (
        "import sys, fitcheck.photo\n"
        "print([name for name in ('cv2', 'pillow_heif', 'scipy') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
