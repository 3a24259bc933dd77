"""What the tests of lots share: numbers, small pictures, and measurements without photographs."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
from PIL import Image

from fitcheck.lots.values import Value
from fitcheck.measurement import CardSeen, Characteristic, LensFound, Measurement, Note

LENGTH = "overhang_left"
ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_images" / "lot"
# As fitcheck.quality says them.
BLURRED = Note(
    "blurred",
    "The photograph is blurred.",
    "Tap on the card to focus, rest the phone or your elbows, and retake in more light.",
)
SOFT = Note(
    "soft",
    "Card C is not quite sharp (1.7 px).",
    "Tap on the card to focus and rest the phone.",
)


def value(part, number, operator="", repeat=1, u=0.02, name="pad_squareness", **more):
    budget = {} if u is None else {"edge": u * 0.8, "card_base": u * 0.6}
    return Value(
        more.pop("photo", ""),
        part,
        operator,
        repeat,
        more.pop("subgroup", ""),
        name,
        number,
        more.pop("unit", "deg"),
        u,
        budget,
        more.pop("warnings", ()),
        None if u is None else 1.96 * u,
    )


def lot_values(parts=12, operators=("Ines", "Rolf"), repeats=3, seed=1, ev=0.02, u=0.02):
    """A lot about 0.05° with a spread of 0.06°."""
    rng = np.random.default_rng(seed)
    true = rng.normal(0.05, 0.06, parts)
    return [
        value(f"P{i + 1}", true[i] + rng.normal(0, ev), operator, repeat + 1, u)
        for i in range(parts)
        for operator in operators
        for repeat in range(repeats)
    ]


def measurement(photo, number, refused=False, warned=False, residual=0.03, focal=840.0):
    if refused:
        return Measurement(photo, "pad", refused=BLURRED)
    one = Characteristic(
        "pad_squareness", number, "deg", 0.05, (number - 0.1, number + 0.1), {"edge": 0.05}
    )
    return Measurement(
        photo,
        "pad",
        cards=(CardSeen("C", 40, residual),),
        lens=LensFound(focal, -0.01, 0.0),
        characteristics=(one,),
        warnings=(SOFT,) if warned else (),
        inputs={"print_scale_measured": True, "print_scale": [1.001, 1.0015]},
    )


def lengths(seed=5, parts=12):
    """Overhangs in millimetres, twice each by one operator."""
    rng = np.random.default_rng(seed)
    return [
        value(f"P{i + 1}", float(x) + rng.normal(0, 0.02), "Ines", r, unit="mm", name=LENGTH)
        for i, x in enumerate(rng.normal(-0.1, 0.3, parts))
        for r in (1, 2)
    ]


def of_length(v: Value) -> Measurement:
    """The measurement that would give such a value."""
    one = Characteristic(
        v.characteristic, v.value, "mm", 0.02, (v.value - 0.04, v.value + 0.04), dict(v.budget)
    )
    name = f"{v.part}-{v.operator}-{v.repeat}.jpg"
    return Measurement(name, "seat", cards=(CardSeen("A", 40, 0.03),), characteristics=(one,))


def jpeg(mark: bytes = b"", side: int = 640) -> bytes:
    """A small plain picture without a card; ``mark`` behind its end makes it another file."""
    buffer = io.BytesIO()
    Image.new("L", (side, side), 128).save(buffer, "JPEG", quality=40)
    return buffer.getvalue() + mark


def small_lot(folder: Path, count: int) -> Path:
    """Pictures of parts P1 to P…, each refused as soon as it is looked at."""
    folder.mkdir(parents=True, exist_ok=True)
    data = jpeg()
    for i in range(count):
        (folder / f"P{i + 1}.jpg").write_bytes(data + f"{i}".encode())
    return folder


def rows_of(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))
