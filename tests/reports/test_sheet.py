"""The inspection sheet: every point of the family, cautions first, a box beside every limit, the maker last."""

from __future__ import annotations

import io
import math
import re

import pandas as pd
import pytest
from pypdf import PdfReader

from rebuildstats.reports.sentences import CLOSING
from rebuildstats.reports.sheet import Sheet, build_sheet, html
from rebuildstats.reports.sheet_pdf import needs_font, pdf

NAN = math.nan


def frames(caution: str | None = "Spring under load"):
    components = pd.DataFrame(
        {
            "family": ["P"] * 4 + ["Q"],
            "component": ["seal", "gear", "ring", "bush", "other"],
            "name": [None, "third gear", "brake ring", None, None],
            "safety": [False, False, True, False, False],
        }
    )
    points = pd.DataFrame(
        {
            "family": ["P", "P", "P", "Q"],
            "point": ["backlash", "thickness", "cracks", "play"],
            "component": ["gear", "ring", "ring", "other"],
            "method": ["gauge", "gauge", "sight", "feel"],
            "reading_unit": ["mm", "mm", None, None],
            "as_new": [0.1, 5.0, NAN, NAN],
            "low_limit": [NAN, 4.0, NAN, NAN],
            "high_limit": [0.4, NAN, NAN, NAN],
            "caution": [None, caution, caution, "of another family"],
        }
    )
    parts = pd.DataFrame({"part": ["R-1", "G-1"], "name": ["brake ring", None]})
    wear = pd.DataFrame(
        {
            "family": "P",
            "component": ["gear", "ring", "ring", "seal", "bush"],
            "point": ["backlash", "thickness", "cracks", "", ""],
            "chance_bad": [0.8, 0.6, 0.6, 0.02, NAN],
            "chance_lower": [0.7, 0.4, 0.4, 0.01, 0.0],
            "chance_upper": [0.9, 0.75, 0.75, 0.04, 0.3],
            "reading_q10": [0.12, 4.1, NAN, NAN, NAN],
            "reading_q50": [0.2, 4.3, NAN, NAN, NAN],
            "reading_q90": [0.33, 4.8, NAN, NAN, NAN],
            "part": ["G-1", "R-1", "R-1", None, None],
            "quantity": [1.0, 2.0, 2.0, NAN, NAN],
        }
    )
    inspections = pd.DataFrame(
        {
            "family": "P",
            "component": ["ring"] * 4,
            "point": ["thickness"] * 4,
            "age": [90_000.0, 110_000.0, 400_000.0, NAN],
            "reading": [4.5, 4.2, 3.9, 4.4],
            "verdict": ["ok", "fail", "fail", "ok"],
        }
    )
    return {
        "components": components,
        "points": points,
        "parts": parts,
        "wear": wear,
        "inspections": inspections,
    }


def sheet_of(**changes) -> Sheet:
    asked = {"family": "P", "unit": "P-17", "mileage": 100_000.0, "distance": "mi", **frames(), **changes}
    return build_sheet(**asked)


def plain(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.split("<body>")[1]))


def test_every_point_of_the_family_stands_on_it_and_none_of_another():
    sheet = sheet_of()
    assert sorted((line.component.split(" ")[0], line.point) for line in sheet.lines) == [
        ("bush", "look over"),
        ("gear", "backlash"),
        ("ring", "cracks"),
        ("ring", "thickness"),
        ("seal", "look over"),
    ]


def test_safety_comes_first_then_the_likeliest():
    assert [line.component.split(" ")[0] for line in sheet_of().lines] == ["ring", "ring", "gear", "seal", "bush"]


def test_cautions_stand_before_everything_and_once_each():
    sheet = sheet_of()
    assert sheet.cautions == ("CAUTION: Spring under load (ring: thickness, ring: cracks)",)
    text = plain(html(sheet))
    assert text.strip().startswith("CAUTION: Spring under load")
    assert "of another family" not in text


def test_a_family_without_cautions_says_so():
    (line,) = sheet_of(**frames(caution=None)).cautions
    assert "maker's instructions" in line


def test_the_makers_limit_has_the_last_word():
    for unit in ("P-17", None):
        assert plain(html(sheet_of(unit=unit))).strip().endswith(f"{CLOSING}.")


def test_a_blank_box_beside_every_limit():
    page = html(sheet_of())
    assert page.count('<td class="box"></td>') == len(sheet_of().lines)
    assert "at least 4 mm" in page
    assert "at most 0.4 mm" in page


def test_readings_others_found_near_that_age():
    by_point = {line.point: line for line in sheet_of().lines}
    assert by_point["thickness"].found == "4.2 to 4.5 mm (2 read), 1 of 2 failed"
    assert by_point["thickness"].expected == "4.1 to 4.8 mm"
    assert by_point["cracks"].found == "never recorded"
    far = {line.point: line for line in sheet_of(mileage=1_000.0).lines}
    assert far["thickness"].found == "3.9 to 4.5 mm (4 read), 2 of 4 failed at any age"


def test_chances_as_bars_and_bounds_where_nothing_can_be_said():
    text = plain(html(sheet_of()))
    assert "60 % (40 % to 75 %)" in text
    assert "too few seen; at most 30 %" in text


def test_parts_to_pull_are_those_more_likely_than_not():
    assert sheet_of().parts == (("1", "G-1", ""), ("2", "R-1", "brake ring"))


def test_an_unknown_mileage_is_said():
    sheet = sheet_of(mileage=NAN, wear=frames()["wear"].iloc[:0])
    assert ("Since last rebuild", "unknown") in sheet.facts
    assert len(sheet.lines) == 5
    assert "too few seen" in html(sheet)


def test_words_from_the_history_cannot_become_html():
    page = html(sheet_of(**frames(caution="<script>alert(1)</script> & more"), unit='U"><b>'))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert 'U"&gt;&lt;b&gt;' in page


def text_of(data: bytes) -> str:
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages))


def test_the_pdf_says_the_same():
    text = text_of(pdf(sheet_of()))
    assert text.startswith("CAUTION: Spring under load")
    for words in (
        "Inspection sheet: P-17",
        "backlash",
        "thickness",
        "cracks",
        "look over",
        "at least 4 mm",
        "R-1",
        CLOSING,
    ):
        assert words in text
    assert "60 %" in text


def test_the_pdf_is_a4_and_breaks_into_pages():
    many = frames()
    many["points"] = pd.concat(
        [many["points"], *(many["points"].iloc[[0]].assign(point=f"point {i}") for i in range(80))], ignore_index=True
    )
    reader = PdfReader(io.BytesIO(pdf(sheet_of(**many))))
    assert len(reader.pages) > 2
    assert float(reader.pages[0].mediabox.width) == pytest.approx(595.28, abs=0.1)
    assert float(reader.pages[0].mediabox.height) == pytest.approx(841.89, abs=0.1)
    text = " ".join(page.extract_text() for page in reader.pages)
    assert all(f"point {i}" in text for i in range(80))


def test_a_pdf_never_shows_question_marks_for_letters():
    assert not needs_font(sheet_of(**frames(caution="Über – „Feder“ °C".replace("„", '"'))))
    other = sheet_of(**frames(caution="Осторожно: пружина"))
    assert needs_font(other)
    with pytest.raises(ValueError, match="font"):
        pdf(other)
