"""How long things last: makes side by side, failure rates, what fails young, how far a fit can be trusted."""

from __future__ import annotations

import cached
import layout
import pandas as pd
import streamlit as st
import views

from rebuildstats import commands
from rebuildstats.errors import NothingToComputeError
from rebuildstats.figures.life import side_by_side
from rebuildstats.reports.lasting_sentences import early, early_sentence, make_sentence

TOPICS = {"makes": "Makes side by side", "rates": "How often it fails", "young": "Fails when young"}
RATES_BY = {"duty": "duty", "site": "site", "part": "make", "first_life": "first life or later"}


def _makes(path: str, version: str) -> commands.Answer:
    return cached.answer(path, version, "makes")


def _rates(path: str, version: str, family: str, by: str | None) -> commands.Answer:
    return cached.answer(path, version, "rates", family=family, by=by)


def _doubts(path: str, version: str, family: str) -> pd.DataFrame:
    return _of(cached.answer(path, version, "doubts").frame(), family)


def _rivals(path: str, version: str, family: str) -> pd.DataFrame:
    return _of(cached.answer(path, version, "rivals").frame(), family)


def _of(rows: pd.DataFrame, family: str) -> pd.DataFrame:
    return rows[rows["family"] == family].reset_index(drop=True)


def show(path: str, version: str) -> None:
    layout.section("How long it lasts")
    hint = "Choose what to look at: which make is worth its price, failures per distance, what fails young."
    views.one_topic(TOPICS, SECTIONS, path, version, key="lasting", hint=hint)


def makes(path: str, version: str) -> None:
    answer = _makes(path, version)
    views.said(answer.notes, "makes")
    rows = answer.frame()
    if len(rows):
        places = list(dict.fromkeys(zip(rows["family"], rows["component"], strict=True)))
        place = st.selectbox("Component", places, format_func=" · ".join, key="makes_of", bind="query-params")
        one = rows[(rows["family"] == place[0]) & (rows["component"] == place[1])]
        _pictures(one, cached.catalog(path, version).distance)
        make_table(rows, "makes")


def _pictures(one: pd.DataFrame, distance: str) -> None:
    """Makes of one component: their B10, and what they cost per distance."""
    one = one.assign(label=one["part"], cost=one["cost_per_10000"])
    left, right = st.columns(2, gap="large")
    with left:
        layout.chart(
            side_by_side(one, distance=distance, look=layout.look()),
            says="B10 life of each make with its 90 % interval",
        )
    with right:
        priced = one[one["cost"].notna()]
        if priced.empty:
            st.write("No price is known of these: load `parts` with `unit_cost`.")
            return
        layout.chart(
            side_by_side(
                priced,
                distance=f"money per 10,000 {distance}",
                what="cost of the part",
                value="cost",
                digits=2,
                look=layout.look(),
            ),
            says="Cost of each make per 10,000 of distance with its 90 % interval",
        )


def make_table(rows: pd.DataFrame, name: str) -> None:
    whole = ("events", "lives", "exposure", "b10", "b10_lower", "b10_upper", "median", "median_lower", "median_upper")
    money = ("unit_cost", "cost_per_10000", "cost_lower", "cost_upper")
    columns = {n: layout.count(layout.written(n)) for n in whole} | {n: layout.money(layout.written(n)) for n in money}
    layout.table(rows, name=name, says="Makes of a part side by side", columns=columns)


def rates(path: str, version: str) -> None:
    left, right = st.columns(2)
    with left:
        family = views.family(path, version, "rates_family")
    with right:
        by = st.selectbox(
            "Set apart by",
            list(RATES_BY),
            format_func=RATES_BY.get,
            index=None,
            placeholder="All together",
            key="rates_by",
            bind="query-params",
        )
    if family is None:
        return
    answer = _rates(path, version, family, by)
    views.said(answer.notes, "rates")
    columns = {n: layout.count(layout.written(n)) for n in ("exposure", "mean_distance", "mean_lower", "mean_upper")}
    columns |= {
        "rate": st.column_config.NumberColumn("Per 100,000", format="%.3f", help="Failures per 100,000 of distance"),
        "rate_lower": st.column_config.NumberColumn("at least", format="%.3f"),
        "rate_upper": st.column_config.NumberColumn("at most", format="%.3f"),
    }
    layout.table(answer.frame(), name="rates", says="Failures per 100,000 with exact bounds", columns=columns)


def young(path: str, version: str) -> None:
    """Components that fail more in the first tenth of life than wear gives: fitting or parts."""
    family = views.family(path, version, "young_family")
    if family is None:
        return
    rows = _doubts(path, version, family)
    found = early(rows)
    if found.empty:
        st.write(f"None of {len(rows)} components with failures fails more in the first tenth of life than wear gives.")
        return
    views.said([early_sentence(row) for row in found.to_dict("records")], "young")


def trust(path: str, version: str, family: str, component: str) -> None:
    """Beside a component's probability plot: does the curve fit, who else was in the running, what would move it."""
    doubts = _doubts(path, version, family)
    for row in doubts[doubts["component"] == component].to_dict("records"):
        st.markdown(f"**Does it fit?** {layout.written(row['statement'])}.")
        st.markdown(
            f"**Were 2 % of the verdicts wrong:** B10, the age that one in ten doesn’t reach, would be "
            f"{row['b10_if_missed_fails']:,.0f} (failed ones passed) or {row['b10_if_false_fails']:,.0f} (good ones "
            f"failed) instead of {row['b10']:,.0f} (90 % interval {row['b10_lower']:,.0f} to {row['b10_upper']:,.0f}, "
            f"{row['events']:,.0f} failures in {row['lives']:,.0f} lives)."
        )
        if row["early_signal"]:
            st.markdown(f"**Fails young:** {early_sentence(row)}")
    rivals = _rivals(path, version, family)
    mine = rivals[rivals["component"] == component]
    if len(mine):
        st.markdown("**Other distributions and their B10**")
        st.caption("Each is fitted to this component alone; the answer above leans on its group as well.")
        ages = ("b10", "b10_lower", "b10_upper", "median", "scale")
        columns = {n: layout.count(layout.written(n)) for n in ages} | {
            "share": layout.share("Share in the answer"),
            "b10": layout.count("B10"),
            "b10_lower": layout.count("at least"),
            "b10_upper": layout.count("at most"),
            "aicc": st.column_config.NumberColumn("AICc", format="%.1f", help="Less: fits better for its freedom"),
        }
        shown = ["distribution", "b10", "b10_lower", "b10_upper", "share", "aicc", "chosen", "interval"]
        layout.table(mine, name="rivals", says="Every distribution tried", columns=columns, order=shown)


def of_part(path: str, version: str, part: str) -> None:
    """Where a part has rivals of another make: which lasts longer, and is it worth its price."""
    try:
        rows = _makes(path, version).frame()
    except NothingToComputeError:
        return
    places = set(zip(*(rows.loc[rows["part"] == part, n] for n in ("family", "component")), strict=True))
    here = rows[[pair in places for pair in zip(rows["family"], rows["component"], strict=True)]]
    if here.empty:
        return
    layout.section("Beside other makes")
    distance = cached.catalog(path, version).distance
    compared = here[here["part"] != here["against"]]
    views.said([make_sentence(row, distance) for row in compared.to_dict("records")], "part_makes")
    make_table(here, f"makes_{part}")


SECTIONS = {"makes": makes, "rates": rates, "young": young}
