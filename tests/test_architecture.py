"""Promises about the code that a machine can keep."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "fitcheck"

# The flow of data. A module may import from its own row and those above, never below.
ORDER = [
    {"errors", "tone", "measurement", "plain_text", "threads", "pixel_grid", "picture"},
    {"descent"},
    {"photo", "cards", "setup", "lens_profile", "seam_profiles"},
    {"step_fit", "camera", "lines", "corners", "card_sheet", "seam_light", "seam_shapes"},
    {"bundle"},
    {"adjustment", "arris", "seam_model", "side_blocks", "strips"},
    {"card_edges", "seam_search", "face_ends", "missing_card"},
    {"edges", "edge_search", "uncertainty", "quality", "seam_readings", "side_fit", "faint_side"},
    {"seam"},
    {"views"},
    {"pipeline"},
    {"accuracy", "units", "judgement", "samples", "svg_pieces"},
    {"guide", "guide_views"},
    {"wording", "quantities"},
    {"json_fields", "inspection"},
    {"measurement_file", "inspection_file"},
    {"findings"},
    {"overlay", "overlay_seam", "report"},
    {"reporting"},
    {"written", "photo_guide"},
    {"inspecting"},
    {"verifying"},
    {"store"},
    {"lots"},
    {"access"},
    {"page"},
    {"cli_store", "cli_report", "cli_cards", "cli_views"},
    {"cli_lots"},
    {"cli", "__main__"},
]


def modules():
    return sorted(PACKAGE.rglob("*.py"))


def row_of(name):
    for row, names in enumerate(ORDER):
        if name in names:
            return row
    raise AssertionError(f"{name} has no place in the order of modules: add it to ORDER")


def imports_of(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_stage_imports_a_later_one(path):
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    if own == "__init__":
        return
    for imported in imports_of(path):
        if imported.startswith("fitcheck."):
            other = imported.split(".")[1]
            assert row_of(other) <= row_of(own), f"{path.name} imports {imported}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_streamlit_stays_in_the_page(path):
    if path.relative_to(PACKAGE).parts[0] != "page":
        assert not any(name.split(".")[0] == "streamlit" for name in imports_of(path))


def test_every_public_function_and_class_is_documented():
    missing = []
    for path in modules():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        missing += [
            f"{path.name}: {node.name}"
            for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
            and not node.name.startswith("_")
            and not ast.get_docstring(node)
        ]
    assert not missing
