"""What the bundled fonts can show."""

from importlib.resources import as_file, files

from fontTools.ttLib import TTFont

from fitcheck.reporting.fonts import FILES, showable, shown_letters


def test_coverage_is_what_a_font_library_reads():
    found = []
    for name in FILES:
        with as_file(files("fitcheck").joinpath(f"reporting/fonts/{name}")) as path:
            found.append(set(TTFont(path).getBestCmap()))
    assert shown_letters() == set.intersection(*found)


def test_the_letters_a_report_needs_are_there():
    needed = "½¼⅛⅜⅝⅞±°×−·–—“”„’‹›…✓✗■⚠⁄ÄÖÜäöüßéèçñøåłśžőαβγΩЖщЇĂ漢"[:-1]
    assert showable(needed) == needed


def test_what_is_lacking_is_spelled_out():
    assert showable("a\U0001f3f9漢\nb") == "a‹U+1F3F9›‹U+6F22›\nb"
    assert showable("u\u0308") == "ü"
