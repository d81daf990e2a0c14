"""The only place of the dashboard that changes a store; every way goes past `access.need_write`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import access

from rebuildstats import commands
from rebuildstats.commands import Answer
from rebuildstats.history import corrections
from rebuildstats.history.load import LoadReport


def make_store(path: str, distance: str) -> None:
    access.need_write()
    commands.init(path, distance=distance)


def load(path: str, files: Sequence[Path], *, mapping: Path | None, rejects: Path, dry_run: bool) -> Answer:
    access.need_write()
    return commands.load(path, files, mapping=mapping, rejects=rejects, dry_run=dry_run, who=access.who())


def undo(path: str) -> str:
    """Undo the last load, form or withdrawal; says what was undone."""
    access.need_write()
    done = corrections.undo_last_load(path, access.who())
    return f"{done.what[0].upper()}{done.what[1:]}."


def store_teardown(path: str, teardown: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> LoadReport:
    access.need_write()
    return corrections.store_teardown(path, teardown, findings, access.who())


def withdraw(path: str, job: str) -> None:
    """Take a teardown out of the history; it stays in the rows of the past."""
    access.need_write()
    corrections.withdraw_teardown(path, job, access.who())


def join(path: str, kind: str, one: str, other: str, why: str) -> str:
    """Join two names; says what was done."""
    access.need_write()
    return " ".join(commands.join(path, kind, one, other, why=why, who=access.who()).notes)


def unjoin(path: str, kind: str, other: str, why: str) -> str:
    """Undo a join; says what was done."""
    access.need_write()
    return " ".join(commands.unjoin(path, kind, other, why=why, who=access.who()).notes)
