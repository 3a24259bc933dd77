"""A lot's findings, its files, the store, drift, and the command line."""

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from fitcheck import cli
from fitcheck.errors import BadInput
from fitcheck.lots.acceptance import Tolerance
from fitcheck.lots.analysis import analyse
from fitcheck.lots.course import courses
from fitcheck.lots.drift import Closure, Occasion, Spread, drift, occasion_from_json, occasion_of
from fitcheck.lots.history import earlier_occasions
from fitcheck.lots.kept_results import Asked, KeptResults
from fitcheck.lots.lot_report import lot_pdf
from fitcheck.lots.photo_job import Outcome
from fitcheck.lots.plan import LotPlan, Planned
from fitcheck.lots.reopened import reopened_lot
from fitcheck.lots.repeated import repeated_photographs, repeated_text, study_repeats
from fitcheck.lots.tables import lot_json, parts_csv, photos_csv, photos_parquet
from fitcheck.lots.values import STATED
from fitcheck.lots.whole import gather_lot, lot_of_values
from fitcheck.lots.words import (
    capability_sentences,
    lot_sentence,
    room_sentence,
    signals_text,
    truth_sentence,
)
from fitcheck.lots.written import keep_lot, lot_files, write_lot
from fitcheck.page.document import inspection_of
from fitcheck.setup import Setup
from fitcheck.store import Store
from tests.lot_pieces import SAMPLE, lot_values, measurement, rows_of, small_lot, value

HOSTILE = "=cmd|'x'!A1 \u202e<script>$\\frac{1}{0}$ #strong"


def text_of(pdf):
    document = pypdfium2.PdfDocument(pdf)
    try:
        return "\n".join(page.get_textpage().get_text_range() for page in document)
    finally:
        document.close()


def kept_lot(tmp_path, found, truth=None, date="2026-11-25", name="lot"):
    """A lot of measurements that are kept as if they had just been made."""
    results = KeptResults(tmp_path / "measurements")
    asked = Asked("pad", Setup(), (), "tests")
    photos, outcomes = [], []
    for i, (part, operator, repeat, one) in enumerate(found):
        sha256 = f"{i:064x}"
        key = asked.key(sha256)
        results.keep(key, {"measurement": one.to_json(), "lens": "Phone", "seconds": 1.0})
        photos.append(Planned(one.photo, part, operator, repeat))
        outcomes.append(Outcome(one.photo, sha256, key, True))
    plan = LotPlan(tmp_path, name, "pad", Setup(), tuple(photos), date, truth or {})
    return gather_lot(plan, outcomes, results, made_by="tests"), results


def usual_lot(tmp_path):
    rng = np.random.default_rng(3)
    true = rng.normal(0.0, 0.05, 6)
    true[4] = 0.6
    found = [
        (
            f"P{i + 1}",
            operator,
            repeat,
            measurement(
                f"P{i + 1}-{operator}-{repeat}.jpg",
                true[i] + rng.normal(0, 0.03),
                refused=(i, operator, repeat) == (0, "Rolf", 2),
                warned=(i, operator, repeat) == (1, "Rolf", 2),
            ),
        )
        for i in range(6)
        for operator in ("Ines", "Rolf")
        for repeat in (1, 2)
    ]
    truth = {f"P{i + 1}": {"pad_squareness": float(true[i])} for i in range(6)}
    return kept_lot(tmp_path, found, truth)


# ---- findings ----------------------------------------------------------------------------


def test_a_lot_is_judged_against_its_truth(tmp_path):
    lot, _ = usual_lot(tmp_path)
    (one,) = lot.characteristics
    assert {p: d.verdict for p, d in one.decisions.items() if d.verdict != "accept"} == {
        "P5": "reject"
    }
    assert one.truth.false_accepts == one.truth.false_rejects == ()
    assert one.truth.held == 6
    assert lot_sentence(lot) == "6 parts: 5 accepted, 1 rejected"
    assert "none wrongly" in truth_sentence(one)
    assert [line.planned.file for line in lot.refused] == ["P1-Rolf-2.jpg"]
    assert [line.planned.file for line in lot.warned] == ["P2-Rolf-2.jpg"]
    assert one.study.readings == 23
    assert one.study_clean.readings == 22


def test_false_decisions_keep_to_the_stated_risks():
    # Parts near the limits, decided with a guard band, over many lots.
    rng = np.random.default_rng(17)
    tolerance = {"pad_squareness": Tolerance(-0.26, 0.26, 0.0)}
    false_accepts = false_rejects = 0
    expected = np.zeros(2)
    open_ones = 0
    for _ in range(12):
        true = rng.normal(0.0, 0.2, 120)
        values = [value(f"P{i}", t + rng.normal(0, 0.04), u=0.04) for i, t in enumerate(true)]
        truth = {f"P{i}": {"pad_squareness": float(t)} for i, t in enumerate(true)}
        (one,) = analyse(values, tolerance, truth)
        false_accepts += len(one.truth.false_accepts)
        false_rejects += len(one.truth.false_rejects)
        open_ones += one.truth.again
        expected += (one.risk.consumers * 120, one.risk.producers * 120)
    # 1440 parts: about 4 wrong each way, Poisson.
    assert false_accepts == pytest.approx(expected[0], abs=3.5 * math.sqrt(expected[0]))
    assert false_rejects == pytest.approx(expected[1], abs=3.5 * math.sqrt(expected[1]))
    assert 0.05 < open_ones / 1440 < 0.35


def test_photographs_with_a_warning_count_only_where_there_are_no_others():
    values = [
        value("P1", 0.1),
        value("P1", 0.9, repeat=2, warnings=("edge_ambiguous",)),
        value("P2", 0.5, warnings=("soft",)),
    ]
    (one,) = analyse(values)
    first, second = one.parts
    assert (first.value, first.count, first.warned) == (0.1, 1, False)
    assert (second.value, second.count, second.warned) == (0.5, 1, True)


def test_what_photographs_share_does_not_average_out():
    (one,) = analyse([value("P1", 0.1 + 0.001 * i, repeat=i + 1, u=0.1) for i in range(16)])
    assert one.parts[0].independent == pytest.approx(0.08 / 4, rel=1e-6)
    assert one.parts[0].standard_uncertainty == pytest.approx(math.hypot(0.06, 0.02), rel=1e-6)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ([value("P1", 0.1)], "1 part: 1 accepted"),
        ([value("P1", 0.1, u=None)], "1 part, not judged: no uncertainty is stated"),
        ([value("P1", 0.1, name="odd thing")], "1 part, not judged: no limit is known"),
        ([value(f"P{i}", 0.1) for i in range(9)], "9 parts: 9 accepted"),
        ([value("P1", 0.1, "A", i + 1) for i in range(5)], "1 part: 1 accepted"),
        (lot_values(3, ("Ines",), 2), "3 parts: 3 accepted"),
        # Accepted is only what was decided in everything that has a tolerance.
        ([value("P1", 0.1), value("P2", 0.1, u=None)], "2 parts: 1 accepted, 1 not judged"),
        (
            [value("P1", 0.1), value("P1", 0.2, name="twist"), value("P2", 0.1)],
            "2 parts: 1 accepted, 1 not judged",
        ),
        (
            [value("P1", 0.9), value("P2", 0.1), value("P2", 0.2, name="twist")],
            "2 parts: 1 accepted, 1 rejected",
        ),
        (lot_values(4)[:-5], "4 parts: 4 accepted"),
    ],
)
def test_odd_lots_get_a_sentence_and_every_file(values, says, tmp_path):
    lot = lot_of_values(values, "lot")
    assert lot_sentence(lot).startswith(says)
    files = lot_files(lot)
    assert files["lot-report.pdf"].startswith(b"%PDF-")
    assert json.loads(files["lot-results.json"])["format"] == "fitcheck lot"
    assert len(write_lot(tmp_path, files)) == 5


def test_an_uncertainty_wider_than_the_tolerance_is_said():
    lot = lot_of_values([value(f"P{i}", 0.0, u=u) for i, u in enumerate((0.02, 0.14))], "lot")
    assert list(lot.verdicts().values()) == ["accept", "measure again"]
    assert room_sentence(lot.characteristics[0]).startswith("The uncertainty of 1 part is wider")
    said = " ".join(text_of(lot_pdf(lot)).split())
    assert "no value could get them accepted" in said


def test_a_signal_stands_on_the_first_page():
    values = [value(f"P{i}", 0.001 * (-1) ** i) for i in range(20)] + [value("P20", 0.2)]
    lot = lot_of_values(values, "lot")
    assert "relying on the capability. P20, " in signals_text(lot.characteristics[0])
    first = pypdfium2.PdfDocument(lot_pdf(lot))[0].get_textpage().get_text_range()
    assert "hardly chance" in " ".join(first.split())


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ([value(f"P{i}", 0.1 * i, u=None) for i in range(4)], "no uncertainty is stated"),
        ([replace(value(f"P{i}", 0.1 * i), budget={STATED: 0.02}) for i in range(4)], "without"),
        ([value(f"P{i}", 0.001 * i, u=0.1) for i in range(4)], "measuring alone would spread"),
        ([value(f"P{i}", 0.1 * i) for i in range(4)], "Taken out is"),
    ],
)
def test_capability_says_whether_measuring_is_in_it(values, says):
    (one,) = analyse(values)
    assert says in capability_sentences(one)[0]


def test_repeats_all_alike_are_no_proof_of_a_good_method():
    values = [value(f"P{i}", 0.1, who, r) for i in range(4) for who in "AB" for r in (1, 2)]
    (one,) = analyse(values)
    assert one.improvement.suits == "not judged"
    assert one.improvement.sentences[0].startswith("All repeated readings are alike")


def test_every_photograph_refused(tmp_path):
    lot, _ = kept_lot(
        tmp_path, [("P1", "A", i, measurement(f"{i}.jpg", 0.0, refused=True)) for i in (1, 2)]
    )
    assert lot_sentence(lot) == "1 part, none measured: every photograph was refused"
    assert "The photograph is blurred." in text_of(lot_pdf(lot))


def test_ten_thousand_rows(tmp_path):
    rng = np.random.default_rng(2)
    lines = ["part,operator,characteristic,value,unit,u"]
    lines += [
        f"P{i},{op},pad_squareness,{x:.4f},deg,0.05"
        for i in range(2500)
        for op, x in zip("AABB", rng.normal(0, 0.1, 4), strict=True)
    ]
    table = tmp_path / "numbers.csv"
    table.write_text("\n".join(lines))
    assert cli.main(["lot", str(table), "--out", str(tmp_path / "out")]) == 0
    assert len(rows_of((tmp_path / "out/lot-parts.csv").read_bytes())) == 2500
    said = " ".join(text_of((tmp_path / "out/lot-report.pdf").read_bytes()).split())
    assert "The first 200 of 2500" in said


def test_limits_for_what_was_not_measured():
    with pytest.raises(BadInput, match="was not measured"):
        analyse([value("P1", 0.1)], {"twist": Tolerance(-1, 1)})


# ---- files -------------------------------------------------------------------------------


def test_report_says_what_matters(tmp_path):
    lot, _ = usual_lot(tmp_path)
    said = " ".join(text_of(lot_pdf(lot)).split())
    for words in (
        "6 parts: 5 accepted, 1 rejected",
        "Rejected: P5.",
        "24 photographs: 23 measured, 1 of them with a warning, 1 refused.",
        "Fit is no proof of strength",
        "generalised pivotal quantities",
        "Limits from 6 parts are",
    ):
        assert words in said, words
    assert lot_pdf(lot) == lot_pdf(lot)  # the same for the same lot


def test_a_full_disk_leaves_what_stood_there(tmp_path, monkeypatch):
    write_lot(tmp_path, {"lot-report.pdf": b"before", "lot-parts.csv": b"before"})

    whole = Path.write_bytes

    def no_room(path, data):
        if path.name.startswith("lot-parts"):
            raise OSError(28, "No space left on device")
        return whole(path, data)

    monkeypatch.setattr("pathlib.Path.write_bytes", no_room)
    with pytest.raises(BadInput, match="No space left on device") as refused:
        write_lot(tmp_path, {"lot-report.pdf": b"after", "lot-parts.csv": b"after"})
    assert "Make room" in refused.value.advice
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {
        "lot-report.pdf": b"before",
        "lot-parts.csv": b"before",
    }


def test_hostile_names_stay_texts(tmp_path):
    values = [value(HOSTILE, 0.1, HOSTILE, i + 1, subgroup=HOSTILE) for i in range(2)]
    values += [value("P" * 120, 0.1, "B" * 120, i + 1, name=HOSTILE) for i in range(2)]
    lot = lot_of_values(values, HOSTILE)
    said = text_of(lot_pdf(lot))
    assert "\u202e" not in said
    assert "<script>" in said
    for table in (photos_csv(lot), parts_csv(lot)):
        cells = [cell for row in rows_of(table) for cell in row.values()]
        assert not [c for c in cells if c[:1] in "=@" and c]
        assert not [c for c in cells if "\u202e" in c]
    write_lot(tmp_path, lot_files(lot))


def test_tables_hold_every_value_and_every_refusal(tmp_path):
    from pyarrow import parquet

    lot, _ = usual_lot(tmp_path)
    rows = rows_of(photos_csv(lot))
    assert len(rows) == 24
    assert [r["photo"] for r in rows if r["refused"]] == ["P1-Rolf-2.jpg"]
    (tmp_path / "x.parquet").write_bytes(photos_parquet(lot))
    table = parquet.read_table(tmp_path / "x.parquet")
    assert table.num_rows == 24
    assert table["value"].null_count == 1
    first = lot.values[0]
    assert table["value"][0].as_py() == first.value
    verdicts = {r["part"]: r["verdict"] for r in rows_of(parts_csv(lot))}
    assert verdicts["P5"] == "reject"


def test_a_table_is_read_back_as_numbers(tmp_path, capsys):
    lot, _ = usual_lot(tmp_path)
    (tmp_path / "lot-photos.csv").write_bytes(photos_csv(lot))
    command = ["lot", str(tmp_path / "lot-photos.csv"), "--out", str(tmp_path / "again")]
    assert cli.main(command) == 0
    assert "6 parts: 5 accepted, 1 rejected" in capsys.readouterr().out


def test_a_lot_goes_into_the_store_and_out_again(tmp_path):
    lot, results = usual_lot(tmp_path)
    store = Store(tmp_path / "store")
    identity = keep_lot(store, lot, results, lot_json(lot))
    (listed,) = store.lots.listed()
    assert (listed.name, listed.date, listed.photographs) == ("lot", "2026-11-25", 24)
    again = reopened_lot(store, identity)
    assert again.verdicts() == lot.verdicts()
    assert [v.value for v in again.values] == [v.value for v in lot.values]
    assert again.characteristics[0].study == lot.characteristics[0].study
    assert again.truth == lot.truth
    assert len(again.refused) == 1
    keep_lot(store, lot, results, lot_json(lot))  # the same name and date: in its place
    assert len(store.lots.listed()) == 1
    store.lots.remove(store.lots.listed()[0].identity)
    assert store.lots.listed() == []
    with pytest.raises(BadInput, match="no such lot"):
        reopened_lot(store, identity)


def test_the_same_numbers_make_the_same_json(tmp_path):
    lot, _ = usual_lot(tmp_path)
    record = json.loads(lot_json(lot))
    assert record["characteristics"][0]["study"]["repeatability"]["value"] > 0
    assert record["photos"][0]["refused"] is None
    assert lot_json(lot) == lot_json(lot)


# ---- drift -------------------------------------------------------------------------------


def occasion(date, residual=0.03, focal=840.0, scale=(1.001, 1.0015), count=30, seed=1):
    rng = np.random.default_rng(seed)
    found = []
    for i in range(count):
        one = measurement(
            f"{i}.jpg", 0.1, residual=residual * rng.lognormal(0, 0.2), focal=focal + rng.normal()
        )
        found.append((one, "Phone"))
    made = occasion_of(date, "lot", found)
    return Occasion(**{**made.__dict__, "scale": scale})


def test_nothing_has_changed():
    same = [occasion(f"2026-11-{day}", seed=day) for day in range(10, 20)]
    assert drift(same) == ()
    assert drift(same[:1]) == drift([]) == ()


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"residual": 0.06}, "card_worn"),
        ({"focal": 870.0}, "lens_changed"),
        ({"scale": (1.003, 1.0015)}, "print_changed"),
    ],
)
def test_what_has_changed_is_told(change, code):
    told = drift([occasion("2026-11-10"), occasion("2026-11-11", seed=2, **change)])
    assert [c.code for c in told] == [code]
    assert told[0].advice


@pytest.mark.parametrize(
    "change", [{"residual": 0.036}, {"focal": 844.0}, {"scale": (1.0013, 1.0015)}]
)
def test_small_changes_are_not_told(change):
    assert drift([occasion("2026-11-10"), occasion("2026-11-11", seed=2, **change)]) == ()


def test_a_bent_card_is_told_without_a_past():
    bent = Occasion("2026-11-10", "lot", residuals={"C": Spread(-3, 0.1, 9)}, bent={"C": 0.8})
    assert [c.code for c in drift([bent])] == ["card_bent"]


def test_closures_that_miss_one_way():
    def with_closure(day, value):
        return Occasion(f"2026-11-{day}", "bow", closures=(Closure("twist", value, 0.1),))

    assert drift([with_closure(d, 0.1 * (-1) ** d) for d in range(10, 20)]) == ()
    (told,) = drift([with_closure(d, 0.12) for d in range(10, 20)])
    assert told.code == "closure_off"
    assert "one way" in told.message


def test_courses_hold_each_occasion_against_those_before():
    made = [occasion(f"2026-11-{day}", seed=day) for day in range(10, 15)]
    made.append(occasion("2026-11-15", seed=15, focal=870.0, scale=(1.003, 1.0015)))
    found = {course.title: course for course in courses(made)}
    assert set(found) == {
        "Card C",
        "Print along the cards",
        "Print across the cards",
        "Focal length, Phone",
        "Distortion k1, Phone",
    }
    told = {title: [p.date for p in c.points if p.told] for title, c in found.items()}
    assert told["Print along the cards"] == told["Focal length, Phone"] == ["2026-11-15"]
    assert told["Card C"] == told["Print across the cards"] == []
    along = found["Print along the cards"].points
    assert (along[0].lower, along[0].upper) == (None, None)
    # The caliper's two readings of a bar differ by 0.083 % with 95 %.
    assert along[-1].upper == pytest.approx(100.1 + 0.0832, abs=1e-3)
    assert along[-1].value > along[-1].upper
    for point in found["Focal length, Phone"].points[1:]:
        assert point.lower == pytest.approx(840 * (1 - 0.009), rel=1e-3)
    assert courses(made[:1]) == courses([]) == ()


def test_a_course_of_closures_runs_in_standard_uncertainties():
    made = [
        Occasion(f"2026-11-{day}", "bow", closures=(Closure("twist", 0.12, 0.1),))
        for day in range(10, 20)
    ]
    (course,) = courses(made)
    values = [p.value for p in course.points]
    assert values == pytest.approx([1.2 * math.sqrt(n) for n in range(1, 11)])
    assert [p.told for p in course.points] == [abs(v) > 2.5758 for v in values]


def test_a_lot_is_held_against_what_was_before_it_and_not_itself(tmp_path):
    store = Store(tmp_path / "store")
    for when in ("2026-11-20", "2026-11-25", "2026-11-26"):
        found = [("P1", "", 1, measurement("1.jpg", 0.1))]
        lot, results = kept_lot(tmp_path / when, found, date=when)
        keep_lot(store, lot, results, lot_json(lot))
    earlier = earlier_occasions(store, inspection_of, "lot", "2026-11-25")
    assert [one.date for one in earlier] == ["2026-11-20"]
    other = earlier_occasions(store, inspection_of, "another", "2026-11-25")
    assert sorted(one.date for one in other) == ["2026-11-20", "2026-11-25"]


def test_occasions_survive_json():
    one = occasion("2026-11-10")
    assert occasion_from_json(json.loads(json.dumps(one.to_json()))) == one


# ---- the command line --------------------------------------------------------------------


def test_a_lot_by_the_command_line(tmp_path, capsys):
    folder, out, store = small_lot(tmp_path / "lot", 3), tmp_path / "out", tmp_path / "store"
    command = ["lot", str(folder), "--out", str(out), "--workers", "2", "--store", str(store)]
    assert cli.main([*command, "--date", "2026-11-24"]) == 3
    said = capsys.readouterr()
    assert "3 parts, none measured" in said.out
    assert "Refused: 3, such as P1.jpg: " in said.out  # the reason once, and not three times
    assert sorted(p.name for p in out.iterdir()) == [
        "lot-parts.csv",
        "lot-photos.csv",
        "lot-photos.parquet",
        "lot-report.pdf",
        "lot-results.json",
        "measurements",
    ]
    assert cli.main([*command, "--date", "2026-11-25"]) == 3
    assert "3 of them were measured before" in capsys.readouterr().err
    assert cli.main(["drift", "--store", str(store)]) == 0
    assert "2026-11-24  lot: print" not in (told := capsys.readouterr().out)
    assert "Nothing has changed" in told
    assert cli.main(["drift", str(out), str(out), "--out", str(tmp_path / "charts")]) == 0
    capsys.readouterr()
    assert cli.main(["drift", str(out)]) == 0
    assert "nothing to compare with" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--limits", "pad_squareness", "1", "0"], "is no tolerance"),
        (["--limits", "pad_squareness", "nan", "0"], "is no tolerance"),
        (["--limits", "pad_squareness", "none", "none"], "is no tolerance"),
        (["--limits", "pad_squareness", "x", "0"], "is no tolerance"),
        (["--date", "yesterday"], "is no date"),
        (["--workers", "0"], "cannot be started"),
        (["--view", "sideways"], "no view called"),
        (["--card-thickness", "99"], "cannot be right"),
        (["--plan", "nowhere.csv"], "cannot be read"),
        (["--language", "xx"], "no report in the language"),
        (["--lens-profiles", "."], "cannot be read"),
    ],
)
def test_bad_arguments_get_one_sentence(tmp_path, capsys, more, says):
    folder = small_lot(tmp_path / "lot", 1)
    out = tmp_path / "out"
    assert cli.main(["lot", str(folder), "--out", str(out), "--not-kept", *more]) == 2
    told = capsys.readouterr().err
    assert says in told
    assert len([line for line in told.splitlines() if line.startswith("fitcheck:")]) == 1


def test_repeated_photographs_of_the_sample(capsys):
    photos = [str(SAMPLE / f"P03-ines-{i}.jpg") for i in (1, 2, 3)]
    cards = ["--card-thickness", "0.8", "--print-scale", "1.0015", "1.001"]
    assert cli.main(["repeat", *photos, "--view", "pad", *cards]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Pad squareness: 3 readings")
    assert "Of the tolerance it takes" in said
    assert "What would help most" in said


def test_repeats_need_three_that_differ():
    photo = SAMPLE / "P03-ines-1.jpg"
    with pytest.raises(BadInput, match="a copy is no repeat"):
        repeated_photographs([photo, photo], "pad")
    with pytest.raises(BadInput, match="1 measured photograph cannot"):
        study_repeats([measurement("a.jpg", 0.1), measurement("b.jpg", 0.1, refused=True)])
    with pytest.raises(BadInput, match="0 measured"):
        study_repeats([])
    alike = study_repeats([measurement(f"{i}.jpg", 0.1) for i in range(3)])
    assert repeated_text(alike)[0] == "Pad squareness: 3 readings, all alike."


def test_help_does_not_load_what_lots_need():
    # The views, which this help names, bring NumPy and SciPy.
    code = (
        "import sys; from fitcheck import cli; cli.main(['lot', '--help']); "
        "print([m for m in ('joblib', 'matplotlib', 'pandas', 'pyarrow') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("[]")
