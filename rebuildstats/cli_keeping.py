"""The commands that keep a store in order: settings, undoing, withdrawing."""

from __future__ import annotations

from typing import Annotated

import typer

from rebuildstats.errors import UsageError
from rebuildstats.terminal import FormOption, OutOption, app, check_writable, show


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
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Take a teardown with its findings and issued parts out of the history; they stay in the rows of the past."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("withdraw", commands.withdraw(context.obj, job), form, out)


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
