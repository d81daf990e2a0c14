"""What recurs, what is ruined beside it, which gauges drift, what fails by mileage: a section of the shop office."""

from __future__ import annotations

import cached
import layout
import streamlit as st
import views
from part_view import dates

from rebuildstats import commands
from rebuildstats.figures.recurrence import per_unit
from rebuildstats.fits.inspections import left_out, never_failing

TOPICS = {
    "units": "Units by mileage",
    "damage": "Ruined beside it",
    "drift": "Drifting gauges",
    "shares": "Fails by mileage",
    "hidden": "Left out, never failed",
}


def _recurrence(path: str, version: str, family: str, by: str | None) -> commands.Answer:
    return cached.answer(path, version, "recurrence", family=family, by=by)


def _damage(path: str, version: str) -> commands.Answer:
    return cached.answer(path, version, "damage")


def _drift(path: str, version: str) -> commands.Answer:
    return cached.answer(path, version, "drift")


def _shares(path: str, version: str, family: str | None) -> commands.Answer:
    return cached.answer(path, version, "shares", family=family)


def show(path: str, version: str) -> None:
    layout.section("Looked at another way")
    hint = "Choose what to look at: failures per unit, damage, gauges, shares of fails, what was left out."
    views.one_topic(TOPICS, SECTIONS, path, version, key="topic", hint=hint)


def units(path: str, version: str) -> None:
    left, right = st.columns(2)
    with left:
        family = views.family(path, version, "recurrence_family")
    with right:
        by = st.selectbox(
            "Set apart by",
            ["duty", "site", "origin"],
            index=None,
            placeholder="All together",
            key="recurrence_by",
            bind="query-params",
        )
    if family is None:
        return
    answer = _recurrence(path, version, family, by)
    found = answer.result
    rows = answer.frame()
    whole = rows[rows["component"] == ""]
    curves = [
        (str(r["group"]) or "all units", found.curves[family, "", r["group"]].frame()) for _, r in whole.iterrows()
    ]
    if by is not None:
        curves = curves[1:]
    layout.chart(
        per_unit(
            curves,
            what="failures a unit",
            distance=cached.catalog(path, version).distance,
            at=float(whole["mileage"].iloc[0]),
            look=layout.look(),
        ),
        says="Mean failures per unit by its mileage, with the 90 % band",
    )
    views.said(answer.notes, "recurrence_notes")
    says = "Failures per unit of every component, their cost and trend"
    layout.details("Every component", "recurrence", lambda: layout.table(rows, name="recurrence", says=says))


def damage(path: str, version: str) -> None:
    answer = _damage(path, version)
    views.said(answer.notes, "damage_notes")
    rows = views.named(answer.frame(), cached.catalog(path, version))
    layout.table(rows, name="damage", says="Which failure ruined which neighbour", columns=views.usual(rows))


def drift(path: str, version: str) -> None:
    answer = _drift(path, version)
    views.said(answer.notes, "drift_notes")
    rows = answer.frame()
    layout.table(rows, name="drift", says="Shifts of readings by gauge and site", columns=dates(rows))


def shares(path: str, version: str) -> None:
    rows = _shares(path, version, views.family(path, version, "shares_family")).frame()
    rows = views.named(rows, cached.catalog(path, version))
    layout.table(rows, name="fail_shares", says="Share of fails per point by mileage", columns=views.usual(rows))


def hidden(path: str, version: str) -> None:
    table = cached.inspections(path, version)
    out, never = left_out(table), never_failing(table)
    st.markdown(
        f"**{len(out)} points are left out of one look in five or more.** What may have gone back unseen stands beside "
        "each. A point that never failed is still worth its look: the bound says what the looks so far can't exclude."
    )
    columns = {"left_out_share": layout.share("left out")}
    layout.table(out, name="left_out", says="Points often left out and what that hides", columns=columns)
    layout.table(
        never, name="never_failed", says="Points that never failed", columns={"bound": layout.share("at most")}
    )


SECTIONS = {"units": units, "damage": damage, "drift": drift, "shares": shares, "hidden": hidden}
