"""What the commands at the terminal share: options, where an answer goes, progress, checks of arguments."""

from __future__ import annotations

import math
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from rebuildstats.errors import UsageError
from rebuildstats.render import Form, render
from rebuildstats.reports.views import view

if TYPE_CHECKING:
    from rebuildstats.answers import Answer

EXIT_ERROR, EXIT_USAGE, EXIT_ROWS_LEFT, EXIT_STOPPED = 1, 2, 3, 130
DEFAULT_STORE = "history.duckdb"
STOPPED = "Stopped. Nothing was left half done."

app = typer.Typer(
    name="rebuildstats",
    help="What a fleet's rebuild history says: what wears, what comes back, which parts will be needed.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Distance(StrEnum):
    """The units of distance a store can be kept in."""

    mi = "mi"
    km = "km"
    h = "h"


class OutputForm(StrEnum):
    """How a table is written."""

    table = "table"
    csv = "csv"
    json = "json"


FormOption = Annotated[
    OutputForm | None,
    typer.Option("--format", help="table for eyes (the default), csv or json for other programs."),
]
OutOption = Annotated[
    Path | None,
    typer.Option("--out", help="Write the table to this file; its ending (.csv, .json) sets the format."),
]


def _day(text: str) -> date:
    """A day as written after `--as-of`: 2026-03-31, or known:2026-03-31."""
    from rebuildstats.history.days import AsKnown

    word, sign, written = text.rpartition(":")
    try:
        day = datetime.strptime(written.strip(), "%Y-%m-%d").date()
    except ValueError:
        day = None
    if day is None or (sign and word.strip() not in ("known", "true")):
        raise typer.BadParameter(f"'{text}' is no day: write 2026-03-31, or known:2026-03-31.")
    return AsKnown.of(day) if word.strip() == "known" else day


AsOfOption = Annotated[
    date | None,
    typer.Option(
        "--as-of",
        parser=_day,
        metavar="[known:]DATE",
        help="The history on this day (2026-03-31): as it was true, with all that is known of it by now; or, with "
        "known: before the day, as this store knew it then.",
    ),
]


ClusterOption = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Work it out family by family on the Dask cluster at this address (tcp://host:8786).",
    ),
]
SharedOption = Annotated[
    Path | None,
    typer.Option("--shared", help="With --cluster: a folder that all its workers can read (else beside the store)."),
]


def show(command: str, answer: Answer, form: OutputForm | None, out: Path | None) -> None:
    """The answer where it was asked for: words and table together for eyes, words on standard error otherwise."""
    wanted = _form(form, out)
    if wanted == "table":
        width = shutil.get_terminal_size().columns if out is None and sys.stdout.isatty() else None
        text = "".join(f"{line}\n" for line in answer.first)
        text += render(view(answer.frame(), command), wanted, width=width)
        text += "".join(f"{line}\n" for line in answer.last)
    else:
        for line in (*answer.first, *answer.last):
            say(line)
        text = render(answer.frame(), wanted)
    if out is None:
        sys.stdout.write(text)
        sys.stdout.flush()
    else:
        write_text(out, text)
        say(f"Written to {out}: {len(answer.frame())} rows.")
    for line in answer.notes:
        say(line)


def _form(form: OutputForm | None, out: Path | None) -> Form:
    if form is not None:
        return form.value
    ending = "" if out is None else out.suffix.lower()
    return "csv" if ending == ".csv" else "json" if ending == ".json" else "table"


def write_text(out: Path, text: str) -> None:
    try:
        out.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UsageError(f"{out} can't be written: {error.strerror}.") from error


def check_writable(out: Path | None, option: str) -> None:
    """Refuse a place that can't be written before any work is done."""
    if out is None:
        return
    if out.is_dir():
        raise UsageError(f"{option} {out} is a folder; name a file in it.")
    if not out.parent.is_dir():
        raise UsageError(f"{option} {out}: there is no folder {out.parent}.")
    if not os.access(out if out.exists() else out.parent, os.W_OK):
        raise UsageError(f"{option} {out}: this place can't be written to.")


def check_mileage(value: float) -> None:
    if not 0 <= value < math.inf:
        raise UsageError(f"--mileage is a distance since the last rebuild, 0 or more, not {value:g}.")


def check_goal(job_fill: float | None, part_fill: float | None, budget: float | None) -> None:
    """Refuse two goals, or one that can't be."""
    goals = (("--job-fill", job_fill), ("--part-fill", part_fill), ("--budget", budget))
    given = [name for name, value in goals if value is not None]
    if len(given) > 1:
        raise UsageError(f"Give one goal, not {' and '.join(given)}.")
    for name, value in goals[:2]:
        if value is not None and not 0 < value < 1:
            raise UsageError(f"{name} is a share between 0 and 1 (0.9 for nine of ten), not {value:g}.")
    if budget is not None and not (0 <= budget < math.inf):
        raise UsageError(f"--budget is an amount of money, 0 or more, not {budget:g}.")


def day_of(as_of: date | None) -> date | None:
    """The day asked for; in which of its two senses it is meant is said on standard error."""
    if as_of is not None:
        from rebuildstats.reports.sentences import as_of_words

        say(as_of_words(as_of))
    return as_of


def say(text: str) -> None:
    typer.echo(text, err=True)


def leave(text: str, code: int) -> NoReturn:
    sys.stdout.flush()
    say(text)
    sys.exit(code)


@contextmanager
def progress_bar(title: str) -> Iterator[Any]:
    """A function (done, of, what) that draws a bar on standard error; silent where that is no terminal."""
    if not sys.stderr.isatty():
        yield lambda done, of, what: None  # noqa: ARG005
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed:.0f}/{task.total:.0f}"))
    with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=1)

        def step(done: float, of: float, what: str) -> None:
            bar.update(task, completed=done, total=max(of, 1), description=what)

        yield step
