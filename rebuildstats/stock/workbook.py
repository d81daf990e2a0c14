"""The order as a workbook: one sheet to order from, one that explains."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

_HEAD = PatternFill("solid", fgColor="1F3A5F")
_THIN = Side(style="thin", color="B8C0CC")
_MONEY, _WHOLE, _ONE, _DAY = "#,##0.00", "#,##0", "#,##0.0", "yyyy-mm-dd"
_ORDER = {
    "supplier": ("Supplier", 20, None),
    "part": ("Part", 18, None),
    "name": ("Name", 28, None),
    "site": ("Shelf", 12, None),
    "order_now": ("Order (pieces)", 14, _WHOLE),
    "packs": ("Packs", 8, _WHOLE),
    "pack_size": ("Pack of", 9, _WHOLE),
    "unit_cost": ("Price each", 12, _MONEY),
    "order_cost": ("Cost", 14, _MONEY),
    "lead_time_days": ("Lead time (days)", 10, _WHOLE),
    "wanted_by": ("Next wanted about", 13, _DAY),
    "ordered": ("Ordered (tick)", 10, None),
}
_WHY = {
    "part": ("Part", 18, None),
    "site": ("Shelf", 12, None),
    "on_hand": ("On hand", 10, _WHOLE),
    "on_order": ("On order", 10, _WHOLE),
    "lead_time_mean": ("Wanted in lead time", 12, _ONE),
    "lead_time_q95": ("19 times in 20 at most", 12, _WHOLE),
    "reorder_point": ("Reorder at", 11, _WHOLE),
    "order_up_to": ("Order up to", 11, _WHOLE),
    "order_now": ("Order now", 11, _WHOLE),
    "part_fill": ("Part fill", 10, "0%"),
    "held_jobs_avoided": ("Held jobs avoided a year", 13, _ONE),
    "reason": ("Why", 110, None),
}


def neutral(value: Any) -> Any:
    """A cell that a spreadsheet would take for a formula, made plain text by an apostrophe; the rest as it is."""
    if isinstance(value, str) and value.lstrip(" ")[:1] in tuple("=+-@\t\r\n|%"):
        return "'" + value
    return value


def order_workbook(lines: pd.DataFrame, about: list[str]) -> bytes:
    """The bytes of an .xlsx file. lines: the order's frame with supplier, name and pack_size. about: sentences that
    stand above the explanation (the goal, the promise, the money)."""
    book = Workbook()
    sheet = book.active
    sheet.title = "Order"
    todo = lines[lines["order_now"] > 0].copy()
    todo["packs"] = todo["order_now"] / todo["pack_size"]
    todo["ordered"] = None
    todo = todo.sort_values(["supplier", "part", "site"], na_position="last")
    _fill(sheet, todo, _ORDER, top=1)
    _totals(sheet, todo, top=len(todo) + 2)

    why = book.create_sheet("Why")
    for row, sentence in enumerate(about, start=1):
        why.cell(row=row, column=1, value=neutral(sentence)).font = Font(italic=True)
    ranked = lines.sort_values(["held_jobs_avoided", "part"], ascending=[False, True])
    _fill(why, ranked, _WHY, top=len(about) + 2 if about else 1)
    out = BytesIO()
    book.save(out)
    return out.getvalue()


def _totals(sheet: Worksheet, todo: pd.DataFrame, *, top: int) -> None:
    """The money of the whole order, and of each supplier where there are several; numbers, so that any viewer shows
    them. Each line's cost is rounded, as it will be billed."""
    names = list(_ORDER)
    by_supplier = todo.groupby(todo["supplier"].fillna("no supplier named"))["order_cost"].sum()
    sums = [("Total", float(todo["order_cost"].sum()))]
    sums += [(f"of it {name}", float(money)) for name, money in by_supplier.items()] if len(by_supplier) > 1 else []
    for row, (label, money) in enumerate(sums, start=top):
        left = sheet.cell(row=row, column=names.index("unit_cost") + 1, value=neutral(label))
        right = sheet.cell(row=row, column=names.index("order_cost") + 1, value=round(money, 2))
        right.number_format = _MONEY
        left.font = right.font = Font(bold=label == "Total")
        left.alignment = Alignment(horizontal="right")


def _fill(sheet: Worksheet, frame: pd.DataFrame, columns: dict[str, tuple[str, int, str | None]], *, top: int) -> None:
    for c, (title, width, _) in enumerate(columns.values(), start=1):
        head = sheet.cell(row=top, column=c, value=title)
        head.font, head.fill = Font(bold=True, color="FFFFFF"), _HEAD
        head.alignment = Alignment(wrap_text=True, vertical="center")
        sheet.column_dimensions[get_column_letter(c)].width = width
    for r, values in enumerate(frame[list(columns)].itertuples(index=False), start=top + 1):
        for c, (value, (_, _, form)) in enumerate(zip(values, columns.values(), strict=True), start=1):
            cell = sheet.cell(row=r, column=c)
            cell.border = Border(bottom=_THIN)
            if value is None or value is pd.NaT or value is pd.NA or (isinstance(value, float) and pd.isna(value)):
                continue
            if isinstance(value, pd.Timestamp):
                cell.value, cell.number_format = value.to_pydatetime(), form or _DAY
            else:
                cell.value = neutral(value) if isinstance(value, str) else float(value)
            if isinstance(value, str):
                cell.data_type = "s"
                cell.alignment = Alignment(wrap_text=True, vertical="top")
            elif not isinstance(value, pd.Timestamp):
                cell.number_format = form or "General"
    sheet.freeze_panes = f"A{top + 1}"
    if len(frame):
        sheet.auto_filter.ref = f"A{top}:{get_column_letter(len(columns))}{top + len(frame)}"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = f"{top}:{top}"
