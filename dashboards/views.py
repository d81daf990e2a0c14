"""Sections that more than one desk may show: what an answer says in sentences first, its table one click further."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import cached
import layout
import pandas as pd
import streamlit as st

from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.reports.behind import Catalog

MOST_SAID = 5
_KEY = re.compile(r"(?<=[a-z])_(?=[a-z])")  # main_bearing: a component's key, whose words people read


def one_topic(
    topics: Mapping[str, str],
    sections: Mapping[str, Callable[[str, str], None]],
    path: str,
    version: str,
    *,
    key: str,
    hint: str,
) -> None:
    """One topic at a time: the others cost nothing until somebody asks for them."""
    topic = st.segmented_control(
        "Look at",
        list(topics),
        format_func=topics.get,
        key=key,
        bind="query-params",
        label_visibility="collapsed",
    )
    if topic is None:
        st.write(hint)
        return
    try:
        sections[topic](path, version)
    except (NothingToComputeError, UsageError) as nothing:
        st.write(str(nothing))


def family(path: str, version: str, key: str) -> str | None:
    """The family that a section is about; None where there is none yet."""
    families = cached.catalog(path, version).families
    return st.selectbox("Family", families, key=key, bind="query-params") if families else None


def told(title: str, answer: Mapping[str, Any], *, name: str, columns: dict[str, object] | None = None) -> None:
    """An answer's sentences, and the table behind them (`rows`, `notes` as kept)."""
    layout.section(title)
    said(answer["notes"], name)
    behind(f"Everything behind it: {title.lower()}", answer["rows"], name=name, columns=columns)


def said(notes: Sequence[str], name: str) -> None:
    """Sentences, one a line; what is more than a few stands folded. name: of the answer, for the address."""
    st.markdown("\n".join(f"- {_plain(note)}" for note in notes[:MOST_SAID]))
    if len(notes) > MOST_SAID:
        rest = "\n".join(f"- {_plain(note)}" for note in notes[MOST_SAID:])
        layout.details(f"{len(notes) - MOST_SAID} more", f"more_{name}", lambda: st.markdown(rest))


def behind(label: str, rows: pd.DataFrame, *, name: str, columns: dict[str, object] | None = None) -> None:
    """A table folded under its label; nothing where it is empty."""
    if len(rows):
        kinds = usual(rows) | (columns or {})
        layout.details(f"{label} ({len(rows)})", name, lambda: layout.table(rows, name=name, says=label, columns=kinds))


def usual(rows: pd.DataFrame) -> dict[str, object]:
    """How columns of these names are written everywhere."""
    kinds: dict[str, object] = {}
    for column in map(str, rows.columns):
        stem = column.removesuffix("_lower").removesuffix("_upper")
        label = layout.written(column.replace("_lower", " at least").replace("_upper", " at most"))
        if stem in ("b10", "median", "exposure", "distance", "mileage"):
            kinds[column] = layout.count(label)
        elif stem in ("share", "base_share", "shrinkage", "chance_none"):
            kinds[column] = layout.share(label)
        elif stem.startswith(("cost", "unit_cost")) and "ratio" not in stem:
            kinds[column] = layout.money(label)
        elif column.endswith(("_lower", "_upper")) or "ratio" in stem:
            kinds[column] = st.column_config.NumberColumn(label, format="%.3g")
    return kinds


def named(rows: pd.DataFrame, names: Catalog) -> pd.DataFrame:
    """Rows with components by their written names instead of their keys."""
    if "family" not in rows:
        return rows
    for column in {"component", "cause", "damaged"} & set(rows.columns):
        pairs = zip(rows["family"], rows[column], strict=True)
        written = [names.component_name(f, c) if isinstance(c, str) and c else c for f, c in pairs]
        rows = rows.assign(**{column: written})
    return rows


def place_words(names: Catalog, row: Mapping[str, Any] | pd.Series) -> str:
    """`main bearing · journal play`: an inspection point in words, its component said once."""
    component, point = names.component_name(row["family"], row["component"]), row["point"]
    if not isinstance(point, str) or not point:
        return component
    return point if component.casefold() in point.casefold() else f"{component} · {point}"


def spares(plan: Mapping[str, Any]) -> None:
    """Ready units per family, and how many it takes."""
    told("Ready units", {"rows": plan["spares"], "notes": plan["spare_notes"]}, name="spares")


def _plain(note: str) -> str:
    """A sentence as Markdown shows it, whatever signs a part's or a site's name has."""
    note = _KEY.sub(" ", note)
    for sign in ("\\", "*", "_", "`", "$", "[", "<", "#"):
        note = note.replace(sign, f"\\{sign}")
    return note
