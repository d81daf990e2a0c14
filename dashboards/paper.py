"""Tables as they are printed: whole rows in words, where the screen's own table shows what fits into its frame."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from html import escape
from typing import Any

import pandas as pd
import streamlit as st

MOST_ROWS = 200  # printed of one table
MOST_COLUMNS = 10
MOST_LETTERS = 90  # of one cell; the screen and the file have all of it
_FORMAT = re.compile(r"%(?P<sign>,?)\.(?P<digits>\d+)(?P<kind>[fg])(?P<after> %%)?")


def table(shown: Mapping[str, Any], order: Sequence[str] | None) -> None:
    """The same rows and columns as `st.dataframe(**shown, column_order=order)`, seen on paper only."""
    st.html(written(shown["data"], shown["column_config"], order))


def written(rows: pd.DataFrame, kinds: Mapping[str, Any], order: Sequence[str] | None = None) -> str:
    """Rows as an HTML table, the first columns of `order` with their labels and formats (`kinds`, as for Streamlit)."""
    names = [name for name in (order or rows.columns) if name in rows][:MOST_COLUMNS]
    part = rows[names].head(MOST_ROWS)
    head = "".join(f"<th>{escape(_label(kinds, name))}</th>" for name in names)
    cells = [_cells(part[name], kinds.get(name)) for name in names]
    body = "".join(f"<tr>{''.join(row)}</tr>" for row in zip(*cells, strict=True))
    made = f'<table class="paper"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
    if len(rows) > MOST_ROWS:
        made += f'<p class="paper">The first {MOST_ROWS} of {len(rows):,} rows; the file has all of them.</p>'
    return made


def _label(kinds: Mapping[str, Any], name: str) -> str:
    kind = kinds.get(name)
    return kind if isinstance(kind, str) else str((kind or {}).get("label") or name)


def _cells(column: pd.Series, kind: Any) -> list[str]:
    """A column's cells as HTML, numbers to the right and in the format that the screen's table has for them."""
    if pd.api.types.is_bool_dtype(column):
        return [f"<td>{'yes' if value is True or value == 1 else ''}</td>" for value in column.fillna(False)]
    if pd.api.types.is_numeric_dtype(column):
        say = _number(kind)
        return [f'<td class="number">{"" if pd.isna(value) else say(float(value))}</td>' for value in column]
    if pd.api.types.is_datetime64_any_dtype(column):
        return [f"<td>{'' if pd.isna(day) else f'{day:%Y-%m-%d}'}</td>" for day in column]
    texts = ("" if value is None or value != value else str(value) for value in column)
    return [f"<td>{escape(_short(text))}</td>" for text in texts]


def _short(text: str) -> str:
    """A long text up to a word's end."""
    return text if len(text) <= MOST_LETTERS else f"{text[:MOST_LETTERS].rsplit(' ', 1)[0]} …"


def _number(kind: Any) -> Callable[[float], str]:
    told = (kind.get("type_config") or {}).get("format") if isinstance(kind, dict) else None
    found = _FORMAT.fullmatch(str(told or ""))
    if found is None:
        return lambda value: f"{value:,.6g}"
    spec = f"{found['sign']}.{found['digits']}{found['kind']}"
    after = " %" if found["after"] else ""
    return lambda value: f"{value:{spec}}{after}"
