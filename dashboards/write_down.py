"""Writing down a teardown: step by step through the unit, large targets, limits beside every reading, one storing.
A stored one opens in the same form, to be corrected; what it said before stays on record with who and when.

What is written is kept as a draft beside the session, so that a tablet that slept finds it again. Nothing goes into the
store before the last button; then all of it goes in together, and can be taken back.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import drafts
import layout
import pandas as pd
import streamlit as st
import writing
from drafts import Draft
from layout import Ticket

from rebuildstats.figures.palette import number
from rebuildstats.history.past import StoredJob
from rebuildstats.reports.behind import Catalog

VERDICTS = {"ok": "OK", "fail": "Fail", "not_checked": "Not checked"}
ACTIONS = {"reuse": "Reuse", "dress": "Dress", "machine": "Machine", "replace": "Replace"}
ROLES = {"cause": "It is why the unit came", "wear": "Worn", "consequence": "Damaged by another"}
REASONS = {"failure": "Failure", "scheduled": "Scheduled", "comeback": "Comeback", "campaign": "Campaign"}
PASSED = "passed beyond the limit: "
SCOPES = {"rebuild": "Rebuild", "repair": "Repair in part"}


@dataclass(frozen=True)
class Place:
    """One component position of the unit with its points."""

    component: str
    name: str
    position: int
    positions: int
    safety: bool
    points: tuple[dict[str, Any], ...]
    parts: tuple[str, ...]

    @property
    def title(self) -> str:
        warn = "⚠ " if self.safety else ""
        return warn + self.name + (f" {self.position} of {self.positions}" if self.positions > 1 else "")


def places(names: Catalog, family: str) -> list[Place]:
    """Every component position of a family in the order of its design."""
    found = []
    uses = names.part_uses[names.part_uses["family"] == family]
    for _, row in names.components[names.components["family"] == family].iterrows():
        component = str(row["component"])
        mine = names.points[(names.points["family"] == family) & (names.points["component"] == component)]
        points = tuple(mine.to_dict("records")) or ({"point": "", "method": "sight"},)
        count = int(row["positions"]) if pd.notna(row["positions"]) else 1
        parts = tuple(uses.loc[uses["component"] == component, "part"])
        safety = bool(row["safety"]) if pd.notna(row["safety"]) else False
        name = names.component_name(family, component)
        found += [Place(component, name, k, count, safety, points, parts) for k in range(1, count + 1)]
    return found


def show(path: str, names: Catalog, family: str, unit: str, job: str | None = None) -> None:
    """The whole form for one unit: a new teardown, or with `job` a stored one to be corrected."""
    key, draft = drafts.draft_of(path, unit, job)
    all_places = places(names, family)
    top = st.container()  # filled last, when what was just written is known
    done = looked_at(draft)
    layout.cautions(names, family)
    head(draft, names, unit, key)
    draft.at = min(draft.at, len(all_places) - 1)
    chosen = st.selectbox(
        "Place",
        range(len(all_places)),
        index=draft.at,
        format_func=lambda i: (
            ("✓ " if (all_places[i].component, all_places[i].position) in done else "") + all_places[i].title
        ),
        key=f"place_{key}_{draft.at}",
    )
    draft.at = int(chosen)
    place(draft, all_places[draft.at], key, names)
    with st.container(horizontal=True):
        st.button("Back", icon=":material/arrow_back:", disabled=draft.at == 0, on_click=step, args=(draft, -1))
        last = draft.at == len(all_places) - 1
        st.button(
            "Next place", icon=":material/arrow_forward:", disabled=last, on_click=step, args=(draft, 1), type="primary"
        )
    with top:
        seen = f"{len(looked_at(draft))} of {len(all_places)} places looked at."
        if draft.stored is None:
            stays = "What is written stays here until it is stored, also when the tablet sleeps."
            layout.headline("Bench · write down a teardown", f"{unit}: {seen}", stays)
        else:
            layout.headline("Bench · correct a teardown", f"{job} of {unit}: {seen}", _written(draft.stored))
            changes(draft.stored)
    drafts.drawn(draft)
    summary(path, draft, unit, key)


def _written(stored: StoredJob) -> str:
    return (
        f"Written by {stored.written_by} on {stored.written_at:%d %b %Y, %H:%M} (UTC). "
        "What a correction replaces stays on record with who and when."
    )


def changes(stored: StoredJob) -> None:
    """What the teardown said before, who changed it and when."""
    if stored.changes.empty:
        return
    columns = {"at": st.column_config.DatetimeColumn("When (UTC)", format="YYYY-MM-DD HH:mm")}
    says = "What the teardown said before"
    layout.details(
        f"What it said before ({len(stored.changes)} changes)",
        "changes",
        lambda: layout.table(stored.changes, name="changes", says=says, columns=columns),
    )


def looked_at(draft: Draft) -> set[tuple[str, int]]:
    """The component positions of which something is written."""
    return {(c, k) for (c, k, _), row in draft.found.items() if row.get("verdict") or row.get("action")}


def step(draft: Draft, by: int) -> None:
    draft.at += by


def head(draft: Draft, names: Catalog, unit: str, key: str) -> None:
    """The teardown itself: when, why, how far. The job number of a stored one stays as it is."""
    row = names.units[names.units["unit"] == unit].iloc[0]
    kept = draft.head
    with st.container(border=True):
        one, two = st.columns(2)
        with one:
            opened = st.date_input("Opened on", value=kept.get("opened_on", date.today()), key=f"opened_{key}")
            job = st.text_input(
                "Job number",
                value=kept.get("job", f"{opened:%Y%m%d}-{unit}"),
                key=f"job_{key}",
                disabled=draft.stored is not None,
            )
        with two:
            mileage = st.number_input(
                f"Unit mileage ({names.distance})",
                min_value=0.0,
                value=kept.get("unit_mileage", float(row["mileage"]) if pd.notna(row["mileage"]) else None),
                step=1_000.0,
                format="%.0f",
                key=f"mileage_{key}",
            )
            complaint = st.selectbox(
                "Complaint",
                list(names.complaints),
                index=None,
                accept_new_options=True,
                placeholder=kept.get("complaint") or "As the driver said it",
                key=f"complaint_{key}",
            )
        one, two = st.columns([3, 2])
        with one:
            reason = st.segmented_control(
                "Why", list(REASONS), format_func=REASONS.get, default=kept.get("reason"), key=f"reason_{key}"
            )
        with two:
            scope = st.segmented_control(
                "How far",
                list(SCOPES),
                format_func=SCOPES.get,
                default=kept.get("scope", "rebuild"),
                key=f"scope_{key}",
            )
    draft.head = kept | {
        "job": job,
        "unit": unit,
        "opened_on": opened,
        "unit_mileage": mileage,
        "complaint": complaint or kept.get("complaint"),
        "reason": reason,
        "scope": scope,
    }
    if draft.stored is None:
        draft.head |= {name: row[name] if isinstance(row[name], str) else None for name in ("vehicle", "site")}


def beyond(reading: float | None, point: dict[str, Any]) -> bool:
    """Whether a reading lies beyond the point's limits."""
    if reading is None:
        return False
    low, high = point.get("low_limit"), point.get("high_limit")
    return bool((pd.notna(low) and reading < low) or (pd.notna(high) and reading > high))


def limit_words(point: dict[str, Any]) -> str:
    unit = point["reading_unit"] if isinstance(point.get("reading_unit"), str) else ""
    low, high, new = point.get("low_limit"), point.get("high_limit"), point.get("as_new")
    words = []
    if pd.notna(low):
        words.append(f"at least {low:g}")
    if pd.notna(high):
        words.append(f"at most {high:g}")
    said = f"Limit: {' and '.join(words)} {unit}".strip() if words else "No limit on record"
    return said + (f" · as new {new:g}" if pd.notna(new) else "")


def propose(reading_key: str, verdict_key: str, touched_key: str, point: dict[str, Any]) -> None:
    """A reading proposes a verdict, as long as nobody has chosen another."""
    if st.session_state.get(touched_key):
        return
    reading = st.session_state.get(reading_key)
    has_limit = pd.notna(point.get("low_limit")) or pd.notna(point.get("high_limit"))
    if reading is not None and has_limit:
        st.session_state[verdict_key] = "fail" if beyond(reading, point) else "ok"


def touch(key: str) -> None:
    st.session_state[key] = True


def place(draft: Draft, here: Place, unit: str, names: Catalog) -> None:
    """One component position: its points, then what was done about it."""
    with st.container(border=True):
        layout.section(here.title)
        for point in here.points:
            look(draft, here, point, unit)
        kept = draft.found.setdefault(_with_action(draft, here), {})
        tail = f"{unit}_{here.component}_{here.position}"
        action = st.segmented_control(
            "What was done", list(ACTIONS), format_func=ACTIONS.get, default=kept.get("action"), key=f"action_{tail}"
        )
        kept["action"] = action
        failed = any(
            row.get("verdict") == "fail"
            for (c, k, _), row in draft.found.items()
            if (c, k) == (here.component, here.position)
        )
        role = kept.get("role") or ("wear" if draft.stored is None else None)
        kept["role"] = None
        if failed:
            kept["role"] = st.segmented_control(
                "What it was",
                list(ROLES),
                format_func=ROLES.get,
                default=role,
                key=f"role_{tail}",
            )
        fitted(kept, here, tail, names)


def fitted(kept: dict[str, Any], here: Place, tail: str, names: Catalog) -> None:
    """The part that went in, and how many."""
    part, pieces = kept.get("part"), kept.get("quantity")
    kept["part"] = kept["quantity"] = None
    choices = [*here.parts, *([part] if part and part not in here.parts else [])]
    if kept["action"] not in ("replace", "machine") or not choices:
        return
    one, two = st.columns(2)
    with one:
        at = choices.index(part) if part else 0
        kept["part"] = st.selectbox("Part fitted", choices, index=at, format_func=names.part_name, key=f"part_{tail}")
    with two:
        kept["quantity"] = st.number_input(
            "Pieces", min_value=0.0, value=float(pieces or 1.0), step=1.0, format="%.0f", key=f"q_{tail}"
        )


def _with_action(draft: Draft, here: Place) -> tuple[str, int, str]:
    """The finding of a place that says what was done there: the one that says so already, else its first point."""
    mine = [(here.component, here.position, str(point["point"])) for point in here.points]
    return next((place for place in mine if draft.found.get(place, {}).get("action")), mine[0])


def look(draft: Draft, here: Place, point: dict[str, Any], unit: str) -> None:
    """One point: the reading with its limit, the verdict, and the reason where a limit is overruled."""
    name = str(point["point"])
    kept = draft.found.setdefault((here.component, here.position, name), {})
    tail = f"{unit}_{here.component}_{here.position}_{name}"
    keys = f"reading_{tail}", f"verdict_{tail}", f"touched_{tail}"
    if keys[1] not in st.session_state:
        st.session_state[keys[1]] = kept.get("verdict")
    reading = None
    unit_words = f" ({point['reading_unit']})" if isinstance(point.get("reading_unit"), str) else ""
    one, two = st.columns([2, 3], vertical_alignment="top")
    with one:
        if point.get("method") in ("gauge", "count"):
            reading = st.number_input(
                f"{name or here.name}{unit_words}",
                value=kept.get("reading"),
                step=1.0 if point["method"] == "count" else 0.01,
                format="%.0f" if point["method"] == "count" else "%g",  # as written, not rounded to the step
                placeholder="Reading",
                help=limit_words(point),
                on_change=propose,
                args=(*keys, point),
                key=keys[0],
            )
            st.caption(limit_words(point))
        else:
            kept["condition"] = st.text_input(
                f"{name or here.name}: what is seen or felt", value=kept.get("condition") or "", key=f"seen_{tail}"
            )
    with two:
        verdict = st.segmented_control(
            f"Verdict on {name or here.name}",
            list(VERDICTS),
            format_func=VERDICTS.get,
            key=keys[1],
            on_change=touch,
            args=(keys[2],),
            width="stretch",
        )
    kept["reading"], kept["verdict"] = reading, verdict
    kept.pop("open", None)
    if beyond(reading, point):
        overruled(kept, here, point, verdict, tail)


def overruled(kept: dict[str, Any], here: Place, point: dict[str, Any], verdict: str | None, tail: str) -> None:
    """A reading beyond the limit: said plainly; to pass it all the same takes a reason, kept with the finding."""
    if verdict != "ok":
        st.warning(f"Beyond the limit. {limit_words(point)}.", icon=":material/warning:")
        return
    if here.safety:
        st.error(
            "Its failure can hurt someone. The maker’s limit, local codes and licensed practice decide, not this page.",
            icon=":material/warning:",
        )
    why = st.text_input("Beyond the limit, yet passed: why?", value=_why(kept), key=f"why_{tail}")
    kept["why"] = why
    kept["condition"] = f"{PASSED}{why}" if why else None
    kept["open"] = not why.strip()


def _why(kept: dict[str, Any]) -> str:
    """The reason given so far, in this draft or in what is stored."""
    said = str(kept.get("condition") or "")
    return str(kept.get("why") or (said.removeprefix(PASSED) if said.startswith(PASSED) else ""))


def summary(path: str, draft: Draft, unit: str, key: str) -> None:
    """What will be stored, and the button that stores it."""
    rows = drafts.rows_of(draft)
    waiting = [f"{c.replace('_', ' ')} {p}" for (c, _, p), kept in draft.found.items() if kept.get("open")]
    fails = sum(row["verdict"] == "fail" for row in rows)
    layout.tickets(
        [
            Ticket(number(len(rows)), "findings written"),
            Ticket(number(fails), "of them failed", "", fails > 0),
            Ticket(number(len(waiting)), "need a reason first", ", ".join(waiting), True)
            if waiting
            else Ticket("0", "need a reason first"),
        ]
    )
    so_far = "Everything written so far"
    layout.details(
        so_far, "written", lambda: st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch", alt=so_far)
    )
    ready = bool(rows) and not waiting and bool(draft.head.get("job"))
    words = "Store this teardown" if draft.stored is None else "Store the correction"
    if st.button(words, type="primary", icon=":material/save:", disabled=not ready, key="store_teardown"):
        store(path, draft, rows, unit, key)
    if draft.stored is not None and st.button("Leave it as it was", icon=":material/undo:", key="leave_as_it_was"):
        drafts.forget(path, key)
        st.session_state["_leave_job"] = True
        st.rerun()
    if draft.stored is not None:
        take_out(path, str(draft.stored.teardown["job"]), unit, key)


def take_out(path: str, job: str, unit: str, key: str) -> None:
    """A teardown that should not be there at all."""
    with st.popover("It should not be there", icon=":material/delete:"):
        st.write(f"{job} with its findings and issued parts leaves the history; it stays in the rows of the past.")
        if st.button("Take it out", type="primary", key="take_out"):
            writing.withdraw(path, job)
            drafts.forget(path, key)
            st.session_state["_leave_job"] = True
            st.session_state["stored"] = (unit, job, 0)
            st.rerun()


def store(path: str, draft: Draft, rows: list[dict[str, Any]], unit: str, key: str) -> None:
    """One storing of all of it; what a rule refuses is shown and nothing is stored."""
    if draft.stored is not None and drafts.changed_meanwhile(path, draft.stored):
        st.error("Somebody else has changed this teardown meanwhile. Leave it as it was, then open it again.")
        return
    report = writing.store_teardown(path, draft.head, rows)
    if report.load is None and len(report.rejects):
        st.error("Not stored; correct this first.", icon=":material/error:")
        shown = report.rejects[["table", "column", "value", "reason"]]
        st.dataframe(shown, hide_index=True, width="stretch", alt="Why it was not stored")
        return
    st.session_state["stored"] = (unit, draft.head["job"], len(rows))
    drafts.forget(path, key)
    st.session_state["_leave_job"] = True
    st.rerun()


def stored_note(path: str) -> None:
    """What was stored last in this session, with the way back."""
    kept = st.session_state.get("stored")
    if not kept:
        return
    unit, job, count = kept
    with st.container(horizontal=True, vertical_alignment="center"):
        done = f"Stored: {job} of {unit}, {count} findings." if count else f"Taken out: {job} of {unit}."
        st.success(f"{done} Every page now reckons with it.")
        if st.button("Take it back", icon=":material/undo:", key="take_back"):
            writing.undo(path)
            del st.session_state["stored"]
            st.rerun()
