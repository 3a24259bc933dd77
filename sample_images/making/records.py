"""What is true of a photograph, written beside it as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from sample_images.making.shots import Shot
from sample_images.making.truth import edge_px

NOTE = "millimetres and degrees; names and signs as in the README"


def known_of(shot: Shot, photo: str, focal_35mm: int) -> dict[str, Any]:
    """Return what is true of a shot; a print scale is named where it is not 1."""
    lens = shot.camera.lens
    card = shot.cards[0]
    known: dict[str, Any] = {
        "view": shot.view,
        "card_thickness_mm": card.thickness,
        "truth": {name: round(value, 4) for name, value in shot.truth.items()},
        "width": lens.width,
        "height": lens.height,
        "edges_px": {name: edge_px(shot.camera, ends) for name, ends in shot.edges.items()},
        "photo": photo,
        "note": NOTE,
        "camera": {
            "focal_px": lens.focal_px,
            "k1": lens.k1,
            "k2": lens.k2,
            "focal_35mm": float(focal_35mm),
            "centre_px": list(lens.centre_px),
        },
        "arris_radius_mm": shot.arris_mm,
        **shot.extra,
    }
    if card.scale != (1.0, 1.0):
        known["print_scale"] = [round(s, 5) for s in card.scale]
    return known


def write_record(photo: Path, known: dict[str, Any]) -> None:
    """Write it beside the photograph, under the same name."""
    text = json.dumps(known, indent=1, ensure_ascii=False) + "\n"
    photo.with_suffix(".json").write_text(text, encoding="utf-8")
