"""The commands that keep a store in order: settings, undoing, withdrawing, backups, exports, checks, mappings."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from rebuildstats.errors import UsageError
from rebuildstats.terminal import (
    EXIT_ERROR,
    FormOption,
    OutOption,
    app,
    check_writable,
    progress_bar,
    say,
    show,
    write_text,
)


class ExportForm(StrEnum):
    """How exported tables are written."""

    csv = "csv"
    parquet = "parquet"


@app.command()
def undo(context: typer.Context, form: FormOption = None, out: OutOption = None) -> None:
    """Undo the last load, form or withdrawal; what it wrote stays in the rows of the past."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("undo", commands.undo(context.obj), form, out)


@app.command()
def withdraw(
    context: typer.Context,
    job: Annotated[str, typer.Argument(help="The job of a teardown that should not be there.")],
    why: Annotated[str, typer.Option("--why", help="The reason; it is kept with your name and the time.")] = "",
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Take a teardown with its findings and issued parts out of the history; they stay in the rows of the past."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("withdraw", commands.withdraw(context.obj, job, why=why.strip()), form, out)


@app.command()
def ready(context: typer.Context, form: FormOption = None, out: OutOption = None) -> None:
    """Work out what the dashboard opens with, so that its pages show at once; only what changed is made anew."""
    check_writable(out, "--out")
    from rebuildstats import commands

    with progress_bar("working out") as step:
        answer = commands.ready(context.obj, progress=step)
    show("ready", answer, form, out)


@app.command()
def settings(
    context: typer.Context,
    comeback_distance: Annotated[float | None, typer.Option(help="The comeback window in distance.")] = None,
    comeback_days: Annotated[int | None, typer.Option(help="The comeback window in days.")] = None,
    benches: Annotated[bool | None, typer.Option(help="Whether figures may be split by bench.")] = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Show the store's settings, or change those that are given."""
    for name, value in (("--comeback-distance", comeback_distance), ("--comeback-days", comeback_days)):
        if value is not None and not 0 < value < float("inf"):
            raise UsageError(f"{name} must be above 0, not {value:g}.")
    check_writable(out, "--out")
    from rebuildstats import commands

    answer = commands.settings(
        context.obj, comeback_distance=comeback_distance, comeback_days=comeback_days, benches=benches
    )
    show("settings", answer, form, out)


@app.command()
def backup(
    context: typer.Context, file: Annotated[Path, typer.Argument(help="The backup's file; it must not exist yet.")]
) -> None:
    """Copy the store to a file while it is in use; the copy is opened again and compared."""
    from rebuildstats import commands

    done = commands.backup(context.obj, file).result
    say(f"{done.path} holds the store: {done.rows:,} rows, {done.size:,} bytes, opened again and found equal.")


@app.command()
def restore(context: typer.Context, file: Annotated[Path, typer.Argument(help="A backup.")]) -> None:
    """Make the store hold exactly what a backup holds."""
    from rebuildstats import commands

    done = commands.restore(context.obj, file).result
    say(f"{done.path} holds what {file} holds: {done.rows:,} rows.")
    if done.before is not None:
        say(f"What stood there before was kept in {done.before}.")


@app.command()
def export(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(help="A new or empty folder.")],
    form: Annotated[ExportForm, typer.Option("--format", help="csv or parquet.")] = ExportForm.csv,
) -> None:
    """Write the tables into a folder; loaded again they give the same store."""
    from rebuildstats import commands

    files = commands.export(context.obj, folder, form=form.value).result
    say(f"{len(files)} tables were written to {folder}.")


@app.command()
def rejects(context: typer.Context, folder: Annotated[Path, typer.Argument(help="A new or empty folder.")]) -> None:
    """Write the rows that did not go in, a file per table, to be corrected and loaded again."""
    from rebuildstats import commands

    files = commands.rejects(context.obj, folder).result
    say(f"{len(files)} files were written to {folder}: correct the rows and load the folder again.")


@app.command()
def check(context: typer.Context, form: FormOption = None, out: OutOption = None) -> None:
    """Read every row of the store and look for what must not be; exit code 1 where something is found."""
    check_writable(out, "--out")
    from rebuildstats import commands

    answer = commands.check(context.obj)
    show("check", answer, form, out)
    if len(answer.frame()):
        raise typer.Exit(EXIT_ERROR)


@app.command()
def propose(
    paths: Annotated[list[Path], typer.Argument(metavar="PATH...", help="Sheets (.csv, .xlsx) or folders of them.")],
    out: Annotated[Path | None, typer.Option("--out", help="Write the proposal to this file (.toml).")] = None,
) -> None:
    """Propose a mapping for sheets that look otherwise; read and correct it before you load with it."""
    check_writable(out, "--out")
    from rebuildstats import commands

    text = commands.propose(paths)
    if out is None:
        sys.stdout.write(text)
    else:
        write_text(out, text)
        say(f"A proposal stands in {out}: read and correct it, then try load --mapping {out} --dry-run.")
