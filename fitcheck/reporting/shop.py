"""Who writes the report: name, address and logo of the shop, from a small settings file.

Command line and page read and write the same file, :data:`SHOP_FILE` in the store's folder.
"""

from __future__ import annotations

import io
import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image, UnidentifiedImageError

from fitcheck.errors import BadInput

SHOP_FILE, LOGO_FILE = "shop.toml", "shop-logo.png"
FIELDS = ("name", "address", "contact", "inspector", "logo", "language", "units")
# Letters; the head of the first page has room for so many. An address has lines, too.
LONGEST = {"name": 80, "address": 240, "contact": 160, "inspector": 80}
LONGEST_OTHER = 200
MOST_LINES = 6
MOST_LOGO_BYTES = 2_000_000
MOST_LOGO_PIXELS = 20_000_000
LOGO_SIDE_PX = 800
LOGO_ADVICE = "Give a PNG or JPEG picture of up to 2 MB."


@dataclass(frozen=True)
class Shop:
    """The shop, as its settings file says.

    Attributes
    ----------
    name, address, contact, inspector
        For the head and the signature line; every one may stay empty.
    logo
        PNG, or empty.
    language, units
        Of the report, where the command line does not say otherwise.
    """

    name: str = ""
    address: str = ""
    contact: str = ""
    inspector: str = ""
    logo: bytes = b""
    language: str = ""
    units: str = ""


def shop_in(folder: Path) -> Shop:
    """Read the shop's settings in a folder; a shop that says nothing of itself if there are none.

    Raises
    ------
    BadInput
        As :func:`read_shop`.
    """
    path = folder / SHOP_FILE
    return read_shop(path) if path.is_file() else Shop()


def write_shop(folder: Path, shop: Shop) -> Path:
    """Write the shop's settings, and its logo beside them, where :func:`shop_in` reads them.

    Returns
    -------
    The settings file.

    Raises
    ------
    BadInput
        ``shop_unreadable`` if a text is too long, or the file cannot be written; then what stood
        there stands.
    """
    texts = {name: str(getattr(shop, name)).strip() for name in FIELDS if name != "logo"}
    _check({name: text for name, text in texts.items() if text})
    lines = [f"{name} = {_toml(text)}" for name, text in texts.items() if text]
    files = {SHOP_FILE: "".join(f"{line}\n" for line in lines).encode("utf-8")}
    if shop.logo:
        files = {
            LOGO_FILE: shop.logo,
            SHOP_FILE: files[SHOP_FILE] + f'logo = "{LOGO_FILE}"\n'.encode(),
        }
    try:
        for name, data in files.items():
            beside = folder / f"{name}.new"
            beside.write_bytes(data)
            beside.replace(folder / name)
    except OSError as error:
        raise _refused(
            f"The shop’s settings were not written: {error.strerror or error}.",
            "See that the store’s folder may be written to.",
        ) from error
    return folder / SHOP_FILE


def _toml(text: str) -> str:
    """A text as a basic string of TOML: JSON's, but that DEL is escaped, too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_shop(path: Path) -> Shop:
    """Read the settings file of a shop: TOML with some of :data:`FIELDS`, all of them text.

    ``logo`` names a PNG or JPEG file beside the settings file.

    Raises
    ------
    BadInput
        ``shop_unreadable`` with what is wrong and what belongs there.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise _refused(
            f"The shop’s settings {path} cannot be read: {error.strerror or error}.",
            "Check its name and folder.",
        ) from error
    except (ValueError, RecursionError) as error:
        raise _refused(
            f"The shop’s settings {path} are not TOML: {str(error)[:120]}.",
            'Write lines such as name = "Bench in the old dairy".',
        ) from error
    _check(raw)
    logo = raw.pop("logo", "")
    return Shop(**raw, logo=_logo(path.parent / logo) if logo else b"")


def logo_png(data: bytes, name: str) -> bytes:
    """Return a logo as a PNG of moderate size, with nothing else that its file held.

    Parameters
    ----------
    data
        PNG or JPEG.
    name
        Of its file, for a refusal.

    Raises
    ------
    BadInput
        ``shop_unreadable``.
    """
    if len(data) > MOST_LOGO_BYTES:
        raise _refused(f"The logo {name} is larger than 2 MB.", LOGO_ADVICE)
    try:
        with Image.open(io.BytesIO(data), formats=["PNG", "JPEG"]) as image:
            if image.width * image.height > MOST_LOGO_PIXELS:
                raise _refused(f"The logo {name} has too many pixels.", LOGO_ADVICE)
            picture = image.convert("RGBA")
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError, ValueError) as error:
        raise _refused(f"The logo {name} cannot be read as a picture.", LOGO_ADVICE) from error
    picture.thumbnail((LOGO_SIDE_PX, LOGO_SIDE_PX))
    buffer = io.BytesIO()
    picture.save(buffer, "PNG")
    return buffer.getvalue()


def _check(raw: dict[str, Any]) -> None:
    for name, value in raw.items():
        if name not in FIELDS:
            raise _refused(
                f"The shop’s settings hold “{str(name)[:40]}”, which is not known.",
                f"Known are: {', '.join(FIELDS)}.",
            )
        longest = LONGEST.get(name, LONGEST_OTHER)
        if not isinstance(value, str) or len(value) > longest:
            raise _refused(
                f"“{name}” of the shop’s settings is no text of up to {longest} letters.",
                "Write it shorter, in quotation marks.",
            )
        if len(value.splitlines()) > MOST_LINES:
            raise _refused(
                f"“{name}” of the shop’s settings has more than {MOST_LINES} lines.",
                "Write it in fewer.",
            )
    _check_choice(raw, "units", ("mm", "in"))


def _check_choice(raw: dict[str, str], name: str, choices: tuple[str, ...]) -> None:
    if raw.get(name) and raw[name] not in choices:
        raise _refused(
            f"“{name}” of the shop’s settings is “{raw[name][:20]}”.",
            f"Choose one of: {', '.join(choices)}.",
        )


def _logo(path: Path) -> bytes:
    try:
        if path.stat().st_size > MOST_LOGO_BYTES:
            raise _refused(f"The logo {path.name} is larger than 2 MB.", LOGO_ADVICE)
        data = path.read_bytes()
    except OSError as error:
        raise _refused(
            f"The logo {path.name} cannot be read as a picture.", LOGO_ADVICE
        ) from error
    return logo_png(data, path.name)


def _refused(message: str, advice: str) -> BadInput:
    return BadInput("shop_unreadable", message, advice)
