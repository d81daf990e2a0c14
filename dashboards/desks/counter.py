"""The counter: what to order today, what runs short, what the coming teardowns need. A part opens into its forecast."""

from __future__ import annotations

from typing import Any

import aims
import buying
import cached
import layout
import pandas as pd
import paper
import part_view
import streamlit as st
import suppose
import views
from layout import Ticket
from part_view import dates

from rebuildstats.figures import stock as pictures
from rebuildstats.figures.palette import number, percent, span
from rebuildstats.reports.behind import Catalog

DESK = "Counter · what to order today"


def show_order(path: str, version: str) -> None:
    top = st.container()  # the answer comes first, also on a phone
    goal = aims.aim()
    plan = cached.order(path, version, **goal)
    order = plan["rows"]
    names = cached.catalog(path, version)
    lines = order[order["order_now"].fillna(0) > 0]
    lines = lines.sort_values(["held_jobs_avoided", "order_cost"], ascending=False, kind="stable")
    with top:
        if lines.empty:
            layout.headline(DESK, "Nothing to order today.", "Every shelf holds what it should, or it is on its way.")
        else:
            money = number(lines["order_cost"].sum())
            layout.headline(DESK, f"Order {many(len(lines))} today: {money} in money.", _gain(plan["marks"]))
    layout.tickets([*_first(lines, names), *_short(plan["short"]), *_kits(plan["kits"]), *_dead(plan["dead"])])
    left, right = st.columns([3, 2], gap="large")
    with left:
        layout.section("To order" if len(lines) else "Every shelf line")
        order_table(lines if len(lines) else order, names)
        with st.container(horizontal=True):
            layout.export(lines if len(lines) else order, "order_today")
            st.download_button(
                "As a workbook",
                plan["workbook"],
                file_name="order_today.xlsx",
                icon=":material/table_view:",
                key="order_workbook",
                on_click="ignore",
            )
        part_view.finder(names)
    with right:
        layout.section("Money against held jobs")
        layout.chart(
            cached.drawn(
                path,
                version,
                "exchange curve",
                tuple(goal.items()),
                layout.look().name,
                lambda: pictures.exchange_curve(
                    plan["curve"], marks=plan["marks"], wanted=goal.get("job_fill"), look=layout.look()
                ),
            ),
            says="Money on the shelf against the share of jobs that don’t wait, with today’s shelf and habit",
        )
        for note in plan["notes"]:
            st.caption(note)
    lists(path, version, plan, goal)
    suppose.what_if(path, version, goal)


def many(lines: int) -> str:
    return f"{lines} line{'' if lines == 1 else 's'}"


def _gain(marks: pd.DataFrame) -> str:
    """What the plan does for the jobs, beside today's shelf."""
    fills = {
        row["label"]: f"{number(100 * row['job_fill'])} "
        f"({span(100 * row['job_fill_lower'], 100 * row['job_fill_upper'])})"
        for row in marks.to_dict("records")
    }
    now, then = fills.get("today's shelf"), fills.get("this plan")
    if now is None or then is None:
        return ""
    return f"Of 100 jobs {now} would find every part on today’s shelf; with this plan {then}."


def _first(lines: pd.DataFrame, names: Catalog) -> list[Ticket]:
    """The most urgent line: the order stands in that order."""
    return [
        Ticket(
            number(row["order_now"]), f"First: {names.part_name(row['part'])}", _sentence(row["reason"]).split(";")[0]
        )
        for _, row in lines.head(1).iterrows()
    ]


def _short(short: pd.DataFrame) -> list[Ticket]:
    likely = short[short["chance_short"] >= 0.5]
    if likely.empty:
        first = short.sort_values("chance_short", ascending=False, kind="stable").head(1).to_dict("records")
        why = "".join(
            f"likeliest {row['part']}, {percent(row['chance_short'])} "
            f"({span(row['chance_lower'], row['chance_upper'], percent)})"
            for row in first
        )
        return [Ticket("0", "likely to run short before an order can arrive", why)]
    worst = ", ".join(likely["part"].head(3))
    return [Ticket(str(len(likely)), "likely run short before an order can arrive", f"{worst}: call today", True)]


def _kits(kits: pd.DataFrame) -> list[Ticket]:
    lacking = kits[kits["chance_complete"] < 0.5]
    why = f"{len(lacking)} of them would wait for a part" if len(lacking) else "the shelf holds what they usually need"
    return [Ticket(str(len(kits)), "teardowns booked or likely in 60 days", why, len(lacking) > 0)]


def _dead(dead: pd.DataFrame) -> list[Ticket]:
    why = f"{many(len(dead))} that nothing foreseeable needs"
    return [Ticket(number(dead["money"].sum()), "of money lies dead on the shelf", why)]


def lists(path: str, version: str, plan: dict[str, Any], goal: dict[str, float]) -> None:
    """What stands beside the order, a section each; a further one is one line here."""
    left, right = st.columns(2, gap="large")
    with left:
        runs_short(path, version, plan["short"], goal)
    with right:
        kits(plan["kits"], plan["kit_lines"])
    left, right = st.columns(2, gap="large")
    with left:
        dead_stock(plan["dead"])
    with right:
        late(plan["overdue"])
    views.spares(plan)
    buying.suppliers(path, version, plan["suppliers"], goal)
    buying.lots(path, version)
    every_line(plan["rows"])


def runs_short(path: str, version: str, short: pd.DataFrame, goal: dict[str, float]) -> None:
    layout.section("Runs short before an order can arrive")
    st.caption("Ordering in the usual way is too late for these: call, borrow, or move the teardown.")
    layout.chart(
        cached.drawn(
            path,
            version,
            "runs short",
            tuple(goal.items()),
            layout.look().name,
            lambda: pictures.short_bars(short, look=layout.look()),
        ),
        says="Chance of each part running out before an order placed today arrives, with 90 % intervals",
    )
    columns = dates(short) | {"chance_short": layout.share("Chance"), **_bounds("chance")}
    layout.details(
        f"All {len(short)}",
        "runs_short",
        lambda: layout.table(short, name="runs_short", says="What may run short", columns=columns),
    )


def kits(kits: pd.DataFrame, lines: pd.DataFrame) -> None:
    layout.section("Kits for the coming teardowns")
    columns = dates(kits) | {
        "unit": "Unit",
        "family": "Family",
        "chance_teardown": layout.share("Teardown"),
        "chance_complete": layout.share("All there", "Chance that everything it needs lies on the shelf"),
        "complete_lower": layout.share("at least"),
        "complete_upper": layout.share("at most"),
        "chance_by_then": layout.share("… with what is due", "With the open orders that are due by its day"),
        "teardowns": layout.count("Read from", "Sampled teardowns"),
        "lacking": "Most lacking",
    }
    shown = ["unit", "due_on", "chance_complete", "lacking", "complete_lower", "complete_upper", "chance_by_then"]
    shown += ["family", "chance_teardown", "teardowns", "reason"]
    layout.table(kits, name="kits", says="One kit per coming teardown", columns=columns, order=shown)
    picks = {"chance": layout.share("Needed"), "what": "What to do"}
    layout.details(
        "Pick lists: what to pull now, what to have at hand",
        "kit_lines",
        lambda: layout.table(lines, name="kit_lines", says="The parts of every kit", columns=picks),
    )


def dead_stock(dead: pd.DataFrame) -> None:
    layout.section(f"Dead stock ({number(dead['money'].sum())})")
    columns = {
        "money": layout.money("Money"),
        "needed": layout.count("Ever needed"),
        "dead": layout.count("Beyond it"),
    }
    layout.table(dead, name="dead_stock", says="What nothing foreseeable needs", columns=columns)


def late(overdue: pd.DataFrame) -> None:
    layout.section(f"Orders that should have come ({len(overdue)})")
    layout.table(overdue, name="overdue", says="Orders that are late", columns=dates(overdue))


def every_line(rows: pd.DataFrame) -> None:
    layout.details(
        "Every shelf line, ordered or not",
        "order_all",
        lambda: layout.table(rows, name="order_all", says="Every shelf line", columns=order_columns()),
    )


def _bounds(name: str) -> dict[str, object]:
    return {f"{name}_lower": layout.share("at least"), f"{name}_upper": layout.share("at most")}


def _sentence(text: object) -> str:
    return text if isinstance(text, str) else ""


def order_columns() -> dict[str, object]:
    return {
        "part": st.column_config.TextColumn("Part", pinned=True),
        "name": "Name",
        "site": "Shelf",
        "order_now": layout.count("Order now"),
        "order_cost": layout.money("Cost"),
        "reason": st.column_config.TextColumn("Why", width="medium"),
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
    shown = layout.filtered(lines.assign(name=lines["part"].map(titles)), "order_lines")
    st.session_state["order_parts"] = list(shown["part"])
    told = layout.shown(shown, order_columns())
    order = [
        "part", "order_now", "name", "reason", "order_cost", "site", "on_hand", "on_order", "lead_time_mean",
        "lead_time_q95", "reorder_point", "order_up_to", "lead_time_days", "held_jobs_avoided",
    ]  # fmt: skip
    st.dataframe(
        **told,
        hide_index=True,
        column_order=order,
        on_select=open_picked,
        selection_mode="single-row",
        key="order_lines",
        width="stretch",
        alt="The lines to order today with their reasons",
    )
    paper.table(told, order)


def open_picked() -> None:
    """A click on a line of the order opens its part."""
    rows = st.session_state["order_lines"]["selection"]["rows"]
    if rows:
        st.session_state["part"] = st.session_state["order_parts"][rows[0]]


def desk(path: str, version: str) -> None:
    if part_view.asked(cached.catalog(path, version)):
        part_view.show(path, version)
    else:
        show_order(path, version)


layout.page(desk)
