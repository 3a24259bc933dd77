"""The shop's settings: read, written, and shown in the report."""

from __future__ import annotations

import io

import pytest
from PIL import Image
from test_inspecting import full_inspection
from test_reporting import forms_of, report_of, text_of

from fitcheck.errors import BadInput
from fitcheck.reporting.shop import Shop, logo_png, read_shop, shop_in, write_shop
from fitcheck.reporting.written_report import HTML, PDF


def test_shop_details_and_logo_come_from_the_settings(tmp_path):
    Image.new("RGB", (1600, 400), (10, 80, 150)).save(tmp_path / "logo.png")
    settings = tmp_path / "shop.toml"
    settings.write_text(
        'name = "Werkstatt Ærø"\naddress = "Mühlgasse 1\\n12345 Łódź"\ncontact = "Ωμέγα"\n'
        'inspector = "J. Borek"\nlogo = "logo.png"\nlanguage = "de"\nunits = "in"\n',
        encoding="utf-8",
    )
    shop = read_shop(settings)
    report = report_of(full_inspection(), shop=shop)
    forms = forms_of(report)
    text = text_of(forms[PDF])
    for words in ("Werkstatt Ærø", "Mühlgasse 1", "12345 Łódź", "Ωμέγα", "J. Borek"):
        assert words in text
    assert "data:image/png" in forms[HTML].decode()
    for bad in ('colour = "red"', "name = 3", 'units = "furlong"', 'logo = "none.png"', "name ="):
        settings.write_text(bad, encoding="utf-8")
        with pytest.raises(BadInput) as refused:
            read_shop(settings)
        assert refused.value.code == "shop_unreadable"


def test_shop_details_are_written_as_they_are_read(tmp_path):
    assert shop_in(tmp_path) == Shop()
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), (10, 80, 150)).save(picture, "JPEG")
    shop = Shop(
        'Ærø "bows" \\ & more',
        "Mühlgasse 1\n12345 Łódź",
        "Ωμέγα\x7f",
        "J. Borek",
        logo_png(picture.getvalue(), "logo.jpg"),
        "de",
        "in",
    )
    write_shop(tmp_path, shop)
    assert shop_in(tmp_path) == shop
    for bad in (
        Shop(name="x" * 81),
        Shop(address="\n".join("abcdefg")),
        Shop(units="furlong"),
    ):
        with pytest.raises(BadInput) as refused:
            write_shop(tmp_path, bad)
        assert refused.value.code == "shop_unreadable"
        assert shop_in(tmp_path) == shop  # what stood there stands
    write_shop(tmp_path, Shop(name="Bench"))
    assert shop_in(tmp_path) == Shop(name="Bench")
    with pytest.raises(BadInput, match="cannot be read as a picture"):
        logo_png(b"no picture", "x.png")
