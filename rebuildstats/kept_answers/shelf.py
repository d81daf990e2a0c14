"""Where ready answers lie: a folder beside the store, one folder in it per history and program, a file per answer.

The folder's name is made from the store's history and this program's own code, the file's from the question and its
arguments: an answer of another history, another program or other arguments has another name and is never found. Whoever
deletes the folder loses time, nothing else. Readable by its owner only, as the store is.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from rebuildstats import errors
from rebuildstats.history.version import history_version
from rebuildstats.kept_answers import pack

ENDING = ".answers"
_KEPT_HISTORIES = 2  # the present one, and the one before it for a page that still reads it
_ROWS_AT_A_TIME = 50_000


class NotReadyError(Exception):  # never reaches a person: a page shows how far the work has come
    """This answer has not been worked out for this history yet."""

    def __init__(self, question: str, arguments: Mapping[str, Any]) -> None:
        super().__init__(question)
        self.question, self.arguments = question, dict(arguments)


@cache
def code_version() -> str:
    """A hash of this program's own text: an answer by another program is not used."""
    digest = hashlib.sha256()
    root = Path(errors.__file__).parent
    for file in sorted([*root.rglob("*.py"), *root.rglob("*.sql")]):
        digest.update(str(file.relative_to(root)).encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()


@dataclass(frozen=True, slots=True)
class Shelf:
    """The ready answers of one history."""

    store: Path
    version: str
    folder: Path

    @property
    def name(self) -> str:
        return self.folder.name

    def put(self, question: str, arguments: Mapping[str, Any], value: Any) -> None:
        """Keep an answer; one that is no answer (a `RebuildstatsError`) is kept too, and raised by `take`."""
        if isinstance(value, errors.RebuildstatsError):
            value = {"error": [type(value).__name__, str(value)]}
        pack.save(self.file(question, arguments), value)

    def take(self, question: str, arguments: Mapping[str, Any]) -> Any:
        """The kept answer. Raises NotReadyError where there is none, and the error that was kept in its place."""
        try:
            value = pack.load(self.file(question, arguments))
        except (FileNotFoundError, ValueError):
            raise NotReadyError(question, arguments) from None
        if isinstance(value, dict) and set(value) == {"error"}:
            name, words = value["error"]
            raise getattr(errors, name, errors.NothingToComputeError)(words)
        return value

    def has(self, question: str, arguments: Mapping[str, Any]) -> bool:
        return self.file(question, arguments).exists()

    def ready(self) -> int:
        """How many answers and tables are ready."""
        return sum(1 for file in self.folder.iterdir() if not file.name.startswith(".")) if self.folder.is_dir() else 0

    def put_rows(self, name: str, rows: pd.DataFrame, order: list[str] | None = None) -> None:
        """Keep a table of which parts can be read; `order` are the columns by which it will be asked."""
        rows = rows.sort_values(order, kind="stable") if order and len(rows) else rows
        draft = self.folder / f".{name}.{os.getpid()}.new"
        rows.to_parquet(draft, index=False, row_group_size=_ROWS_AT_A_TIME)
        os.replace(draft, self.folder / f"{name}.parquet")

    def rows(self, name: str, columns: list[str] | None = None, where: Mapping[str, str] | None = None) -> pd.DataFrame:
        """The rows of a kept table with these values. Raises NotReadyError where the table is not there."""
        file = self.folder / f"{name}.parquet"
        if not file.exists():
            raise NotReadyError("history", {})
        filters = [(column, "==", value) for column, value in (where or {}).items()] or None
        return pd.read_parquet(file, columns=columns, filters=filters)

    def has_rows(self, name: str) -> bool:
        return (self.folder / f"{name}.parquet").exists()

    def file(self, question: str, arguments: Mapping[str, Any]) -> Path:
        """Where the answer to a question with these arguments stands, or would."""
        if not arguments:
            return self.folder / f"{question}.zip"
        told = json.dumps(dict(arguments), sort_keys=True, default=str)
        return self.folder / f"{question}-{hashlib.sha256(told.encode()).hexdigest()[:16]}.zip"


def shelf(store: str | Path, version: str | None = None) -> Shelf:
    """The shelf of a store's history (the present one unless `version` names another). Raises StoreError."""
    store = Path(store).resolve()
    version = version or history_version(store)
    name = hashlib.sha256(f"{code_version()} {version}".encode()).hexdigest()[:20]
    return Shelf(store, version, _home(store) / name)


def make_room(new: Shelf) -> None:
    """Make the shelf's folder and clear away those of histories long gone."""
    home = new.folder.parent
    home.mkdir(mode=0o700, exist_ok=True)
    new.folder.mkdir(mode=0o700, exist_ok=True)
    with suppress(OSError):
        new.folder.touch()
        others = sorted((f for f in home.iterdir() if f.is_dir()), key=lambda f: f.stat().st_mtime, reverse=True)
        for old in [f for f in others if f != new.folder][_KEPT_HISTORIES - 1 :]:
            shutil.rmtree(old, ignore_errors=True)


def _home(store: Path) -> Path:
    """Beside the store; where nobody may write there, this person's own folder among the machine's passing files."""
    beside = store.with_name(store.name + ENDING)
    if os.access(beside if beside.is_dir() else store.parent, os.W_OK):
        return beside
    mark = hashlib.sha256(str(store).encode()).hexdigest()[:12]
    return Path(tempfile.gettempdir()) / f"rebuildstats-{_person()}-{mark}{ENDING}"


def _person() -> str:
    getuid = getattr(os, "getuid", None)
    return str(getuid()) if getuid else os.environ.get("USERNAME", "me")
