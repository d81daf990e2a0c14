"""One part: its forecast with the pieces issued behind it, the methods beside it, its reasons, its history."""

from __future__ import annotations

import aims
import cached
import lasting
import layout
import pandas as pd
import streamlit as st
import views
from layout import Ticket

from rebuildstats.desks import YEAR_MONTHS
from rebuildstats.figures import demand as pictures
from rebuildstats.figures.palette import number
from rebuildstats.reports import behind
from rebuildstats.reports.behind import Catalog


def asked(names: Catalog) -> str | None:
    """The part in the address or just chosen, if any."""
    return layout.asked("part", names.part_name, names.parts["part"])


def finder(names: Catalog) -> str | None:
    """The list that opens a part; empty again, it leads back to the order."""
    layout.adopt("part", names.parts["part"])
    return st.selectbox(
        "Open a part",
        sorted(names.parts["part"]),
        index=None,
        placeholder="Number or name",
        format_func=names.part_name,
        key="part",
        bind="query-params",
    )


def _back() -> None:
    st.session_state["part"] = None


def show(path: str, version: str) -> None:
    """The page of the part that was asked for."""
    names = cached.catalog(path, version)
    st.button("Back to the order", icon=":material/arrow_back:", on_click=_back, key="part_back")
    part = finder(names)
    if part is None:
        layout.headline("Counter · one part", "No part of that number in this store.", "Choose another from the list.")
        return
    top = st.container()  # filled once it is known what the order is to be steered by
    order = cached.order(path, version, **aims.aim())["rows"]
    shelf = order[order["part"] == part]
    rows = cached.forecast(path, version)
    mine = rows[rows["part"] == part]
    card = cached.part_card(path, version, part)
    if mine.empty:
        successor = card.get("replaced_by")
        said = f"It is replaced by {successor}; its demand stands there." if isinstance(successor, str) else ""
        with top:
            layout.headline("Counter · one part", f"{names.part_name(part)}: no forecast of its own.", said)
        history_of(path, version, part)
        return
    chosen = chosen_rows(mine)
    total = chosen[chosen["month"].astype(str) == "total"]
    with top:
        headline(names.part_name(part), total, shelf)
        tickets(card, shelf, total)

    past = cached.issued_by_month(path, version, part)
    layout.section("By month: issued, and to come")
    now = layout.look()
    layout.chart(
        cached.drawn(path, version, "fan", (part,), now.name, lambda: pictures.fan(chosen, past, look=now)),
        says=f"Pieces of {part} by month: issued so far and forecast with its ranges",
    )
    left, right = st.columns(2, gap="large")
    with left:
        layout.section("Who will ask for it")
        reasons(cached.reasons(path, version, part), part)
    with right:
        layout.section("Every method beside it")
        totals = mine[mine["month"].astype(str) == "total"]
        record = cached.past_record(path, version)
        mine_past = None if record is None else record[record["part"] == part]
        layout.chart(
            cached.drawn(
                path,
                version,
                "methods",
                (part, record is None),
                now.name,
                lambda: pictures.methods(totals, mine_past, look=now),
            ),
            says=f"The total of {part} by every forecasting method",
        )
        if record is None:
            st.page_link(
                "desks/track_record.py", label="How each did on this shop’s own past", icon=":material/fact_check:"
            )
    lasting.of_part(path, version, part)
    history_of(path, version, part)


def chosen_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of the method that the forecast stands by: the first named one of the part."""
    return rows[rows["method"] == rows["method"].iloc[0]]


def headline(name: str, total: pd.DataFrame, shelf: pd.DataFrame) -> None:
    shelf = shelf.sort_values("order_now", ascending=False, kind="stable")
    now = float(shelf["order_now"].sum()) if len(shelf) else 0.0
    answer = f"{name}: order {number(now)} today." if now else f"{name}: nothing to order today."
    why = str(shelf["reason"].iloc[0]) if len(shelf) and isinstance(shelf["reason"].iloc[0], str) else ""
    if not why and len(total):
        why = f"About {number(total['mean'].iloc[0], 1)} pieces in {YEAR_MONTHS} months."
    layout.headline("Counter · one part", answer, why.split(";")[0])


def tickets(card: dict[str, object], shelf: pd.DataFrame, total: pd.DataFrame) -> None:
    items = []
    for _, row in total.iterrows():
        span = f"9 of 10 futures: {number(row['q05'])} to {number(row['q95'])}"
        items.append(Ticket(number(row["mean"], 1), "pieces to come over the horizon", span))
    for _, row in shelf.iterrows():
        why = f"and {number(row['on_order'])} on order; reorder at {number(row['reorder_point'])}"
        items.append(Ticket(number(row["on_hand"]), f"on hand at {row['site']}", why))
    uses = card["used_in"]
    if isinstance(uses, tuple) and uses:
        items.append(Ticket(str(len(uses)), "places it goes into", "; ".join(uses[:3]).replace("_", " ")))
    layout.tickets(items)


def reasons(trace: pd.DataFrame, part: str) -> None:
    layout.chart(pictures.reasons(trace, look=layout.look()), says=f"The units from which the demand for {part} comes")
    columns = {
        "chance_teardown": layout.share("Chance of a teardown"),
        "chance_replaced": layout.share("Chance it is replaced then"),
        "pieces": st.column_config.NumberColumn("Expected pieces", format="%.3f"),
        "reason": st.column_config.TextColumn("Why", width="large"),
    }
    says = "Expected pieces by unit, component and position"
    first = ["unit", "pieces", "reason"]  # what a narrow screen shows without scrolling
    order = [*first, *(name for name in trace.columns if name not in first)]
    layout.details(
        "Unit by unit",
        "reasons",
        lambda: layout.table(trace, name=f"reasons_{part}", says=says, columns=columns, order=order),
    )


def history_of(path: str, version: str, part: str) -> None:
    issues = cached.issues(path, version, part)
    failed = behind.of_group(cached.failures(path, version), "part", part)
    left, right = st.columns(2, gap="large")
    with left:
        layout.section(f"Issued so far ({len(issues)})")
        layout.table(issues, name=f"issues_{part}", says=f"Issues and credits of {part}", columns=dates(issues))
    with right:
        layout.section(f"Found failed ({len(failed)})")
        failed = views.named(failed, cached.catalog(path, version))
        layout.table(failed, name=f"failures_{part}", says=f"Failures of {part} as found", columns=dates(failed))


def dates(frame: pd.DataFrame) -> dict[str, object]:
    """Plain days for every date column."""
    return {
        name: st.column_config.DateColumn(layout.written(str(name)), format="YYYY-MM-DD")
        for name in frame.columns
        if pd.api.types.is_datetime64_any_dtype(frame[name])
    }
