"""The contract's tables as pieces of SQL names: lists of columns, keys and casts, quoted. No statement stands here."""

from __future__ import annotations

import json
from collections.abc import Sequence

import pandas as pd

from rebuildstats.history.contract import SQL_TYPES, TABLE_BY_NAME, Column, Reference, Table
from rebuildstats.history.statements import literal, quoted

# Where each kind of name stands: (table, column); the table that describes it comes last.
NAMES: dict[str, tuple[tuple[str, str], ...]] = {
    "unit": (("fitments", "unit"), ("teardowns", "unit"), ("planned", "unit"), ("units", "unit")),
    "vehicle": (("odometers", "vehicle"), ("fitments", "vehicle"), ("teardowns", "vehicle"), ("vehicles", "vehicle")),
    "part": (
        ("parts", "replaced_by"),
        ("part_uses", "part"),
        ("stock", "part"),
        ("orders", "part"),
        ("findings", "part"),
        ("issued_parts", "part"),
        ("teardowns", "waiting_for"),
        ("parts", "part"),
    ),
}


def written(column: str) -> str:
    """Under which note a row keeps the name it was written with, where that is joined to another."""
    return f"{column} as written"


def no_written() -> str:
    """A JSON patch that takes those notes away."""
    columns = {column for places in NAMES.values() for _, column in places}
    return literal(json.dumps({written(column): None for column in sorted(columns)}))


def stage(table: Table) -> str:
    """The name of the table's rows as text."""
    return f"stage_{table.name}"


def rows(table: Table) -> str:
    """The name of those of its text rows that were read the careful way."""
    return f"rows_{table.name}"


def fast(table: Table) -> str:
    """The name of those of its text rows that DuckDB's reader read from one big file."""
    return f"fast_{table.name}"


def typed(table: Table) -> str:
    """The name of the table's rows as values."""
    return f"typed_{table.name}"


def key(table: Table) -> list[str]:
    """The columns that tell two rows apart; equal lines without a slip also by `_twin`."""
    return [*table.key, "_twin"] if table.name == "issued_parts" else list(table.key)


def kept_columns(table: Table) -> list[str]:
    """The columns a good row is kept with, bookkeeping of the load apart."""
    own = [c.name for c in table.columns]
    return [*own, "_twin"] if table.name == "issued_parts" else own


def _cast(column: Column) -> str:
    name = quoted(column.name)
    if column.kind == "word":
        return f"as_word({name}, [{', '.join(literal(word) for word in column.words)}])"
    return f"as_{column.kind}({name})"


def _value(column: Column) -> str:
    name = quoted(column.name)
    if (
        column.key and not column.required
    ):  # an empty optional key is a key value like any other: the default, or the empty text
        empty = column.default if column.kind == "whole" else literal(column.default or "")
        return f"case when {name} is null then {empty} else {_cast(column)} end as {name}"
    return f"{_cast(column)} as {name}"


def typed_values(table: Table) -> str:
    """Every column cast to its kind."""
    values = ", ".join(_value(column) for column in table.columns)
    return f"{values}, '' as _twin" if table.name == "issued_parts" else values


def typed_columns(table: Table) -> str:
    """The columns of a table of values, with their types."""
    own = ", ".join(f"{quoted(c.name)} {SQL_TYPES[c.kind]}" for c in table.columns)
    return f"{own}, _twin VARCHAR" if table.name == "issued_parts" else own


def counts(table: Table) -> str:
    """A count of filled cells per column."""
    return ", ".join(f"count({quoted(c.name)})" for c in table.columns)


# Letters that are read for figures, or for the same letter of another alphabet, and what they are read for.
_ALIKE = str.maketrans("OILSBZАВЕКМНОРСТХУΑΒΕΖΗΙΚΜΝΟΡΤΥΧ", "011582A8EKMH0PCTXYA8E2H1KMN0PTYX")


def shape(name: str) -> str:
    """What look-alike names have in common, of a column of names: case, accents, blanks and signs apart, the letters O,
    I, L, S, B, Z and the figures 0, 1, 1, 5, 8, 2 the same, without leading zeros.
    """
    letters = "".join(map(chr, _ALIKE))
    figures = "".join(chr(figure) for figure in _ALIKE.values())
    plain = f"regexp_replace(strip_accents(nfc_normalize(upper({name}))), '[^\\p{{L}}\\p{{N}}]', '', 'g')"
    return f"ltrim(translate({plain}, {literal(letters)}, {literal(figures)}), '0')"


def is_header(table: Table) -> str:
    """Whether every cell that a row must fill holds its column's own name."""
    names = [c.name for c in table.columns if c.key or c.required]
    return " and ".join(f"s.{quoted(name)} in ({_in_any_case([name])})" for name in names)


def is_total(table: Table) -> str:
    """Whether a row is a line of totals: its first cell says so, or any cell does in a row that lacks what a row must
    have.
    """
    first = f"s.{quoted(table.key[0])}"
    must = [f"s.{quoted(c.name)}" for c in table.columns if c.required]
    cells = " or ".join(f"is_total(s.{quoted(c.name)})" for c in table.columns)
    return f"{first} in ({_totals()}) or ({' or '.join(f'{cell} is null' for cell in must)}) and ({cells})"


def _totals() -> str:
    words = ("total", "totals", "sum", "grand total", "subtotal", "sub total", "sub-total")
    return _in_any_case([word + colon for word in words for colon in ("", ":")])


def _in_any_case(words: list[str]) -> str:
    """The writings of words by case that sheets have; a list of them is looked up faster than a pattern is matched."""
    return ", ".join(
        literal(w) for word in words for w in sorted({word, word.upper(), word.title(), word.capitalize()})
    )


def key_text(table: Table) -> str:
    """The key's values as text, with commas between them."""
    return ", ".join(f"{quoted(name)}::VARCHAR" for name in key(table))


def key_as_written(table: Table) -> str:
    """The key's values as `key_text` gives them, with every name as the row has it that is joined to another."""
    own = {c.name: f"{quoted(c.name)}::VARCHAR" for c in table.columns}
    for column in {column for places in NAMES.values() for place, column in places if place == table.name}:
        path = literal(f'$."{written(column)}"')
        own[column] = f"coalesce(json_extract_string(_notes, {path}), {quoted(column)}::VARCHAR)"
    if table.name == "issued_parts":
        cells = f"issued_on, {own['part']}, quantity, kind, job, site, json_extract(_twin, '$[6]')::BIGINT"
        own["_twin"] = f"case when _twin = '' then '' else json_array({cells})::VARCHAR end"
    return ", ".join(own[name] for name in key(table))


def key_filled(table: Table) -> str:
    """Whether no part of the key is missing."""
    return " and ".join(f"{quoted(name)} is not null" for name in key(table))


def equal_keys(table: Table, one: str = "t", other: str = "g") -> str:
    """Whether two rows, by default a row `t` of the load and a stored row `g`, have one key."""
    return " and ".join(f"{one}.{quoted(name)} = {other}.{quoted(name)}" for name in key(table))


def reference_names(table: Table, reference: Reference) -> dict[str, str]:
    """The names that the search for references leading nowhere needs."""
    pairs = list(zip(reference.columns, reference.target_columns, strict=True))
    equal = " and ".join(f"g.{quoted(there)} = t.{quoted(here)}" for here, there in pairs)
    target = TABLE_BY_NAME[reference.target]
    return {
        "typed": typed(table),
        "target": quoted(target.name),
        "target_typed": typed(target),
        "column": quoted(reference.columns[-1]),
        "values": ", ".join(f"t.{quoted(here)}::VARCHAR" for here, _ in pairs),
        "filled": " and ".join(f"t.{quoted(here)} is not null" for here, _ in pairs),
        "equal_typed": equal,
        "equal_stored": equal,
    }


def trimmed_cells(positions: dict[str, int]) -> str:
    """The cells of a CSV file read as c0, c1, ..., trimmed, under the contract's names."""
    return ", ".join(f"nullif(trim(c{index}), '') as {quoted(name)}" for name, index in positions.items())


def bare_cells(positions: dict[str, int]) -> str:
    """The same of a file in which there is nothing to trim: a quarter of the time that reading takes."""
    return ", ".join(f"c{index} as {quoted(name)}" for name, index in positions.items())


def notes_of_cells(positions: dict[str, int]) -> str:
    """The cells of unknown columns as one JSON text, NULL where all are empty."""
    if not positions:
        return "cast(null as VARCHAR)"
    pairs = ", ".join(f"{literal(name)}: nullif(trim(c{index}), '')" for name, index in positions.items())
    return f"nullif(json_merge_patch('{{}}', to_json({{{pairs}}}))::VARCHAR, '{{}}')"


def cells_as_struct(table: Table) -> str:
    """The text cells of a row under their names, for JSON."""
    return "{" + ", ".join(f"{literal(c.name)}: s.{quoted(c.name)}" for c in table.columns) + "}"


def cells_from_row(table: Table) -> str:
    """The text cells of a row kept as JSON."""
    return ", ".join(
        f'json_extract_string(w."row", {literal("$." + c.name)}) as {quoted(c.name)}' for c in table.columns
    )


def no_cells(table: Table) -> str:
    """A JSON patch that takes the contract's columns out of a kept row, so that the notes are left."""
    return json.dumps({c.name: None for c in table.columns})


def escaped_glob(path: str) -> str:
    """A path in which `*`, `?` and `[` stand for themselves."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in path)


def plain_number(value: float) -> str:
    """A number as a person writes it."""
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def text_frame(frame: pd.DataFrame, *, whole: Sequence[str] = ()) -> pd.DataFrame:
    """A frame whose columns are text but for the whole ones, with the same dtypes when it is empty."""
    return frame.astype({c: "Int64" if c in whole else "str" for c in frame.columns})
