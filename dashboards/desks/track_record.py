"""Track record: how the forecast did on this shop's own past, what it rests on, and where it can't be trusted."""

from __future__ import annotations

import cached
import lasting
import layout
import numpy as np
import pandas as pd
import streamlit as st
import views
import working
from layout import Ticket

from rebuildstats.figures import life as life_pictures
from rebuildstats.figures import record as pictures
from rebuildstats.figures.palette import number, percent, span
from rebuildstats.kept_answers.shelf import NotReadyError

PROMISE = 0.9  # of the months inside the range
DESK = "Track record · can I trust it?"


def past(path: str, version: str) -> None:
    """How each method did on the shop's own past; worked out when somebody looks, for it takes minutes."""
    try:
        backtest = cached.backtest(path, version)
    except NotReadyError as missing:
        layout.headline(
            DESK,
            "Not looked back yet on this shop’s own past.",
            "Every forecast is made anew from what was known then and set against what came. It takes some minutes, "
            "once a history; every page can be used meanwhile.",
        )
        working.offer(path, version, missing, "Look back now")
        return
    table = pictures.by_method(backtest)
    best = table.iloc[0]
    held = percent(best["coverage_90"])
    few = best["coverage_upper"] < PROMISE
    answer = f"{'With care' if few else 'Yes'}: {held} of past months fell inside the 90 % range."
    why = pictures.closest(table) + (" Its ranges held too seldom." if few else "")
    layout.headline(DESK, answer, why)
    doubtful = pictures.not_trusted(backtest)
    layout.tickets(
        [
            Ticket(
                percent(best["coverage_90"]),
                "of past months fell inside the 90 % range",
                f"90 % is the promise; {number(best['forecasts'])} forecasts of {number(best['parts'])} parts "
                f"say {span(best['coverage_lower'], best['coverage_upper'], percent)} (90 % interval)",
            ),
            Ticket(
                str(len(doubtful)),
                "parts it can’t be trusted for",
                "their ranges held too seldom, or a plain average did better",
                len(doubtful) > 0,
            ),
        ]
    )
    now = layout.look()
    left, right = st.columns(2, gap="large")
    with left:
        layout.section("How far off each method was")
        st.caption("croston, sba and tsb are methods for parts that are asked for seldom.")
        layout.chart(
            cached.drawn(path, version, "losses", (), now.name, lambda: pictures.losses(backtest, look=now)),
            says="Each method’s loss over a moving average’s, least first, with 90 % intervals",
        )
    with right:
        layout.section("Did the ranges hold?")
        layout.chart(
            cached.drawn(path, version, "coverage", (), now.name, lambda: pictures.coverage(backtest, look=now)),
            says="Coverage of each method’s 90 % ranges",
        )
    if len(doubtful):
        layout.section("Not to be trusted yet")
        shares = {
            "coverage_90": layout.share("Held"),
            "coverage_lower": layout.share("at least"),
            "coverage_upper": layout.share("at most"),
        }
        layout.table(doubtful, name="not_trusted", says="Parts whose forecast can’t be trusted and why", columns=shares)
    columns = {
        "origin": st.column_config.DateColumn("As known on", format="YYYY-MM-DD"),
        "coverage_90": layout.share("held"),
        "gain": layout.share("saved of the best series’ loss"),
    }
    layout.details(
        "Every part, method and origin",
        "backtest",
        lambda: layout.table(backtest, name="backtest", says="The whole backtest", columns=columns),
    )


def evidence(path: str, version: str) -> None:
    layout.section("What the fits rest on")
    life = cached.life(path, version)
    names = cached.catalog(path, version)
    one, two = st.columns(2)
    with one:
        family = st.selectbox("Family", names.families, key="family", bind="query-params")
    mine = life[life["family"] == family]
    layout.adopt("component", mine["component"])
    with two:
        component = st.selectbox(
            "Component",
            list(mine["component"]),
            format_func=lambda c: names.component_name(str(family), c),
            key="component",
            bind="query-params",
        )
    left, right = st.columns(2, gap="large")
    with left:
        st.markdown("**Failures on record, fewest first**")
        now = layout.look()
        picture = cached.drawn(
            path, version, "evidence", (family,), now.name, lambda: pictures.evidence(mine, look=now)
        )
        layout.chart(picture, says="Failures behind each component’s fitted life")
    with right:
        if component is not None:
            paper(path, version, str(family), str(component), names.distance)


def paper(path: str, version: str, family: str, component: str, distance: str) -> None:
    fit = cached.life_fit(path, version, family, component)
    steps = cached.steps(path, version, family, component)
    oldest = float(steps["age"].max()) if len(steps) else 0.0
    if pd.notna(getattr(fit, "median", np.nan)):
        oldest = max(oldest, float(fit.median))
    st.markdown(f"**{component}: fitted against counted**")
    ages = np.geomspace(max(oldest, 1.0) / 20, max(oldest, 1.0) * 1.3, 60)
    now = layout.look()
    layout.chart(
        cached.drawn(
            path,
            version,
            "probability plot",
            (family, component),
            now.name,
            lambda: life_pictures.probability_plot(
                life_pictures.chance_curve(fit, ages),
                steps,
                distribution=str(getattr(fit, "distribution", "weibull")),
                distance=distance,
                look=now,
            ),
        ),
        says=f"Probability plot of {component} with its 90 % band and the plain estimate",
    )
    for note in getattr(fit, "notes", ()):
        st.caption(f"{layout.written(note)}.")
    lasting.trust(path, version, family, component)


def limits(path: str, version: str) -> None:
    """When inspection points reach their limits, and whether that agrees with the lives."""
    layout.details(
        "When inspection points reach their limits", "points", lambda: layout.guarded(_limits, path, version)
    )


def _limits(path: str, version: str) -> None:
    answer = cached.answer(path, version, "points")
    views.said(answer.notes, "points")
    rows = views.named(answer.frame(), cached.catalog(path, version))
    layout.table(rows, name="points", says="Wear of every inspection point", columns=views.usual(rows))


def desk(path: str, version: str) -> None:
    first = st.container()  # what the fits rest on is there at once; looking back may take a minute
    layout.guarded(evidence, path, version)
    layout.guarded(limits, path, version)
    with first:
        layout.guarded(past, path, version)


layout.page(desk)
