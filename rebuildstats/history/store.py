"""The store: one DuckDB file, opened for short reads and short writes. The only module that connects to DuckDB.

How processes share it: a reader opens the file, asks and closes; it never waits for a writer, because a writer works
on a copy of its own that takes the file's place when it is whole (`drafts.py`). Writers take turns: each prepares its
rows in memory first, then waits patiently for its turn, and hears about it only after `WRITE_PATIENCE_SECONDS`.
"""

from __future__ import annotations

import ctypes
import getpass
import os
import random
import re
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import count
from pathlib import Path

import duckdb

from rebuildstats.errors import StoreBusyError, StoreError, UsageError
from rebuildstats.history import drafts
from rebuildstats.history.statements import literal, statement

SCHEMA_VERSION = 4
PROGRAM = "rebuildstats"
PATIENCE_SECONDS = 10.0  # of a reader: only another program that writes in the very file can make it wait
WRITE_PATIENCE_SECONDS = 120.0  # of a writer: a load of a million findings has its turn for seconds, on a busy machine
# for the better part of a minute
DISTANCES = ("mi", "km", "h")

_DRAFT = "draft.duckdb"
_NUMBERS = count()
_IDLE: list[duckdb.DuckDBPyConnection] = []  # engines that nobody works with; to append and to pop is atomic
_MOST_IDLE = 4
_MIGRATIONS = Path(__file__).parent / "migrations"
_MAGIC = b"DUCK"  # at byte 8 of every DuckDB file
_BUSY = ("Could not set lock", "Unique file handle conflict", "different configuration", "already attached")
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "lock_configuration": "true",  # what one sets, the next who works with the same engine would inherit
}


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings of one store.

    distance: the unit of every distance in it (mi, km or h), fixed when the store is made. comeback_distance,
    comeback_days: the shop's comeback window, in that unit and in days; whichever ends first. benches_shown: whether
    figures may be split by bench.
    """

    distance: str
    comeback_distance: float = 12_000.0
    comeback_days: int = 365
    benches_shown: bool = True


@contextmanager
def memory() -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to nothing but memory, where rows are prepared before a store is opened for writing.

    What does not fit into memory goes to a passing folder that only this process's owner may enter (DuckDB's own choice
    would be a folder for all to read, wherever the program was started). Only what is temporary may be made in it: to
    start DuckDB takes some 30 ms, so one that is left as it was found serves the next who asks.
    """
    try:
        engine = _IDLE.pop()
    except IndexError:
        spill = Path(_passing_folder().name) / str(next(_NUMBERS))
        engine = duckdb.connect(":memory:", config=_CONFIG | {"temp_directory": str(spill)})
    con = engine.cursor()
    try:
        yield con
    finally:
        con.close()
        if _left_clean(engine):
            _IDLE.append(engine)
            # looked at after it was added: of threads that add at once, as many take one away as are too many
            if len(_IDLE) > _MOST_IDLE:
                with suppress(IndexError):
                    _IDLE.pop().close()
        else:
            engine.close()


def _left_clean(engine: duckdb.DuckDBPyConnection) -> bool:
    """Whether nothing is left in an engine or on the disk beside it; a store still attached to it is taken off."""
    try:
        with interruptible(engine):
            engine.execute(statement("store/leave")).fetchall()
            left, spill = engine.execute(statement("store/left_in_memory")).fetchall()[0]
    except duckdb.Error:
        return False
    return left == 0 and not Path(spill).exists()


@cache
def _passing_folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="rebuildstats-", ignore_cleanup_errors=True)


def _begin_anew() -> None:
    """In a forked child: its parent's engines have none of their threads here, so they are neither used nor ended, and
    the passing folder is the parent's to remove.
    """
    while _IDLE:
        ctypes.pythonapi.Py_IncRef(ctypes.py_object(_IDLE.pop()))
    if _passing_folder.cache_info().currsize:
        _passing_folder()._finalizer.detach()  # type: ignore[attr-defined]
        _passing_folder.cache_clear()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_begin_anew)


def who() -> str:
    """The operating system's name of the person at work."""
    with suppress(Exception):
        return getpass.getuser()
    return "unknown"


def moment(now: datetime | None = None) -> datetime:
    """Now (or the given moment) in UTC without zone, the form in which the store keeps moments."""
    return (now or datetime.now(UTC)).astimezone(UTC).replace(tzinfo=None)


def create(path: str | Path, distance: str) -> None:
    """Make a new, empty store whose distances are in `distance` (mi, km or h); readable by its owner only.

    Raises UsageError for another unit or a folder that is not there, StoreError where a file of that name exists.
    """
    path = Path(path)
    if distance not in DISTANCES:
        raise UsageError(f"The distance unit must be one of {', '.join(DISTANCES)}, not '{distance}'.")
    if path.exists() or path.is_symlink():
        raise StoreError(
            f"{path} exists already; a store is never overwritten. Choose another name or remove the file first."
        )
    if not path.parent.is_dir():
        raise UsageError(
            f"The folder {path.parent} does not exist; make it first, or name another place for the store."
        )
    path = path.resolve()
    with drafts.turn(path, WRITE_PATIENCE_SECONDS) as folder:
        draft = folder / _DRAFT
        try:
            with memory() as con:
                con.execute(statement("store/attach", path=literal(str(draft)))).fetchall()
                con.execute("use store")
                con.execute("begin")
                _migrate(con, 0)
                con.execute(statement("store/put_setting"), {"name": "distance", "value": distance}).fetchall()
                con.execute("commit")
                con.execute(statement("store/checkpoint")).fetchall()
                con.execute(statement("store/leave"))
            os.chmod(draft, 0o600)
            drafts.put_new(draft, path)
        except FileExistsError as error:
            raise StoreError(f"{path} exists already; a store is never overwritten.") from error
        except (OSError, duckdb.Error) as error:
            raise StoreError(f"The store {path} could not be made: {_first_line(error)}") from error


def data_version(path: str | Path) -> str:
    """A short text that changes with every commit and by nothing else: which file it is, its time and its size.

    The journal that an earlier version or another program left beside it counts too.
    """
    marks = []
    for file in (Path(path), _journal(Path(path))):
        with suppress(OSError):
            stat = file.stat()
            marks.append(f"{stat.st_ino}:{stat.st_mtime_ns}:{stat.st_size}")
    return "|".join(marks)


@contextmanager
def reading(path: str | Path, *, patience: float = PATIENCE_SECONDS) -> Iterator[duckdb.DuckDBPyConnection]:
    """A read-only connection to the store as it is now, closed at the end of the block. Take frames out of it, never
    relations.

    What others write meanwhile is seen by who opens next. Raises StoreError (missing, not ours, other version) or
    StoreBusyError (another program writes in the very file).
    """
    path = existing(path)
    with memory() as con, interruptible(con):
        old = _open_to_read(con, path, patience) < SCHEMA_VERSION
        if old:
            con.execute(statement("store/leave")).fetchall()
            with writing(path):
                pass  # opening for writing brings the schema up to date
            _open_to_read(con, path, patience)
        con.execute("use store")
        yield con


@contextmanager
def writing(path: str | Path, *, patience: float = WRITE_PATIENCE_SECONDS) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection in one transaction: kept when the block ends, undone when it raises (Ctrl-C too).

    Raises as `reading` does, and StoreBusyError where others kept writing.
    """
    with memory() as con, attached(con, path, patience=patience):
        yield con


@contextmanager
def attached(
    con: duckdb.DuckDBPyConnection, path: str | Path, *, patience: float = WRITE_PATIENCE_SECONDS
) -> Iterator[None]:
    """Within the block `con`, a connection to memory, writes to the store at `path` in one transaction; see
    `writing`.
    """
    path = existing(path)
    with alone(path, patience=patience) as folder, interruptible(con):
        draft = folder / _DRAFT
        try:
            # Open for reading while it is copied: so a program that writes in the very file is noticed and waited for.
            version = _open_to_read(con, path, patience)
            drafts.copy_private(path, draft)
            con.execute(statement("store/leave")).fetchall()
        except OSError as error:
            raise StoreError(
                f"{path} could not be copied to be written: {error.strerror}. Is the disk full?"
            ) from error
        try:
            con.execute(statement("store/attach", path=literal(str(draft)))).fetchall()
            con.execute("use store")
            con.execute("begin")
            _migrate(con, version)
            yield
            # After an error that somebody caught, DuckDB undoes the transaction at its commit without a word.
            con.execute(statement("store/schema_version")).fetchall()
            con.execute("commit")
            con.execute(statement("store/checkpoint")).fetchall()
        except (duckdb.IOException, duckdb.FatalException, duckdb.TransactionException) as error:
            raise _not_written(path, _first_line(error)) from error
        finally:
            _tidy(con, "rollback")
            _tidy(con, statement("store/leave"))
        try:
            drafts.publish(draft, path.resolve(), patience)
        except OSError as error:
            raise _not_written(path, str(error.strerror)) from error


def _tidy(con: duckdb.DuckDBPyConnection, sql: str) -> None:
    """Run what may find nothing to do; Ctrl-C is not lost with its complaint."""
    try:
        con.execute(sql).fetchall()
    except duckdb.InterruptException:
        raise
    except duckdb.Error:
        pass


@contextmanager
def alone(path: str | Path, *, patience: float = WRITE_PATIENCE_SECONDS) -> Iterator[Path]:
    """Within the block nobody else writes to the store, which is one file without a journal then; readers go on.

    Gives a private folder beside the store, gone afterwards. The store need not exist. Raises as `drafts.turn`.
    """
    path = Path(path).resolve()
    with drafts.turn(path, patience) as folder:
        if _journal(path).exists():  # left by an earlier version or another program that died
            _take_in_journal(path, patience)
        yield folder


def _open_to_read(con: duckdb.DuckDBPyConnection, path: Path, patience: float) -> int:
    """Attach the file as `store`, for reading; returns the version of its schema.

    Attached and never connected to: within one process DuckDB answers a second connection to a path with the file that
    the first one opened, which may have been replaced meanwhile.
    """
    _patiently(lambda: con.execute(statement("store/attach_to_read", path=literal(str(path)))), path, patience)
    return _check_schema(con, path)


@contextmanager
def interruptible(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Within the block Ctrl-C stops what the connection is doing and comes out as KeyboardInterrupt, at once.

    Without it a running statement would not hear of Ctrl-C for as long as it takes. Only the main thread can listen.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed = False

    def stop(_number: int, _frame: object) -> None:
        nonlocal pressed
        pressed = True
        con.interrupt()
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield
    except (duckdb.InterruptException, RuntimeError) as error:
        if pressed:  # raised inside a statement, KeyboardInterrupt comes out of it as another error
            raise KeyboardInterrupt from error
        raise
    finally:
        signal.signal(signal.SIGINT, before)


def settings(con: duckdb.DuckDBPyConnection) -> Settings:
    """The settings of the store that `con` is open on."""
    kept = dict(con.execute(statement("store/settings")).fetchall())
    return Settings(
        distance=kept["distance"],
        comeback_distance=float(kept.get("comeback_distance", "12000")),
        comeback_days=int(kept.get("comeback_days", "365")),
        benches_shown=kept.get("benches_shown", "true") == "true",
    )


def change_settings(
    path: str | Path,
    *,
    comeback_distance: float | None = None,
    comeback_days: int | None = None,
    benches_shown: bool | None = None,
) -> Settings:
    """Change the settings given, leave the others, and return all of them. The distance unit is fixed for good.

    Raises UsageError for a window that is not positive.
    """
    new: dict[str, str] = {}
    if comeback_distance is not None:
        new["comeback_distance"] = repr(_positive(float(comeback_distance), "comeback distance"))
    if comeback_days is not None:
        new["comeback_days"] = str(int(_positive(float(comeback_days), "number of comeback days")))
    if benches_shown is not None:
        new["benches_shown"] = "true" if benches_shown else "false"
    with writing(path) as con:
        for name, value in new.items():
            con.execute(statement("store/drop_setting"), {"name": name}).fetchall()
            con.execute(statement("store/put_setting"), {"name": name, "value": value}).fetchall()
        return settings(con)


def _positive(value: float, name: str) -> float:
    if not 0 < value < float("inf"):
        raise UsageError(f"The {name} must be a number above zero, not {value:g}.")
    return value


def existing(path: str | Path) -> Path:
    """The path, where a DuckDB file stands at it; StoreError otherwise."""
    path = Path(path)
    if path.is_dir():
        raise StoreError(f"{path} is a folder, not a store. Name the store's file, by default history.duckdb.")
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except FileNotFoundError:
        raise StoreError(
            f"There is no store at {path}. Make one with `rebuildstats init --distance mi|km|h`."
        ) from None
    except OSError as error:
        raise StoreError(f"The store {path} cannot be read: {error.strerror}.") from error
    if head[8:12] != _MAGIC:
        raise StoreError(
            f"{path} is not a store of rebuildstats (it is not a DuckDB file). Name another file with --store."
        )
    return path


def _patiently(
    attempt: Callable[[], duckdb.DuckDBPyConnection], path: Path, patience: float
) -> duckdb.DuckDBPyConnection:
    """Try until the file is free; both classes of lock errors mean the same: somebody is at it for a moment."""
    end = time.monotonic() + patience
    pause = 0.005
    while True:
        try:
            return attempt()
        except duckdb.InterruptException:
            raise  # Ctrl-C; `interruptible` makes it one
        except duckdb.Error as error:
            words = str(error)
            if not any(mark in words for mark in _BUSY):
                raise StoreError(f"The store {path} cannot be opened: {_first_line(error)}") from error
            if time.monotonic() >= end:
                holder = re.search(r"PID (\d+)", words)
                by = f" by process {holder.group(1)}" if holder else ""
                raise StoreBusyError(
                    f"The store {path} has been in use{by} for more than {patience:g} seconds. "
                    "Nothing was changed; try again."
                ) from error
        time.sleep(pause * (0.5 + random.random()))
        pause = min(pause * 1.5, 0.05)


def _journal(path: Path) -> Path:
    return Path(f"{path}.wal")


def _take_in_journal(path: Path, patience: float) -> None:
    with memory() as con:
        sql = statement("store/attach_in_place", path=literal(str(path)))
        _patiently(lambda: con.execute(sql), path, patience)
        con.execute(statement("store/checkpoint")).fetchall()
        con.execute(statement("store/leave"))
    # What DuckDB leaves of it is torn: no commit is in it that is not in the file now.
    _journal(path).unlink(missing_ok=True)


def _not_written(path: Path, why: str) -> StoreError:
    return StoreError(f"Writing to {path} failed, nothing of it was kept: {why} Is the disk full or read-only?")


def _check_schema(con: duckdb.DuckDBPyConnection, path: Path) -> int:
    try:
        program, version = con.execute(statement("store/schema_version")).fetchall()[0]
    except (duckdb.CatalogException, duckdb.BinderException, IndexError):
        raise StoreError(
            f"{path} is a DuckDB file of another program, not a store of rebuildstats. Name another with --store."
        ) from None
    if program != PROGRAM:
        raise StoreError(f"{path} is a DuckDB file of another program ({program}), not a store of rebuildstats.")
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path} was written by a newer rebuildstats (schema {version}, this one knows {SCHEMA_VERSION}). "
            "Update rebuildstats to open it."
        )
    return int(version)


def _migrate(con: duckdb.DuckDBPyConnection, version: int) -> None:
    """Bring the store from schema `version` to this program's, inside the transaction that is open."""
    for file in sorted(_MIGRATIONS.glob("[0-9]*.sql")):
        number = int(file.name.split("_", 1)[0])
        if version < number <= SCHEMA_VERSION:
            con.execute(file.read_text(encoding="utf-8")).fetchall()
            con.execute(
                statement("store/put_version"),
                {"program": PROGRAM, "version": number, "at": moment(), "written_with": duckdb.__version__},
            ).fetchall()


def _first_line(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__
