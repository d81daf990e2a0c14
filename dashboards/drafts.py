"""Drafts of the form that writes a teardown down: kept beside the session, for a tablet that slept."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cached
import pandas as pd
import streamlit as st

from rebuildstats.history.past import StoredJob, stored_job

FORM_KEYS = (
    "opened_",
    "job_",
    "mileage_",
    "complaint_",
    "reason_",
    "scope_",
    "place_",
    "action_",
    "role_",
    "part_",
    "q_",
    "reading_",
    "verdict_",
    "touched_",
    "seen_",
    "why_",
)
_SAYS = ("reading", "verdict", "action", "condition", "role", "part")  # a finding with none of these says nothing


@dataclass
class Draft:
    """One unit's teardown as written so far. found: (component, position, point) -> column -> value.

    stored: the job being corrected, as it stood in the store at `version` of its history; None for a new teardown.
    first: what the form said when it was first drawn, to tell whether anything was written since.
    """

    head: dict[str, Any] = field(default_factory=dict)
    found: dict[tuple[str, int, str], dict[str, Any]] = field(default_factory=dict)
    at: int = 0
    stored: StoredJob | None = None
    version: str = ""
    first: tuple[dict[str, Any], list[dict[str, Any]]] | None = None


@st.cache_resource(max_entries=4)
def kept_drafts(path: str) -> dict[str, Draft]:
    """The drafts of one store by unit, kept as long as the dashboard runs."""
    del path
    return {}


def opened(stored: StoredJob, version: str = "") -> Draft:
    """The form as a stored teardown fills it. Columns that the form doesn't show are carried along as they are."""
    found = {}
    for row in stored.findings.to_dict("records"):
        kept = {str(c): None if pd.isna(v) else v for c, v in row.items()}
        place = (str(kept.pop("component")), int(kept.pop("position") or 1), str(kept.pop("point") or ""))
        kept.pop("job")
        found[place] = kept
    head = dict(stored.teardown)
    for column in ("opened_on", "closed_on", "waiting_from", "waiting_until"):
        head[column] = None if head.get(column) is None else pd.Timestamp(head[column]).date()
    return Draft(head=head, found=found, stored=stored, version=version)


def draft_of(path: str, unit: str, job: str | None) -> tuple[str, Draft]:
    """The draft of a new teardown of this unit, or of a correction of a stored one; and the key of its widgets."""
    key = unit if job is None else f"{unit}@{job}"
    kept, version = kept_drafts(path), cached.version(path)
    draft, drawn_here = kept.get(key), f"mileage_{key}" in st.session_state
    if draft is not None and draft.stored is not None and draft.version != version and not drawn_here:
        if changed_meanwhile(path, draft.stored) and draft.first in (None, _said(draft)):
            forget(path, key)  # nothing was written in it: it opens as the store has it now
        draft.version = version
    if key not in kept:
        kept[key] = Draft() if job is None else opened(stored_job(path, job), version)
    return key, kept[key]


def drawn(draft: Draft) -> None:
    """The form stands on the page: what it says now is what it was opened with, if that was not noted before."""
    if draft.first is None:
        draft.first = _said(draft)


def _said(draft: Draft) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    return dict(draft.head), rows_of(draft)


def rows_of(draft: Draft) -> list[dict[str, Any]]:
    """The findings as rows of the contract; places at which nothing was written are left out."""
    rows = []
    for (component, position, point), kept in draft.found.items():
        if not any(kept.get(c) not in (None, "") for c in _SAYS):
            continue
        row = {"job": draft.head["job"], "component": component, "point": point or None, "position": position}
        for column in ("reading", "condition", "verdict", "action", "role", "part", "quantity"):
            value = kept.get(column)
            row[column] = None if value in (None, "") else value
        rows.append(row)
    return rows


def changed_meanwhile(path: str, opened: StoredJob | None) -> bool:
    """Whether the store has that teardown otherwise than it was opened."""
    if opened is None:
        return False
    now = stored_job(path, str(opened.teardown["job"]))
    return now.teardown != opened.teardown or not now.findings.equals(opened.findings)


def forget(path: str, key: str) -> None:
    """Start the form anew."""
    kept_drafts(path).pop(key, None)
    for key in [k for k in st.session_state if isinstance(k, str) and k.startswith(FORM_KEYS) and f"_{key}" in k]:
        del st.session_state[key]
