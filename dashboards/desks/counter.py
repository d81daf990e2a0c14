"""The counter: what to order today, what runs short, what the coming teardowns need. A part opens into its forecast."""

from __future__ import annotations

import cached
import layout
import pandas as pd
import part_view
import streamlit as st
from layout import Ticket

from rebuildstats.commands import Answer
from rebuildstats.figures import stock as pictures
from rebuildstats.figures.palette import number
from rebuildstats.reports.behind import Catalog

AIMS = {"jobs": "Jobs that don’t wait", "pieces": "Pieces from the shelf", "money": "Money to spend"}


def aim() -> dict[str, float]:
    """What the person steers by: a level of jobs, a level of pieces, or money; kept in the address."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        by = st.segmented_control(
            "Steer by", list(AIMS), format_func=AIMS.get, default="jobs", key="aim", bind="query-params"
        )
        if by == "money":
            money = st.number_input(
                "Money on the shelves", min_value=0.0, value=20_000.0, step=1_000.0, key="budget", bind="query-params"
            )
            return {"budget": float(money)}
        level = st.slider(
            "Share wanted, %", 50, 99, 90, key="level", bind="query-params", help="90: nine of ten don’t wait"
        )
    return {"part_fill" if by == "pieces" else "job_fill": level / 100}


def show_order(path: str, version: str, goal: dict[str, float]) -> None:
    answer = cached.order(path, version, **goal)
    order = answer.frame()
    names = cached.catalog(path, version)
    lines = order[order["order_now"].fillna(0) > 0]
    short = order[order["on_hand"].fillna(0) + order["on_order"].fillna(0) < order["lead_time_mean"].fillna(0)]
    money = float(lines["order_cost"].sum())
    avoided = float(lines["held_jobs_avoided"].sum())
    if lines.empty:
        layout.headline("Counter · what to order today", "Nothing to order today.", "Every shelf holds what it should.")
    else:
        layout.headline(
            "Counter · what to order today",
            f"Order {len(lines)} line{'s' if len(lines) > 1 else ''} today: {number(money)} in money.",
            f"That keeps about {number(avoided, 1)} jobs from waiting for a part.",
        )
    first = lines.sort_values(["held_jobs_avoided", "order_cost"], ascending=False).head(1)
    items = []
    for _, row in first.iterrows():
        items.append(
            Ticket(number(row["order_now"]), f"First: {names.part_name(row['part'])}", _sentence(row["reason"]), True)
        )
    if len(short):
        worst = ", ".join(short.sort_values("lead_time_mean", ascending=False)["part"].head(3))
        items.append(Ticket(str(len(short)), "run short before an order can arrive", worst, True))
    else:
        items.append(Ticket("0", "run short before an order can arrive"))
    items += coming(answer, path, version)
    layout.tickets(items)

    left, right = st.columns([3, 2], gap="large")
    with left:
        st.subheader("To order")
        order_table(lines if len(lines) else order, names)
        part_view.finder(names)
    with right:
        st.subheader("Money against held jobs")
        exchange(answer, goal)
    short_before_arrival(short)
    kits(answer, path, version)
    dead_stock(answer)
    with st.expander("Every shelf line, ordered or not"):
        st.dataframe(order, hide_index=True, column_config=order_columns(), width="stretch", alt="Every shelf line")
        layout.export(order, "order_all")


def _sentence(text: object) -> str:
    return text if isinstance(text, str) else ""


def order_columns() -> dict[str, object]:
    return {
        "part": st.column_config.TextColumn("Part", pinned=True),
        "name": "Name",
        "site": "Shelf",
        "order_now": layout.count("Order now"),
        "order_cost": layout.money("Cost"),
        "reason": st.column_config.TextColumn("Why", width="large"),
        "on_hand": layout.count("On hand"),
        "on_order": layout.count("On order"),
        "lead_time_days": layout.count("Lead time, days"),
        "lead_time_mean": layout.one_decimal("Wanted in lead time"),
        "lead_time_q95": layout.count("… 1 in 20 above"),
        "reorder_point": layout.count("Reorder at"),
        "order_up_to": layout.count("Order up to"),
        "unit_cost": layout.money("Each"),
        "part_fill": layout.share("Pieces from shelf"),
        "held_jobs_avoided": layout.one_decimal("Held jobs avoided"),
    }


def order_table(lines: pd.DataFrame, names: Catalog) -> None:
    """The lines of the order; a click on one opens the part."""
    titles = dict(zip(names.parts["part"], names.parts["name"], strict=True))
    shown = lines.assign(name=lines["part"].map(titles)).sort_values("order_cost", ascending=False)
    st.session_state["order_parts"] = list(shown["part"])
    st.dataframe(
        shown,
        hide_index=True,
        column_config=order_columns(),
        column_order=[
            "part", "order_now", "name", "order_cost", "reason", "site", "on_hand", "on_order", "lead_time_mean",
            "lead_time_q95", "reorder_point", "order_up_to", "lead_time_days", "held_jobs_avoided",
        ],
        on_select=open_picked,
        selection_mode="single-row",
        key="order_lines",
        width="stretch",
        alt="The lines to order today with their reasons",
    )  # fmt: skip
    layout.export(lines, "order_today")


def open_picked() -> None:
    """A click on a line of the order opens its part."""
    rows = st.session_state["order_lines"]["selection"]["rows"]
    if rows:
        st.session_state["part"] = st.session_state["order_parts"][rows[0]]


def coming(answer: Answer, path: str, version: str) -> list[Ticket]:
    return []


def exchange(answer: Answer, goal: dict[str, float]) -> None:
    plan = answer.result
    curve = plan.exchange_curve()
    layout.chart(
        pictures.exchange_curve(curve, wanted=goal.get("job_fill"), look=layout.look()),
        says="Money on the shelf against the share of jobs that don’t wait",
    )


def short_before_arrival(short: pd.DataFrame) -> None:
    if short.empty:
        return
    st.subheader("Runs short before an order can arrive")
    st.caption("Call the supplier, borrow, or move the teardown: ordering in the usual way is too late for these.")
    layout.chart(
        pictures.runway(short.sort_values("lead_time_mean", ascending=False), look=layout.look()),
        says="Pieces on hand against pieces wanted in the lead time",
    )


def kits(answer: Answer, path: str, version: str) -> None:
    return


def dead_stock(answer: Answer) -> None:
    return


def desk(path: str, version: str) -> None:
    if part_view.asked():
        part_view.show(path, version)
    else:
        show_order(path, version, aim())


layout.page(desk)
