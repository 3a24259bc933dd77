"""What speaks against a value stands beside its chances, in the report and on the page."""

from __future__ import annotations

import html

import pytest
from reported import findings_html

from fitcheck.findings.whole import Findings, find
from fitcheck.inspection import Inspection, Limb, PhotoEntry
from fitcheck.measurement import Characteristic, Measurement, Note
from fitcheck.page.findings_view import decision_table

DOUBT = "Another line there may as well be the seam: look at the drawn lines."


def found_gap(*notes: Note) -> Findings:
    gap = Characteristic("gap_butt", 0.0, "mm", 0.005, (0.0, 0.01), {"edge": 0.005})
    entry = PhotoEntry("j.jpg", "joint", "upper", "A", "left")
    inspection = Inspection(limbs=(Limb("A"),), as_received={"upper": "A"}, photos=(entry,))
    measured = Measurement("j.jpg", "joint", characteristics=(gap,), warnings=notes)
    return find(inspection, [measured])


@pytest.mark.parametrize("doubtful", [True, False])
def test_a_seam_that_may_be_another_line_says_why_its_chance_is_even(doubtful):
    notes = (Note("seam_ambiguous", "Another line.", "Look."),) if doubtful else ()
    found = found_gap(*notes)
    for shown in (findings_html(found), decision_table(found.findings)):
        assert (DOUBT in html.unescape(shown)) is doubtful
