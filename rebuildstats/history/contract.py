"""The tables of a history as data: columns, types, words, keys and references.

Everything that must know the shape of a history (the store's DDL, the load's checks, exports, documents) is made from
`TABLES`, so a column is declared once. The store keeps every column with the type `SQL_TYPES[column.kind]`.
"""

from __future__ import annotations

from dataclasses import dataclass

SQL_TYPES = {
    "text": "VARCHAR",
    "word": "VARCHAR",
    "number": "DOUBLE",
    "whole": "BIGINT",
    "date": "DATE",
    "flag": "BOOLEAN",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of one table.

    kind: text, word (one of `words`, compared without regard to case), number, whole, date, flag (true/false).
    key: part of the table's key. required: a row without it is rejected. default: what an empty cell means (documented,
    applied when the history is read for computing, never written over the stored cell) except in key columns, where
    the default is stored.
    low: smallest value allowed. future: the date may lie after today.
    """

    name: str
    kind: str = "text"
    key: bool = False
    required: bool = False
    default: str | None = None
    words: tuple[str, ...] = ()
    low: float | None = None
    future: bool = False


@dataclass(frozen=True, slots=True)
class Reference:
    """The values of `columns` must exist as `target_columns` of `target` once the whole load is read.

    Empty ones refer to nothing.
    """

    columns: tuple[str, ...]
    target: str
    target_columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the contract."""

    name: str
    columns: tuple[Column, ...]
    references: tuple[Reference, ...] = ()

    @property
    def key(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns if c.key)

    def column(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)


def _text(name: str, **more: object) -> Column:
    return Column(name, "text", **more)  # type: ignore[arg-type]


def _number(name: str, **more: object) -> Column:
    return Column(name, "number", **more)  # type: ignore[arg-type]


def _whole(name: str, **more: object) -> Column:
    return Column(name, "whole", **more)  # type: ignore[arg-type]


def _date(name: str, **more: object) -> Column:
    return Column(name, "date", **more)  # type: ignore[arg-type]


def _word(name: str, *words: str, **more: object) -> Column:
    return Column(name, "word", words=words, **more)  # type: ignore[arg-type]


def _flag(name: str, **more: object) -> Column:
    return Column(name, "flag", **more)  # type: ignore[arg-type]


_KEY = {"key": True, "required": True}

TABLES: tuple[Table, ...] = (
    Table(
        "vehicles",
        (
            _text("vehicle", **_KEY),
            _text("site"),
            _text("duty"),
            _date("in_service_on"),
            _date("out_of_service_on", future=True),
        ),
    ),
    Table(
        "odometers",
        (
            _text("vehicle", **_KEY),
            _date("read_on", **_KEY),
            _number("odometer", required=True, low=0),
            _whole("meter", key=True, default="1", low=1),
        ),
        (Reference(("vehicle",), "vehicles", ("vehicle",)),),
    ),
    Table(
        "units",
        (
            _text("unit", **_KEY),
            _text("family", required=True),
            _word("origin", "new", "rebuilt", "used"),
            _date("first_seen_on"),
            _number("first_seen_mileage", low=0),
        ),
    ),
    Table(
        "fitments",
        (
            _text("unit", **_KEY),
            _text("vehicle", **_KEY),
            _date("fitted_on", **_KEY),
            _number("fitted_odometer", low=0),
            _date("removed_on"),
            _number("removed_odometer", low=0),
        ),
        (Reference(("unit",), "units", ("unit",)), Reference(("vehicle",), "vehicles", ("vehicle",))),
    ),
    Table(
        "components",
        (
            _text("family", **_KEY),
            _text("component", **_KEY),
            _text("name"),
            _text("group"),
            _whole("positions", default="1", low=1),
            _word("renewal", "always", "on_condition", default="on_condition"),
            _text("supplied_in"),
            _word("shows", "in_service", "at_teardown", default="at_teardown"),
            _flag("safety", default="false"),
        ),
        (Reference(("family", "supplied_in"), "components", ("family", "component")),),
    ),
    Table(
        "points",
        (
            _text("family", **_KEY),
            _text("point", **_KEY),
            _text("component", required=True),
            _word("method", "gauge", "sight", "feel", "count"),
            _text("reading_unit"),
            _number("as_new"),
            _number("low_limit"),
            _number("high_limit"),
            _text("caution"),
        ),
        (Reference(("family", "component"), "components", ("family", "component")),),
    ),
    Table(
        "parts",
        (
            _text("part", **_KEY),
            _text("name"),
            _number("unit_cost", low=0),
            _number("pack_size", default="1", low=0),
            _number("min_order", low=0),
            _text("supplier"),
            _number("lead_time_days", low=0),
            _number("lead_time_sd_days", low=0),
            _number("shelf_life_days", low=0),
            _number("core_charge", low=0),
            _text("replaced_by"),
        ),
        (Reference(("replaced_by",), "parts", ("part",)),),
    ),
    Table(
        "part_uses",
        (
            _text("family", **_KEY),
            _text("component", **_KEY),
            _text("part", **_KEY),
            _number("quantity", default="1", low=0),
            _text("choice"),
            _number("share", low=0),
        ),
        (
            Reference(("family", "component"), "components", ("family", "component")),
            Reference(("part",), "parts", ("part",)),
        ),
    ),
    Table(
        "stock",
        (
            _text("part", **_KEY),
            _text("site", **_KEY),
            _date("counted_on"),
            _number("on_hand", low=0),
            _number("on_order", low=0),
        ),
        (Reference(("part",), "parts", ("part",)),),
    ),
    Table(
        "orders",
        (
            _text("order", **_KEY),
            _text("part", **_KEY),
            _text("site"),
            _date("ordered_on"),
            _number("quantity", low=0),
            _date("due_on", future=True),
            _date("received_on"),
            _number("received_quantity", low=0),
        ),
        (Reference(("part",), "parts", ("part",)),),
    ),
    # served_by is no reference: the site that serves may have a shelf (`stock`) and no row of its own here.
    Table("sites", (_text("site", **_KEY), _text("served_by"))),
    Table(
        "teardowns",
        (
            _text("job", **_KEY),
            _text("unit", required=True),
            _date("opened_on", required=True),
            _number("unit_mileage", low=0),
            _text("vehicle"),
            _number("odometer", low=0),
            _word("reason", "failure", "scheduled", "campaign", "comeback"),
            _word("scope", "rebuild", "repair", default="rebuild"),
            _text("complaint"),
            _text("site"),
            _text("bench"),
            _date("closed_on"),
            _date("waiting_from"),
            _date("waiting_until"),
            _text("waiting_for"),
            _number("labour_hours", low=0),
            _number("outside_cost", low=0),
        ),
        (Reference(("unit",), "units", ("unit",)),),
    ),
    Table(
        "findings",
        (
            _text("job", **_KEY),
            _text("component", **_KEY),
            _text("point", key=True),
            _whole("position", key=True, default="1", low=1),
            _number("reading"),
            _text("condition"),
            _word("verdict", "ok", "fail", "not_checked"),
            _word("action", "reuse", "dress", "machine", "replace"),
            _word("role", "cause", "consequence", "wear"),
            _text("part"),
            _number("quantity", low=0),
        ),
        (Reference(("job",), "teardowns", ("job",)),),
    ),
    Table(
        "issued_parts",
        (
            _date("issued_on", required=True),
            # one slip may hold lines of several parts, so the part belongs to the key
            _text("part", **_KEY),
            _number("quantity", required=True, low=0),
            _word("kind", "issue", "credit", default="issue"),
            _text("job"),
            _text("site"),
            _text("slip", key=True),
        ),
        (Reference(("part",), "parts", ("part",)), Reference(("job",), "teardowns", ("job",))),
    ),
    Table(
        "planned",
        (
            _text("plan", **_KEY),
            _date("due_on", required=True, future=True),
            _text("unit"),
            _text("family"),
            _whole("count", default="1", low=1),
            _word("reason", "failure", "scheduled", "campaign", "comeback"),
            _text("complaint"),
        ),
        (Reference(("unit",), "units", ("unit",)),),
    ),
)

TABLE_BY_NAME = {table.name: table for table in TABLES}
