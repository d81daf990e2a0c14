"""The inspection sheet as a PDF, A4, drawn with the same content as the HTML page.

The standard PDF fonts know Latin-1 only. Text beyond that needs a TrueType font that the caller names; without one the
function refuses (ValueError) and never prints question marks over a caution.
"""

from __future__ import annotations

import math
from typing import Any

from fpdf import FPDF
from fpdf.enums import MethodReturnValue

from rebuildstats.render import percent
from rebuildstats.reports.sheet import Sheet, SheetLine, too_few

_WIDTHS = (34.0, 30.0, 26.0, 19.0, 20.0, 19.0, 20.0, 22.0)  # millimetres; together the 190 between A4's margins
_HEADS = ("Component", "Point", "Limit", "Reading", "Verdict", "Expect 80 %", "Others found", "Chance bad")
_LINE = 3.6
_BOX, _CHANCE = 3, 7  # the columns that are drawn, not written

# Typographic characters that Latin-1 lacks and that have a plain form with the same meaning.
_PLAIN = str.maketrans(
    {"–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "…": "...", "≤": "<=", "≥": ">=", "\u2009": " "}
)


def needs_font(sheet: Sheet) -> bool:
    """Whether the sheet holds text that the standard PDF fonts can't show."""
    return not all(_is_latin(text) for text in _texts(sheet))


def pdf(sheet: Sheet, *, font: str | None = None) -> bytes:
    """The sheet as a PDF file's bytes.

    font: path of a TrueType font, wanted where `needs_font`. Raises ValueError when it is wanted and missing.
    """
    plain = not needs_font(sheet)
    if not plain and font is None:
        raise ValueError("the sheet has characters that the standard PDF fonts don't know, and no font was given")
    page = _Page(None if plain else font)
    page.set_title(page.text_of(sheet.title))
    page.add_page()
    page.cautions(sheet.cautions)
    page.heading(sheet.title, 15)
    page.paragraph(" | ".join(f"{label}: {value}" for label, value in sheet.facts))
    if sheet.complaints:
        page.heading("From the complaint", 11)
        for text in sheet.complaints:
            page.paragraph(text)
    page.table_head()
    for line in sheet.lines:
        page.table_row(line)
    page.heading("Parts to pull", 11)
    for quantity, part, name in sheet.parts or (("", "None is more likely needed than not.", ""),):
        page.paragraph(f"[  ]  {quantity} x {part}   {name}" if quantity else part)
    page.ln(4)
    page.paragraph("Job ____________________   Technician ____________________   Date ____________________")
    page.ln(2)
    page.paragraph(f"Always: {sheet.closing}.", bold=True)
    return bytes(page.output())


class _Page(FPDF):
    def __init__(self, font: str | None) -> None:
        super().__init__(format="A4", unit="mm")
        self._plain = font is None
        self._family = "Helvetica" if font is None else "sheet"
        if font is not None:
            self.add_font("sheet", "", font)
            self.add_font("sheet", "B", font)
        self.set_margins(10, 10, 10)
        self.set_auto_page_break(True, margin=14)
        self.write_in(9)

    def footer(self) -> None:
        self.set_y(-10)
        self.write_in(7)
        self.cell(0, 4, f"{self.page_no()}", align="C")

    def text_of(self, text: str) -> str:
        clean = " ".join("".join(c if c.isprintable() else " " for c in text).split())
        return clean.translate(_PLAIN) if self._plain else clean

    def write_in(self, size: float, *, bold: bool = False) -> None:
        self.set_font(self._family, "B" if bold else "", size)

    def heading(self, text: str, size: float) -> None:
        self.ln(2)
        self.write_in(size, bold=True)
        self.multi_cell(0, size * 0.45, self.text_of(text), new_x="LMARGIN", new_y="NEXT")
        self.ln(1)

    def paragraph(self, text: str, *, bold: bool = False) -> None:
        self.write_in(9, bold=bold)
        self.multi_cell(0, 4.4, self.text_of(text), new_x="LMARGIN", new_y="NEXT")

    def cautions(self, lines: tuple[str, ...]) -> None:
        self.write_in(9.5, bold=True)
        self.set_line_width(0.8)
        text = "\n".join(self.text_of(line) for line in lines)
        self.multi_cell(0, 5, text, border=1, new_x="LMARGIN", new_y="NEXT")
        self.set_line_width(0.2)

    def table_head(self) -> None:
        self.ln(2)
        self.write_in(7.5, bold=True)
        for width, head in zip(_WIDTHS, _HEADS, strict=True):
            self.cell(width, 5, head, border=1)
        self.ln(5)

    def table_row(self, line: SheetLine) -> None:
        mark = "SAFETY - " if line.safety else ""
        limit = (line.limit or "-") + (f"\nas new {line.as_new}" if line.as_new else "")
        point = line.point + (f"\n{line.method}" if line.method else "")
        cells = (
            mark + line.component,
            point,
            limit,
            "",
            "[  ] ok\n[  ] fail\n[  ] not checked",
            line.expected or "-",
            line.found,
            "",
        )
        texts = ["\n".join(self.text_of(part) for part in cell.split("\n")) for cell in cells]
        self.write_in(7.5)
        height = _LINE * max(3, *(self._lines(width, text) for width, text in zip(_WIDTHS, texts, strict=True))) + 1.6
        if self.will_page_break(height):
            self.add_page()
            self.table_head()
            self.write_in(7.5)
        left, top = self.get_x(), self.get_y()
        for column, (width, text) in enumerate(zip(_WIDTHS, texts, strict=True)):
            self.set_line_width(0.6 if column == _BOX else 0.2)
            self.rect(left, top, width, height)
            if column == _CHANCE:
                self._chance(line, left, top, width)
            elif text:
                self.set_xy(left, top + 0.8)
                self.multi_cell(width, _LINE, text, align="L")
            left += width
        self.set_line_width(0.2)
        self.set_xy(self.l_margin, top + height)

    def _lines(self, width: float, text: str) -> int:
        if not text:
            return 1
        lines: Any = self.multi_cell(width, _LINE, text, align="L", dry_run=True, output=MethodReturnValue.LINES)
        return len(lines)

    def _chance(self, line: SheetLine, left: float, top: float, width: float) -> None:
        self.set_xy(left, top + 0.8)
        if math.isnan(line.chance):
            self.multi_cell(width, _LINE, too_few(line), align="L")
            return
        words = f"{percent(line.chance)}\n{percent(line.chance_lower)} to {percent(line.chance_upper)}"
        self.multi_cell(width, _LINE, words, align="L")
        room, bar = width - 2, top + 1.2 + 2 * _LINE
        self.set_fill_color(190)
        self.rect(
            left + 1 + room * line.chance_lower,
            bar,
            max(0.2, room * (line.chance_upper - line.chance_lower)),
            2.4,
            style="F",
        )
        self.set_fill_color(0)
        self.rect(left + 1 + max(0.0, room * line.chance - 0.4), bar, 0.8, 2.4, style="F")
        self.rect(left + 1, bar, room, 2.4)


def _texts(sheet: Sheet) -> list[str]:
    texts = [sheet.title, sheet.closing, *sheet.cautions, *sheet.complaints]
    texts += [word for fact in sheet.facts for word in fact]
    texts += [word for part in sheet.parts for word in part]
    for line in sheet.lines:
        texts += [line.component, line.point, line.method, line.as_new, line.limit, line.expected, line.found]
    return texts


def _is_latin(text: str) -> bool:
    try:
        text.translate(_PLAIN).encode("latin-1")
    except UnicodeEncodeError:
        return False
    return True
