"""A history divided by family: a folder of parquet from which each family can be worked out by itself.

What lies in it (`FOLDER/TABLE/place=N/*.parquet`, N the family's number in `families.json`): the `known_*` tables as
they were on one day, so that whoever reads them needs no store. A vehicle stands in the folder of every family that it
ran a unit of; `owned` says which one speaks for it where the whole fleet's mileage is reckoned. What is small and
needed whole (components, points, parts, uses, shelves, orders, bookings) lies in one file each.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb

from rebuildstats.errors import StoreError
from rebuildstats.history import store as stores
from rebuildstats.history.days import AsKnown
from rebuildstats.history.known import know, last_day
from rebuildstats.history.statements import literal, statement

DIVIDED = ("units", "fitments", "teardowns", "findings", "vehicles", "odometers", "issued_parts")
SHARED = ("components", "points", "parts", "part_uses", "stock", "orders", "sites", "planned")
OWNED = "owned"
_INDEX = "families.json"
_ENDING = ".families"
_NAME = re.compile(r"(true|known)-\d{4}-\d\d-\d\d-[0-9a-f]{16}")
_STEPS = ("numbered", "units_of", "jobs_of", "vehicles_of", "owners")


@dataclass(frozen=True, slots=True)
class Divided:
    """A history divided by family.

    folder: where it lies, on storage that all who work on it can read. as_of: its day. distance: its unit of distance.
    latest: whether that day is the history's last. families: their names, by number; teardowns: how many each has.
    """

    folder: str
    as_of: date
    distance: str
    latest: bool
    families: tuple[str, ...]
    teardowns: tuple[int, ...]


def divided(store: str | Path, as_of: date | None = None, *, folder: str | Path | None = None) -> Divided:
    """The history of a store on a day (as `history.known.know` takes it), divided by family; written anew only where it
    isn't there yet for the store's present history.

    store: a store, or a folder that an earlier call wrote. folder: where the divided histories go, by default beside
    the store. Raises as `know` and `store.reading`, and StoreError where it can't be written.
    """
    if Path(store).is_dir():
        return _read_index(Path(store))
    with stores.reading(store) as con:
        day = know(con, as_of)
        latest = as_of is None or (as_of == last_day(con) and not isinstance(as_of, AsKnown))
        distance = stores.settings(con).distance
        place = Path(folder) if folder is not None else Path(store).resolve().with_name(Path(store).name + _ENDING)
        sense = "known" if isinstance(as_of, AsKnown) else "true"
        ((version,),) = con.execute(statement("store/history_version")).fetchall()
        named = place / f"{sense}-{day}-{hashlib.sha256(str(version).encode()).hexdigest()[:16]}"
        if not (named / _INDEX).exists():
            try:
                _write(con, Divided(str(named), day, distance, latest, (), ()), Path(store).resolve())
                _clear_older(named)
            except (OSError, duckdb.Error) as error:
                raise StoreError(
                    f"The history could not be divided by family into {place}: {str(error).splitlines()[0]} "
                    "Name a folder that can be written, with --shared."
                ) from error
    return _read_index(named)


def _write(con: duckdb.DuckDBPyConnection, whole: Divided, store: Path) -> None:
    """Write the folder under a passing name and give it its own when it is whole."""
    named = Path(whole.folder)
    named.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = Path(tempfile.mkdtemp(prefix=".draft-", dir=named.parent))
    try:
        for name in _STEPS:
            con.execute(statement(f"families/{name}")).fetchall()
        for name in (*DIVIDED, OWNED):
            con.execute(statement(f"families/write_{name}", folder=literal(str(draft / name)))).fetchall()
        blank = [(f"known_{name}", f"{name}.none", "0") for name in DIVIDED] + [("vehicle_owners", "owned.none", "0")]
        for table, name, most in [*blank, *((f"known_{name}", name, "all") for name in SHARED)]:
            file = literal(str(draft / f"{name}.parquet"))
            con.execute(statement("families/write_shared", table=table, most=most, file=file)).fetchall()
        rows = con.execute(statement("families/families")).fetchall()
        index = {
            "store": str(store),
            "as_of": whole.as_of.isoformat(),
            "distance": whole.distance,
            "latest": whole.latest,
            "families": [family for family, _ in rows],
            "teardowns": [count for _, count in rows],
        }
        (draft / _INDEX).write_text(json.dumps(index), encoding="utf-8")
        draft.rename(named)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def _clear_older(named: Path) -> None:
    """Take away what this store was divided into before; a shared folder may hold other stores' and anything else."""
    store = _store_of(named)
    for old in named.parent.iterdir():
        if old != named and _NAME.fullmatch(old.name) and store is not None and _store_of(old) == store:
            shutil.rmtree(old, ignore_errors=True)


def _store_of(folder: Path) -> str | None:
    """The store that a divided history was made from; None of a folder that is none."""
    try:
        return str(json.loads((folder / _INDEX).read_text(encoding="utf-8"))["store"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _read_index(folder: Path) -> Divided:
    try:
        index = json.loads((folder / _INDEX).read_text(encoding="utf-8"))
        return Divided(
            str(folder),
            date.fromisoformat(index["as_of"]),
            index["distance"],
            index["latest"],
            tuple(index["families"]),
            tuple(index["teardowns"]),
        )
    except (OSError, ValueError, KeyError) as error:
        raise StoreError(f"{folder} is no history divided by family: it has no readable {_INDEX}.") from error


@contextmanager
def known_shared(of: Divided) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to memory with those `known_*` tables that every family needs whole.

    Raises StoreError where the folder can't be read from here, also by what is asked of the connection.
    """
    with stores.memory() as con:
        try:
            for name in SHARED:
                files = [f"{of.folder}/{name}.parquet"]
                con.execute(statement("families/read_shared", table=f"known_{name}"), {"files": files}).fetchall()
            yield con
        except duckdb.IOException as error:
            raise StoreError(
                f"{of.folder} can't be read here ({str(error).splitlines()[0]}): it must lie on storage that this "
                "machine and all workers share. Name such a folder with --shared."
            ) from error


@contextmanager
def known_family(of: Divided, place: int) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to memory with the `known_*` tables of one family, and `vehicle_owned`: the vehicles it speaks for.

    Raises as `known_shared`.
    """
    with known_shared(of) as con:
        for name in (*DIVIDED, OWNED):
            table = "vehicle_owned" if name == OWNED else f"known_{name}"
            pattern = f"{of.folder}/{name}/place={place}/*.parquet"
            files = [file for (file,) in con.execute(statement("families/files"), {"pattern": pattern}).fetchall()]
            read = {"files": files or [f"{of.folder}/{name}.none.parquet"]}
            con.execute(statement("families/read", table=table), read).fetchall()
        yield con
