"""The bench: what usually wears in the unit that stands here, what to read, what to pull, the sheet to print."""

from __future__ import annotations

import access
import cached
import layout
import numpy as np
import pandas as pd
import streamlit as st
import views
import write_down
from layout import Ticket
from part_view import dates

from rebuildstats.figures import wear as pictures
from rebuildstats.figures.palette import number, percent
from rebuildstats.reports import behind, sentences
from rebuildstats.reports.behind import Catalog

DESK = "Bench · what to look at"
MOST_DRAWN = 1_500  # readings in one picture
DOING = {"look": "Look up", "write": "Write down a teardown"}


def choose(names: Catalog) -> tuple[str, float, str | None, str | None]:
    """Unit, or family and distance, and the complaint; all in the address."""
    known = names.units[names.units["unit"] == layout.asked("unit")]
    age = float(known["age"].iloc[0]) if len(known) else np.nan
    one, two, three, four = (
        st.columns([3, 2, 2, 3]) if not np.isfinite(age) else (*st.columns([3, 3, 1])[:2], None, None)
    )
    with one:
        unit = st.selectbox(
            "Unit (serial number)",
            list(names.units["unit"]),
            index=None,
            placeholder="Type a part of the serial",
            key="unit",
            bind="query-params",
        )
    with two if np.isfinite(age) else four:
        complaint = st.selectbox(
            "Complaint",
            list(names.complaints),
            index=None,
            placeholder="None",
            key="complaint",
            bind="query-params",
        )
    if unit is not None and np.isfinite(age):
        return str(known["family"].iloc[0]), age, unit, complaint
    with two:
        family = st.selectbox("or family", names.families, key="family", bind="query-params", disabled=unit is not None)
    with three:
        mileage = st.number_input(
            f"since last rebuild ({names.distance})",
            min_value=0.0,
            value=typical_age(names, family),
            step=5_000.0,
            format="%.0f",
            key="mileage",
            bind="query-params",
        )
    return str(known["family"].iloc[0] if unit else family), float(mileage), unit, complaint


def typical_age(names: Catalog, family: str | None) -> float:
    """A round distance at which this family's units usually come to the bench, to start from."""
    return float(np.round(names.typical_age.get(str(family), 100_000.0), -3))


def look_up(path: str, version: str) -> None:
    names = cached.catalog(path, version)
    if not names.families:
        layout.headline(DESK, "No family is known yet.", "Bring in units and components on the page Data in.")
        return
    family, mileage, unit, complaint = choose(names)
    wear = cached.wear(path, version, family, mileage=mileage, unit=unit, complaint=complaint)
    subject = f"{unit} ({family})" if unit else f"Family {family}"
    far = f"{number(mileage)} {names.distance}"
    ranked = wear.dropna(subset=["chance_bad"]).drop_duplicates("component")
    ranked = ranked.sort_values("chance_bad", ascending=False)
    first = ranked[ranked["chance_bad"] >= 0.2].head(3)
    why = f"Ranked by what “{complaint}” came from before. " if complaint else ""
    if first.empty:
        most = ranked.head(1)
        why += "".join(
            f"Likeliest is {names.component_name(family, r['component'])}, {percent(r['chance_bad'])}. "
            for _, r in most.iterrows()
        )
        answer = f"{subject} at {far}: nothing is likely bad yet."
        why += "Look at every point all the same."
    else:
        likely = ", ".join(names.component_name(family, c) for c in first["component"])
        answer = f"{subject} at {far}: look first at {likely}."
    layout.headline(DESK, answer, why.strip())
    points = names.points
    layout.cautions(names, family)
    safety = names.safety(family)
    layout.tickets(_tickets(first, family, names, safety))

    left, right = st.columns([3, 2], gap="large")
    with left:
        layout.section("Chance of being found bad")
        words = {str(r["point"]): views.place_words(names, r) for _, r in points[points["family"] == family].iterrows()}
        words |= {c: names.component_name(family, c) for c in names.components["component"]}
        now = layout.look()
        layout.chart(
            cached.drawn(
                path,
                version,
                "chances",
                (family, mileage, unit, complaint),
                now.name,
                lambda: pictures.chance_bars(wear, safety=safety, names=words, look=now),
            ),
            says=f"Chance of each component of {subject} being found bad at {far}, with 90 % intervals",
        )
        if safety:
            st.caption("⚠ and hatching: its failure can hurt someone.")
    with right:
        pull(wear, names)
        sheets(path, version, family, mileage, unit)
    limits(path, version, family, mileage, names)
    name = f"wear_{unit or family}"
    layout.details(
        "Every point with its chance, readings to expect and limits",
        "wear",
        lambda: layout.table(wear, name=name, says="Every point of the family", columns=wear_columns()),
    )
    if unit:
        past_of(path, version, unit)
    layout.closing()


def _tickets(first: pd.DataFrame, family: str, names: Catalog, safety: list[str]) -> list[Ticket]:
    items = []
    for _, row in first.iterrows():
        limit = _limit(row)
        span = f"{percent(row['chance_lower'])} to {percent(row['chance_upper'])}"
        items.append(
            Ticket(
                percent(row["chance_bad"]),
                names.component_name(family, row["component"]),
                f"90 % interval {span}, {row['events']:,.0f} failed of {row['lives']:,.0f} lives seen"
                + (f"; limit {limit}" if limit else ""),
                row["component"] in safety,
            )
        )
    return items


def _limit(row: pd.Series) -> str:
    low, high = row["low_limit"], row["high_limit"]
    if pd.notna(low) and pd.notna(high):
        return f"{low:g} to {high:g}"
    if pd.notna(low):
        return f"at least {low:g}"
    return f"at most {high:g}" if pd.notna(high) else ""


def wear_columns() -> dict[str, object]:
    chances = {"chance_bad": "Found bad", "chance_lower": "at least", "chance_upper": "at most"}
    readings = {"reading_q10": "Reading 10 %", "reading_q50": "middle", "reading_q90": "90 %"}
    return {n: layout.share(label) for n, label in chances.items()} | {
        n: st.column_config.NumberColumn(label, format="%.3f") for n, label in readings.items()
    }


def pull(wear: pd.DataFrame, names: Catalog) -> None:
    layout.section("Parts to pull")
    rows = sentences.parts_to_pull(wear)
    if not rows:
        st.write("None is more likely needed than not. See the chances.")
        return
    frame = pd.DataFrame(rows, columns=["part", "quantity"])
    frame.insert(1, "name", [names.part_name(p).removeprefix(p).strip() for p in frame["part"]])
    layout.table(frame, name="parts_to_pull", says="Parts to pull before opening the unit")


def sheets(path: str, version: str, family: str, mileage: float, unit: str | None) -> None:
    with st.container(key="sheets"):
        _sheets(path, version, family, mileage, unit)


def _sheets(path: str, version: str, family: str, mileage: float, unit: str | None) -> None:
    layout.section("Sheet to print")
    st.caption("Every point of the family, cautions first, a blank box beside every limit.")
    with st.container(horizontal=True):
        for ending, mime, label in (("pdf", "application/pdf", "Sheet as PDF"), ("html", "text/html", "Sheet as page")):
            st.download_button(
                label,
                lambda ending=ending: cached.sheet(path, version, family, mileage, unit, ending),
                file_name=f"sheet_{unit or family}.{ending}",
                mime=mime,
                icon=":material/print:",
                key=f"sheet_{ending}",
                on_click="ignore",
            )


def limits(path: str, version: str, family: str, mileage: float, names: Catalog) -> None:
    """One gauge point: what others read there, the limit, when it is reached."""
    mine = names.points[(names.points["family"] == family) & names.points["method"].eq("gauge").fillna(False)]
    if mine.empty:
        return
    layout.section("What others read there")
    labels = {str(r["point"]): views.place_words(names, r) for _, r in mine.iterrows()}
    layout.adopt("point", labels)
    point = st.selectbox("Point", list(labels), format_func=labels.get, key="point", bind="query-params")
    row = mine[mine["point"] == point].iloc[0]
    readings = cached.readings(path, version, family, str(point))
    fit = cached.point_fit(path, version, family, str(point))
    oldest = np.nanmax([mileage * 1.2, readings["age"].max() if len(readings) else 0.0, 1.0])
    now = layout.look()
    layout.chart(
        cached.drawn(
            path,
            version,
            "readings",
            (family, point, mileage),
            now.name,
            lambda: pictures.readings_by_age(
                behind.thinned(readings.dropna(subset=["age"]), MOST_DRAWN),
                pictures.reading_bands(fit, np.linspace(0, oldest, 60)),
                distance=names.distance,
                reading_unit=str(row["reading_unit"]) if pd.notna(row["reading_unit"]) else "",
                low_limit=row["low_limit"] if pd.notna(row["low_limit"]) else None,
                high_limit=row["high_limit"] if pd.notna(row["high_limit"]) else None,
                crossings=pictures.limit_ages(fit),
                at_age=mileage,
                look=now,
            ),
        ),
        says=f"Readings of {labels[str(point)]} against age with the limit",
    )
    if len(readings) > MOST_DRAWN:
        st.caption(f"{MOST_DRAWN:,} of {len(readings):,} readings are drawn, evenly over the years.")
    name = f"readings_{point}"
    layout.details(
        f"The {len(readings):,} readings",
        "readings",
        lambda: layout.table(readings, name=name, says="The readings of this point", columns=dates(readings)),
    )


def past_of(path: str, version: str, unit: str) -> None:
    rows = cached.unit_teardowns(path, version, unit)
    layout.section(f"This unit’s teardowns ({len(rows)})")
    if access.may_write() and len(rows):
        st.button("Correct one of them", icon=":material/edit:", on_click=_to_the_form, key="to_correct")
    layout.table(rows, name=f"teardowns_{unit}", says="The teardowns of this unit", columns=dates(rows))


def _to_the_form() -> None:
    st.session_state["do"] = "write"


def write(path: str, version: str) -> None:
    """The form of the unit on the bench."""
    names = cached.catalog(path, version)
    write_down.stored_note(path)
    unit = st.selectbox(
        "Unit (serial number)",
        list(names.units["unit"]),
        index=None,
        placeholder="Type a part of the serial",
        key="unit",
        bind="query-params",
    )
    if unit is None:
        layout.headline(
            "Bench · write down a teardown",
            "Which unit is on the bench?",
            "Choose its serial number; the form then follows the points of its family.",
        )
        return
    family = str(names.units.loc[names.units["unit"] == unit, "family"].iloc[0])
    write_down.show(path, names, family, unit, stored(path, version, unit))


def stored(path: str, version: str, unit: str) -> str | None:
    """The stored teardown of this unit that is to be corrected, in the address; None: a new one is written down."""
    jobs = list(cached.unit_teardowns(path, version, unit)["job"])
    layout.adopt("job", jobs)
    if st.session_state.pop("_leave_job", False) or st.session_state.get("job") not in (None, *jobs):
        st.session_state["job"] = None  # done with it, or it is of the unit chosen before
    job: str | None = st.selectbox(
        "Correct a stored teardown",
        jobs,
        index=None,
        placeholder="No, write down a new one",
        key="job",
        bind="query-params",
    )
    return job


def desk(path: str, version: str) -> None:
    if not access.may_write():
        look_up(path, version)
        return
    layout.adopt("do", DOING)
    doing = st.segmented_control(
        "What are you doing?",
        list(DOING),
        format_func=DOING.get,
        default="look",
        key="do",
        bind="query-params",
        label_visibility="collapsed",
    )
    if doing == "write":
        write(path, version)
    else:
        look_up(path, version)


layout.page(desk)
