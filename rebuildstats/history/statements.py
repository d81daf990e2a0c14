"""SQL kept in files, found by name.

Values always travel as DuckDB parameters (`$name`). What SQL cannot take as a parameter, the names of tables and
columns, is written `{name}` in a file and filled in here; such names come from the contract only and are quoted,
never from a file somebody loads.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

_FOLDER = Path(__file__).parent / "sql"
_SLOT = re.compile(r"\{([a-z_]+)\}")


@cache
def _text(name: str) -> str:
    return (_FOLDER / f"{name}.sql").read_text(encoding="utf-8")


def statement(name: str, /, **names: str) -> str:
    """The statement in `sql/<name>.sql` with its `{slots}` filled; a slot left open or not used is an error that
    names the file.
    """
    text = _text(name)
    slots = set(_SLOT.findall(text))
    if slots != set(names):
        raise KeyError(f"sql/{name}.sql has the slots {sorted(slots)}, given were {sorted(names)}")
    return _SLOT.sub(lambda match: names[match.group(1)], text)


def rules() -> tuple[str, ...]:
    """The reason codes a row can be rejected or held for: the names of the files in `sql/checks`."""
    return tuple(sorted(path.stem for path in (_FOLDER / "checks").glob("*.sql")))


def quoted(name: str) -> str:
    """A name as SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(value: str) -> str:
    """A word of the contract as SQL text."""
    return "'" + value.replace("'", "''") + "'"


def listed(columns: tuple[str, ...] | list[str], prefix: str = "") -> str:
    """Columns with commas between them, each quoted, each behind `prefix.` where one is given."""
    start = f"{prefix}." if prefix else ""
    return ", ".join(start + quoted(column) for column in columns)
