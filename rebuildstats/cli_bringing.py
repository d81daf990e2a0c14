"""The commands for names that are written in two ways, and for who changed what."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from rebuildstats.errors import UsageError
from rebuildstats.terminal import FormOption, OutOption, app, check_writable, show


class Kind(StrEnum):
    """What can be joined."""

    unit = "unit"
    part = "part"
    vehicle = "vehicle"


KindArgument = Annotated[Kind, typer.Argument(help="unit, part or vehicle.")]
OtherArgument = Annotated[str, typer.Argument(help="The other writing of it.")]
WhyOption = Annotated[str, typer.Option("--why", help="How you know; it is kept with your name and the time.")]


@app.command()
def joins(context: typer.Context, form: FormOption = None, out: OutOption = None) -> None:
    """Serials, parts and vehicles that look alike, what speaks against it, and those that were joined."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("joins", commands.joins(context.obj), form, out)


@app.command()
def join(
    context: typer.Context,
    kind: KindArgument,
    one: Annotated[str, typer.Argument(help="The name that stays.")],
    other: OtherArgument,
    why: WhyOption,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Say that two names are one; every answer then takes them so, until it is undone. Nothing is lost."""
    _check_why(why)
    check_writable(out, "--out")
    from rebuildstats import commands

    show("join", commands.join(context.obj, kind.value, one, other, why=why.strip()), form, out)


@app.command()
def unjoin(
    context: typer.Context,
    kind: KindArgument,
    other: OtherArgument,
    why: WhyOption,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Undo a join: every row stands again under the name it was written with."""
    _check_why(why)
    check_writable(out, "--out")
    from rebuildstats import commands

    show("unjoin", commands.unjoin(context.obj, kind.value, other, why=why.strip()), form, out)


@app.command()
def changes(
    context: typer.Context,
    job: Annotated[str | None, typer.Argument(help="Only the rows of this teardown.")] = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Who changed the history, when and how; for one job, what stood there before."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("changes", commands.changes(context.obj, job), form, out)


def _check_why(why: str) -> None:
    if not why.strip():
        raise UsageError("--why says in a few words how you know; it may not be empty.")
