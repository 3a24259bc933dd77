"""A lot's plan from names, CSV and JSON, and tables of numbers: right ones and hostile ones."""

import json

import pytest

from fitcheck.errors import BadInput
from fitcheck.lots.plan import Planned, natural, plan_from_names
from fitcheck.lots.plan_file import read_plan
from fitcheck.lots.values import read_values
from tests.lot_pieces import SAMPLE, jpeg, small_lot


def folder_of(path, *names):
    for i, name in enumerate(names):
        (path / name).write_bytes(jpeg(str(i).encode()))
    return path


def test_the_sample_lot():
    plan = read_plan(SAMPLE)
    assert plan.view == "pad"
    assert len(plan.photos) == 72
    assert plan.setup.card_thickness_mm == 0.8
    assert plan.setup.print_scale == pytest.approx((1.0015, 1.001))
    assert plan.truth["P09"]["pad_squareness"] == 0.41
    assert plan.summary == (
        "72 photographs of 12 parts, by 2 operators, up to 3 of each by each of them."
    )
    assert plan.notes == ()


@pytest.mark.parametrize(
    ("name", "planned"),
    [
        ("P01-ines-2.jpg", Planned("P01-ines-2.jpg", "P01", "ines", 2)),
        ("pad 7-3.HEIC", Planned("pad 7-3.HEIC", "pad 7", "", 3)),
        ("IMG_0815.jpg", Planned("IMG_0815.jpg", "IMG_0815")),
    ],
)
def test_names_say_the_plan(name, planned):
    assert plan_from_names([name]) == (planned,)


@pytest.mark.parametrize(
    "names",
    [
        ["P01-ines-1.jpg", "P02.jpg"],
        ["P01-ines-x.jpg"],
        ["a-b-c-1.jpg"],
        ["P1-ines.jpg"],
        ["P01-ines-\N{SUPERSCRIPT TWO}.jpg"],
    ],
)
def test_unclear_names_are_refused(names):
    with pytest.raises(BadInput, match="do not say which part") as error:
        plan_from_names(names)
    assert "photo, part, operator, repeat" in error.value.advice


def test_the_names_that_do_not_fit_are_named():
    usual = [f"P{i}-ines-1.jpg" for i in range(9)]
    with pytest.raises(BadInput, match=r"such as: a-b-c-d.jpg, P1-ines-x.jpg\.") as refused:
        plan_from_names([*usual, "a-b-c-d.jpg", "P1-ines-x.jpg"])
    assert "P3" not in refused.value.message


@pytest.mark.parametrize("names", [["-1.jpg"], ["-ines-1.jpg"], [" -ines-1.jpg"]])
def test_no_part_without_a_name(names):
    with pytest.raises(BadInput, match="names no part"):
        plan_from_names(names)


def test_two_photographs_cannot_be_the_same_repeat():
    with pytest.raises(BadInput, match=r"P1-1\.jpg and P1-1\.png are both repeat 1"):
        plan_from_names(["P1-1.jpg", "P1-1.png"])
    with pytest.raises(BadInput, match="both repeat 1"):
        plan_from_names(["P1-1.jpg", "P1-01.jpg"])


def test_names_sort_as_people_count():
    assert sorted(["P10", "P2", "p1", "A", "7"], key=natural) == ["7", "A", "p1", "P2", "P10"]


def test_csv_as_spreadsheets_write_it(tmp_path):
    folder_of(tmp_path, "a.jpg", "b.jpg", "c.jpg", "left-over.jpg", "notes.docx")
    table = tmp_path / "plan.csv"
    table.write_bytes(
        "\ufeffPhoto;Pad;Operator;Trial;Batch;remark\r\n"
        "a.jpg;P1;Jörg;1;Mon;x;\r\n\r\n;;;;;\r\nb.jpg;P1;Jörg;;Mon;\r\nc.jpg;P2;Jörg;1;Tue\r\n"
        "".encode()
    )
    plan = read_plan(tmp_path, table)
    assert plan.photos == (
        Planned("a.jpg", "P1", "Jörg", 1, "Mon"),
        Planned("b.jpg", "P1", "Jörg", 2, "Mon"),
        Planned("c.jpg", "P2", "Jörg", 1, "Tue"),
    )
    assert [n.message for n in plan.notes] == [
        "1 photograph of the folder is not in the plan and not measured: left-over.jpg.",
        "1 file of the folder is no photograph: notes.docx.",
    ]


def test_the_only_table_of_a_folder_is_its_plan(tmp_path):
    folder = small_lot(tmp_path / "lot", 2)
    (folder / "plan.csv").write_text("photo,part\nP1.jpg,left\nP2.jpg,right\n")
    (folder / "readings.csv").write_text("day,weather\nMonday,rain\n")
    (folder / "lot-photos.csv").write_text("photo,part\nP1.jpg,x\n")  # an earlier run's results
    plan = read_plan(folder)
    assert [p.part for p in plan.photos] == ["left", "right"]
    (folder / "plan.csv").write_text("photo,part\nP1.jpg,left,more\n")
    with pytest.raises(BadInput, match=r"Line 2 of plan\.csv has 3 fields"):
        read_plan(folder)
    (folder / "other.csv").write_text("photo;part\nP1.jpg;x\n")
    plan = read_plan(folder)
    assert [p.part for p in plan.photos] == ["P1", "P2"]
    assert "2 tables of the folder name photographs" in plan.notes[0].message
    (folder / "lot.json").write_text('{"photos": [{"photo": "P1.jpg", "part": "own"}]}')
    assert [p.part for p in read_plan(folder).photos] == ["own"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_csv_in_every_encoding_that_names_itself(tmp_path, encoding):
    folder_of(tmp_path, "a.jpg")
    (tmp_path / "plan.csv").write_bytes("photo,part\na.jpg,Überlänge\n".encode(encoding))
    assert read_plan(tmp_path, tmp_path / "plan.csv").photos[0].part == "Überlänge"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"photo,part\na.jpg,P\xfc\n", "not UTF-8"),
        (b"photo,part\n", "has no photograph"),
        (b"", "does not name the columns"),
        (b"a.jpg,P1\n", "does not name the columns"),
        (b"photo,part\na.jpg\n", "Line 2 of plan.csv names no part"),
        (b"photo,part\n,P1\n", "Line 2 of plan.csv names no photo"),
        (b"photo,part\na.jpg,P1\na.jpg,P2\n", "names the photograph a.jpg twice"),
        (b"photo,part,repeat\na.jpg,P1,1\nb.jpg,P1,1\n", "both repeat 1"),
        (b"photo,part,repeat\na.jpg,P1,0\n", "has 0 as repeat"),
        (b"photo,part,repeat\na.jpg,P1,1.5\n", "has 1.5 as repeat"),
        (b"photo,part,repeat\na.jpg,P1,nan\n", "where a number belongs"),
        (b"photo,part,repeat\na.jpg,P1,one\n", "where a number belongs"),
        (b"photo,part\na.jpg,P1,more\n", "has 3 fields where the header has 2"),
        (b'photo,part\n"a.jpg,P1\n', "cannot be read"),
        (b"photo,part,pad\na.jpg,P1,P2\n", "two columns for part"),
        (b"photo,part\n../a.jpg,P1\n", "lies outside"),
        (b"photo,part\n/etc/passwd,P1\n", "lies outside"),
        (b"photo,part\nC:\\a.jpg,P1\n", "lies outside"),
        (b"photo,part\n..\\a.jpg,P1\n", "lies outside"),
        (b"photo,part\na.jpg," + b"P" * 200 + b"\n", "too long"),
        (b"\x00\x01\x02", "no table of text|does not name"),
    ],
)
def test_bad_csv_gets_one_clear_sentence(tmp_path, text, says):
    folder_of(tmp_path, "a.jpg", "b.jpg")
    (tmp_path / "plan.csv").write_bytes(text)
    with pytest.raises(BadInput, match=says) as error:
        read_plan(tmp_path, tmp_path / "plan.csv")
    assert error.value.advice


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        ([], "holds no object"),
        ({}, "no list of “photos”"),
        ({"photos": [1]}, "no list of “photos”"),
        ({"photos": [{"photo": "a.jpg"}]}, "no photo or no part"),
        ({"photos": [{"photo": "a.jpg", "part": "P1", "repeat": "1"}]}, "not 1, 2, 3"),
        ({"photos": [{"photo": "../a.jpg", "part": "P1"}]}, "outside"),
        ({"view": "sideways", "photos": [{"photo": "a.jpg", "part": "P1"}]}, "no view called"),
        ({"card_thickness_mm": "thin", "photos": []}, "has no photograph"),
        (
            {"card_thickness_mm": "thin", "photos": [{"photo": "a.jpg", "part": "P1"}]},
            "card_thickness_mm",
        ),
        ({"print_scale": [1], "photos": [{"photo": "a.jpg", "part": "P1"}]}, "print_scale"),
        ({"parts": [1], "photos": [{"photo": "a.jpg", "part": "P1"}]}, "no objects"),
    ],
)
def test_bad_json_gets_one_clear_sentence(tmp_path, raw, says):
    folder_of(tmp_path, "a.jpg")
    (tmp_path / "lot.json").write_text(json.dumps(raw))
    with pytest.raises(BadInput, match=says):
        read_plan(tmp_path)


def test_no_folder_and_no_photograph(tmp_path):
    with pytest.raises(BadInput, match="cannot be read"):
        read_plan(tmp_path / "nowhere")
    with pytest.raises(BadInput, match="no photograph"):
        read_plan(tmp_path)


def test_hidden_characters_in_names_are_spelled_out(tmp_path):
    folder_of(tmp_path, "P1\u202egpj.x-1.jpg", "P2-1.jpg", "P3.jpg")
    with pytest.raises(BadInput) as error:
        read_plan(tmp_path)
    assert "\u202e" not in str(error.value)


NUMBERS = b"""part;operator;repeat;characteristic;value;unit;standard_uncertainty
P1;Ines;1;pad_squareness;0,12;deg;0,03
P1;Ines;2;pad_squareness;\xe2\x88\x920.10;deg;
P2;Ines;1;pad_squareness;;deg;
P2;Ines;2;pad_squareness;1e-1;deg;0,03
"""


def test_a_table_of_numbers_with_decimal_commas(tmp_path):
    (tmp_path / "n.csv").write_bytes(NUMBERS)
    found = read_values(tmp_path / "n.csv")
    assert [(v.part, v.value, v.standard_uncertainty) for v in found] == [
        ("P1", 0.12, 0.03),
        ("P1", -0.10, None),
        ("P2", 0.1, 0.03),
    ]


def test_a_table_in_inches(tmp_path):
    (tmp_path / "n.csv").write_text("part,value,unit,u\nP1,0.5,in,0.01\nP2,12.7,mm,\n")
    first, second = read_values(tmp_path / "n.csv")
    assert (first.value, first.unit) == (second.value, second.unit) == (12.7, "mm")
    assert first.standard_uncertainty == pytest.approx(0.254)


def test_a_known_characteristic_keeps_its_unit(tmp_path):
    (tmp_path / "n.csv").write_text("part,characteristic,value,unit\nP1,twist,0.5,mm\n")
    with pytest.raises(BadInput, match="has twist in mm; its limits are in deg"):
        read_values(tmp_path / "n.csv")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("P1,nan,deg,", "where a number belongs"),
        ("P1,inf,deg,", "where a number belongs"),
        ("P1,1e300,deg,", "where a number belongs"),
        ("P1,1_0,deg,", "where a number belongs"),
        ("P1,0.1,furlong,", "has the unit 'furlong'"),
        ("P1,0.1,deg,0", "uncertainty 0"),
        ("P1,0.1,deg,-1", "uncertainty -1"),
        (",0.1,deg,", "names no part"),
        ("P2,0.1,mm,", "in mm and not in deg"),
    ],
)
def test_bad_numbers_get_one_clear_sentence(tmp_path, line, says):
    (tmp_path / "n.csv").write_text(f"part,value,unit,u\nP0,0.2,deg,0.1\n{line}\n")
    with pytest.raises(BadInput, match=says) as error:
        read_values(tmp_path / "n.csv")
    assert error.value.message.startswith("Line 3 of n.csv")


def test_an_empty_table_of_numbers(tmp_path):
    (tmp_path / "n.csv").write_text("part,value,unit\nP0,,deg\n")
    with pytest.raises(BadInput, match="holds no value"):
        read_values(tmp_path / "n.csv")
    (tmp_path / "n.csv").write_text("part,unit\nP0,deg\n")
    with pytest.raises(BadInput, match="column value"):
        read_values(tmp_path / "n.csv")
