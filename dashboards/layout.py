"""What the pages share: the store's strip, the answer on top, tickets, tables, and what to do without an answer."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import access
import cached
import pandas as pd
import paper
import plotly.graph_objects as go
import streamlit as st
import working
import writing

from rebuildstats.errors import NothingToComputeError, RebuildstatsError, StoreBusyError, StoreError
from rebuildstats.figures.palette import Look
from rebuildstats.figures.palette import look as look_named
from rebuildstats.history import store as stores
from rebuildstats.kept_answers.shelf import NotReadyError
from rebuildstats.render import to_csv
from rebuildstats.reports import sentences
from rebuildstats.reports.behind import Catalog

LOG = logging.getLogger("rebuildstats.dashboard")
DEFAULT_STORE = "history.duckdb"
MOST_ROWS = 2_000  # in one table on the screen
FILTER_FROM = 12  # rows from which a table can be narrowed by words
STYLE = Path(__file__).parent / "style.css"
SCRIPTS = [Path(__file__).parent / name for name in ("skip.js", "paper.js")]
# distances and the like, in which a decimal says nothing
WHOLE = {
    "age",
    "mileage",
    "unit_age",
    "exposure",
    "scale",
    "median",
    "median_lower",
    "median_upper",
    "b10",
    "b10_lower",
}
MAKER = "The maker’s limit, local codes and a licensed technician’s judgement come before this forecast."


def style() -> None:
    """The page's own style sheet, in the colours of the theme."""
    now = look()
    card, line = ("#1F262C", "#3A444D") if now.name == "dark" else ("#FFFFFF", "#C3CCD3")
    colours = f"--calm:{now.calm};--alarm:{now.alarm};--card:{card};--line:{line};--soft:{now.faint};"
    colours += f"--on-calm:{'#10151A' if now.name == 'dark' else '#FFFFFF'}"
    # ink is dear: a dark page prints as its negative
    negative = ""
    if now.name == "dark":
        negative = "@media print{.stApp{filter:invert(1) hue-rotate(180deg);background:#000!important}}"
    st.html(f"<style>{negative}:root{{{colours}}}{STYLE.read_text(encoding='utf-8')}</style>")


def scripts() -> None:
    """The first thing that Tab reaches: past the head of the page, to the answer; and how wide the page prints."""
    text = "".join(file.read_text(encoding="utf-8") for file in SCRIPTS)
    st.html(f"<script>{text}</script>", unsafe_allow_javascript=True)


def look() -> Look:
    """The colours of the theme the person is looking at."""
    return look_named(st.context.theme.type)


def started_with() -> str:
    """The store that was named when the dashboard was started."""
    return os.environ.get("REBUILDSTATS_STORE") or DEFAULT_STORE


def store_path() -> str:
    """The store of this session: chosen on the strip or named in the address, else the one it was started with."""
    if access.people() is not None:
        return started_with()
    if "store" not in st.session_state and st.query_params.get("store"):
        st.session_state["store"] = str(Path(started_with()).parent / st.query_params["store"])
    return str(st.session_state.get("store") or started_with())


def _into_address(path: str) -> None:
    """Name a store that is not the one the dashboard was started with: by its file's name where it lies beside it."""
    first, here = Path(started_with()).resolve(), Path(path).resolve()
    if here != first and access.people() is None:
        st.query_params["store"] = here.name if here.parent == first.parent else str(here)
    else:
        st.query_params.pop("store", None)


@dataclass(frozen=True, slots=True)
class Ticket:
    """One thing to decide: a number on the stub, what to do beside it, why in one line; `urgent`: in alarm colour."""

    number: str
    what: str
    why: str = ""
    urgent: bool = False


def headline(desk: str, answer: str, why: str = "") -> None:
    """The desk's question and its answer, the first thing read."""
    body = f'<p class="kicker">{escape(desk)}</p><h1 class="answer">{escape(answer)}</h1>'
    if why:
        body += f'<p class="why">{escape(why)}</p>'
    st.html(body)


def tickets(items: Sequence[Ticket]) -> None:
    """Tickets side by side; below one another on a phone."""
    cards = []
    for item in items:
        kind = "ticket urgent" if item.urgent else "ticket"
        why = f"<p>{escape(item.why)}</p>" if item.why else ""
        cards.append(
            f'<li class="{kind}"><span class="stub">{escape(item.number)}</span>'
            f'<div class="body"><strong>{escape(item.what)}</strong>{why}</div></li>'
        )
    if cards:
        st.html(f'<ul class="tickets">{"".join(cards)}</ul>')


def cautions(names: Catalog, family: str) -> None:
    """A family's warnings before anything else is read, with the components' written names."""
    mine = names.points[names.points["family"] == family]
    mine = mine.assign(component=[names.component_name(family, c) for c in mine["component"]])
    lines = [line.removeprefix("CAUTION: ") for line in sentences.cautions(mine, family)]
    if lines:
        items = "".join(f"<li>{escape(line)}</li>" for line in lines)
        st.html(
            f'<section class="cautions" aria-label="Cautions"><h2>⚠ Before you start</h2><ul>{items}</ul></section>'
        )


def closing() -> None:
    st.html(f'<p class="closing">{escape(MAKER)}</p>')


def section(title: str) -> None:
    """A section's heading; without a link to itself, which would only be one more stop on the keyboard's way."""
    st.subheader(title, anchor=False)


def chart(figure: go.Figure, *, says: str, key: str | None = None) -> None:
    """A picture with a sentence for those who can't see it."""
    st.plotly_chart(
        figure,
        theme=None,
        width="stretch",
        alt=says,
        key=key,
        config={"displayModeBar": False, "scrollZoom": False, "responsive": True},
    )


def table(
    frame: pd.DataFrame,
    *,
    name: str,
    says: str,
    columns: dict[str, object] | None = None,
    order: Sequence[str] | None = None,
    height: int | str = "auto",
) -> None:
    """A table that sorts, searches, filters and goes out as CSV under `name`; of a very long one the first rows."""
    mine = filtered(frame, name)
    told = shown(mine.head(MOST_ROWS), columns)
    st.dataframe(**told, hide_index=True, column_order=order, alt=says, width="stretch", height=height)
    paper.table(told, order)
    if len(mine) > MOST_ROWS:
        st.caption(f"The first {MOST_ROWS:,} of {len(mine):,} rows; the file has all of them.")
    export(mine, name)


def filtered(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """The rows in which some text column holds the words that a person types; a short table is left as it is."""
    if len(frame) <= FILTER_FROM:
        return frame
    words = st.text_input(
        "Only rows with",
        key=f"only_{name}",
        placeholder="Part of a name, a number, a word",
        icon=":material/filter_list:",
        bind="query-params",
    )
    return having(frame, words) if words else frame


def details(label: str, key: str, draw: Callable[[], None]) -> None:
    """Details folded under their label; made when somebody unfolds them, and the address says which are unfolded."""
    box = st.expander(label, key=f"see_{key}", on_change="rerun", bind="query-params")
    if box.open:
        with box:
            draw()


def having(frame: pd.DataFrame, words: str) -> pd.DataFrame:
    """The rows that hold every one of the words in some text column, whatever their case."""
    keep = pd.Series(True, index=frame.index)
    texts = [frame[c].astype("str") for c in frame.columns if not pd.api.types.is_numeric_dtype(frame[c])]
    for word in words.split():
        found = pd.Series(False, index=frame.index)
        for text in texts:
            found |= text.str.contains(word, case=False, regex=False).fillna(False).astype(bool)
        keep &= found
    return frame[keep].reset_index(drop=True)


def export(frame: pd.DataFrame, name: str) -> None:
    """A button that hands the table out as CSV."""
    st.download_button(
        "Take it along as CSV",
        lambda: to_csv(frame).encode(),  # written only when somebody takes it
        file_name=f"{name}.csv",
        mime="text/csv",
        icon=":material/download:",
        key=f"export_{name}",
        on_click="ignore",
    )


def adopt(key: str, options: Iterable[str]) -> None:
    """Let an address name an option by its key; by itself a list bound to the address knows only the written names."""
    if key not in st.session_state and st.query_params.get(key) in set(options):
        st.session_state[key] = st.query_params[key]


def asked(key: str, say: Callable[[str], str] = str, options: Iterable[str] = ()) -> str | None:
    """What a list bound to the address holds now, before it is drawn: chosen in this session, else in the address.

    `say` writes an option as the list does, so that a written name in the address is understood.
    """
    if key in st.session_state:
        value = st.session_state[key]
        return None if value is None else str(value)
    value = st.query_params.get(key) or None
    return next((option for option in options if say(option) == value), value)


def page(show: Callable[[str, str], None], *, needs_history: bool = True) -> None:
    """Run one page: the store's strip, then `show(path, version)`, every error told as what to do next."""
    path = store_path()
    version, words, missing, trouble = "", "", None, None
    working.start_of_page()
    _into_address(path)
    try:
        version = cached.version(path)
        if needs_history:
            told = cached.history(path, version)
            words = f"known to {told['as_of']:%d %b %Y} · {told['teardowns']:,} teardowns · {told['units']:,} units"
    except NotReadyError as waits:
        missing = waits
    except RebuildstatsError as error:
        trouble = error
    with st.container(horizontal=True, vertical_alignment="center"):
        st.html(f'<p class="strip"><b>{escape(Path(path).name)}</b> {escape(words)}</p>')
        with st.popover("Store", icon=":material/database:", width="content"):
            _choose(path)
            access.badge()
    if trouble is not None:
        _tell(trouble, path)
    elif missing is not None:
        headline("One moment", "The answers are being worked out.", "They are kept: the next look is there at once.")
        working.panel(path, version, missing)
    else:
        guarded(show, path, version)


def guarded(show: Callable[[str, str], None], path: str, version: str) -> None:
    """Run one section; an error of it is told and the rest of the page still comes."""
    try:
        show(path, version)
    except NotReadyError as missing:
        working.panel(path, version, missing)
    except access.NotAllowedError as error:
        headline("Not allowed", str(error))
    except RebuildstatsError as error:
        _tell(error, path)
    except Exception as error:  # the page must say so instead of breaking; the log keeps the whole of it
        LOG.exception("page failed")
        headline("This page could not be made", "An error of the program; the other pages still work.")
        st.caption(f"{type(error).__name__}: {error}")


def _tell(error: RebuildstatsError, path: str) -> None:
    """What the person can do about it."""
    if isinstance(error, NothingToComputeError):
        headline("Nothing to go by yet", "The history holds too little for this answer.", str(error))
        st.page_link("desks/data_in.py", label="Bring in a history", icon=":material/upload_file:")
    elif isinstance(error, StoreBusyError):
        headline("Store in use", "Another process is writing to this store. Try again in a moment.", str(error))
        if st.button("Try again", type="primary", icon=":material/refresh:", key="try_again"):
            st.rerun()
    elif isinstance(error, StoreError):
        _no_store(path, str(error))
    else:
        headline("Not possible like this", str(error))


def _choose(path: str) -> None:
    if access.people() is not None:
        st.caption("The store is chosen by whoever runs this dashboard.")
        return
    folder = Path(path).resolve().parent
    names = sorted(str(p) for p in folder.glob("*.duckdb")) if folder.is_dir() else []
    st.caption(f"Stores in {folder}")
    for one in names[:20]:
        here = Path(one).resolve() == Path(path).resolve()
        if st.button(Path(one).name, key=f"store_{one}", disabled=here, width="stretch"):
            st.session_state["store"] = one
            st.rerun()
    other = st.text_input("Another file", key="store_other", placeholder="/srv/shop/history.duckdb")
    if st.button("Open it", disabled=not other, key="store_open"):
        st.session_state["store"] = other
        st.rerun()


def _no_store(path: str, words: str) -> None:
    if Path(path).exists():
        headline("Not a store", "Choose another file under “Store”, at the top right.", words)
        return
    headline("No store yet", f"There is no history at {path}. Make an empty one here, then bring your sheets in.")
    if not access.may_write():
        return
    st.caption("Or stop the dashboard and run `rebuildstats demo` to look around in an invented fleet.")
    distance = st.segmented_control(
        "Distances are kept in",
        list(stores.DISTANCES),
        default="mi",
        format_func={"mi": "miles", "km": "kilometres", "h": "hours"}.get,
        help="Fixed for good: one unit per store.",
        key="new_distance",
    )
    if st.button("Make an empty store", type="primary", key="make_store"):
        writing.make_store(path, distance or "mi")
        st.rerun()


@dataclass(frozen=True, slots=True)
class Share:
    """A column of shares (0 to 1), shown as whole percentages; the file that is taken along keeps the shares."""

    label: str
    help: str | None = None

    def column(self) -> object:
        return st.column_config.NumberColumn(self.label, format="%.0f %%", help=self.help)


def written(name: str) -> str:
    """A column's name for people: `due_on` -> `Due on`."""
    words = name.replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def share(label: str, help: str | None = None) -> Share:
    return Share(label, help)


def shown(frame: pd.DataFrame, columns: dict[str, object] | None) -> dict[str, Any]:
    """What `st.dataframe` takes for a frame and its columns, shares made percentages."""
    shares = {name: kind for name, kind in (columns or {}).items() if isinstance(kind, Share) and name in frame}
    view = frame.assign(**{name: frame[name] * 100 for name in shares})
    told: dict[str, object] = {
        name: count(written(str(name))) if name in WHOLE else written(str(name)) for name in frame.columns
    }
    told |= {name: kind for name, kind in (columns or {}).items() if not isinstance(kind, Share)}
    return {"data": view, "column_config": told | {name: kind.column() for name, kind in shares.items()}}


def count(label: str, help: str | None = None) -> object:
    return st.column_config.NumberColumn(label, format="%,.0f", help=help)


def one_decimal(label: str, help: str | None = None) -> object:
    return st.column_config.NumberColumn(label, format="%,.1f", help=help)


def money(label: str, help: str | None = None) -> object:
    return st.column_config.NumberColumn(label, format="%,.2f", help=help)
