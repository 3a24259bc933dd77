"""The page run without a browser: what the tests of its steps share."""

from __future__ import annotations

import html
import io
import re
from pathlib import Path

import numpy as np
from PIL import Image
from streamlit.testing.v1 import AppTest

from fitcheck.page.inspection import Inspection

ROOT = Path(__file__).parent.parent
SCRIPT = ROOT / "fitcheck" / "page" / "page.py"
BOW = ROOT / "sample_images" / "bow"


def jpeg(width: int = 800, height: int = 640) -> bytes:
    """A picture with no card in it."""
    buffer = io.BytesIO()
    grain = np.random.default_rng(1).integers(60, 200, (height, width, 3), dtype=np.uint8)
    Image.fromarray(grain).save(buffer, "JPEG")
    return buffer.getvalue()


def opened(**query: str) -> AppTest:
    app = AppTest.from_file(str(SCRIPT), default_timeout=90)
    for key, value in query.items():
        app.query_params[key] = value
    return app.run()


def begun(purpose: str = "rework", step: int = 1) -> AppTest:
    """The page with a new inspection, at a step."""
    app = press(opened(), f"start-{purpose}")
    return app if step == 1 else press(app, f"bar-{step}")


def press(app: AppTest, key: str) -> AppTest:
    app.button(key=key).click().run()
    assert not app.exception
    return app


def heading(app: AppTest) -> str:
    return str(app.header[0].value)


def said(app: AppTest) -> str:
    """All words of the page's own pieces, without markup, pictures and style."""
    bodies = [piece.body for piece in app.html if not piece.body.startswith("<style>")]
    plain = re.sub(r"<[^>]*>", " ", " ".join(bodies))
    return re.sub(r"\s+", " ", html.unescape(plain))


def uploaded(app: AppTest, *files: tuple[str, bytes]) -> AppTest:
    app.file_uploader[0].set_value([(name, data, "image/jpeg") for name, data in files]).run()
    assert not app.exception
    return app


def name_of(app: AppTest) -> str:
    """Name of the inspection, as it stands in the page's address."""
    value = app.query_params["inspection"]
    return value if isinstance(value, str) else value[0]


def inspection_of(app: AppTest) -> Inspection:
    inspection = app.session_state["inspection"]
    assert isinstance(inspection, Inspection)
    return inspection
