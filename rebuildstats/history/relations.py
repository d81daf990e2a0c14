"""Relations kept as SQL files: finds a file by its name and runs it with the values it asks for, and brings one out.

A file holds one statement, begins with a comment that says what a row of its result is, and names its parameters as
`$name`. A parameter that the file asks for and the caller doesn't give is an error that names the file.
"""

from __future__ import annotations

import re
from functools import cache
from importlib import resources
from typing import Any

import duckdb
import pandas as pd

_PARAMETER = re.compile(r"\$([a-z_]+)")
_COMMENT = re.compile(r"--[^\n]*")


@cache
def names(folder: str) -> tuple[str, ...]:
    """The names of the SQL files of a folder inside the package (`life_records/sql`), sorted, without their ending."""
    files = resources.files("rebuildstats").joinpath(folder).iterdir()
    return tuple(sorted(f.name.removesuffix(".sql") for f in files if f.name.endswith(".sql")))


def execute(con: duckdb.DuckDBPyConnection, folder: str, name: str, **values: Any) -> duckdb.DuckDBPyConnection:
    """Run `<folder>/<name>.sql` with those of `values` that it names; fetch from what comes back at once.

    Raises KeyError, naming the file, when it asks for a value that isn't given.
    """
    text, asked = _read(folder, name)
    missing = asked - values.keys()
    if missing:
        raise KeyError(f"{folder}/{name}.sql asks for {sorted(missing)}")
    return con.execute(text, {key: values[key] for key in asked})


def frame_of(con: duckdb.DuckDBPyConnection, relation: str) -> pd.DataFrame:
    """All rows of a table or view, with the dtypes that pandas has for them.

    By way of Arrow, in which pandas keeps text anyhow: DuckDB's own way makes a Python object of every cell.
    """
    found: pd.DataFrame = con.table(relation).to_arrow_table().to_pandas(date_as_object=False)
    return found


@cache
def _read(folder: str, name: str) -> tuple[str, frozenset[str]]:
    text = resources.files("rebuildstats").joinpath(folder, f"{name}.sql").read_text(encoding="utf-8")
    return text, frozenset(_PARAMETER.findall(_COMMENT.sub("", text)))
