"""The commands that ask what recurs, ruins, drifts and fails by mileage."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from rebuildstats.terminal import AsOfOption, FormOption, OutOption, app, check_mileage, check_writable, day_of, show

FamilyArgument = Annotated[str | None, typer.Argument(help="Only this family.")]


class By(StrEnum):
    """What units can be put in groups by."""

    site = "site"
    duty = "duty"
    origin = "origin"


@app.command()
def recurrence(
    context: typer.Context,
    family: FamilyArgument = None,
    component: Annotated[str | None, typer.Option("--component", help="Only this component.")] = None,
    by: Annotated[By | None, typer.Option("--by", help="Also by group, each set against the rest.")] = None,
    mileage: Annotated[float | None, typer.Option("--mileage", help="Read the curve at this unit mileage.")] = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Failures per unit as its mileage adds up, what they cost, and whether it gets worse."""
    if mileage is not None:
        check_mileage(mileage)
    check_writable(out, "--out")
    from rebuildstats import commands

    group = None if by is None else by.value
    answer = commands.recurrence(
        context.obj, family, component=component, by=group, mileage=mileage, as_of=day_of(as_of)
    )
    show("recurrence", answer, form, out)


@app.command()
def damage(
    context: typer.Context,
    family: FamilyArgument = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Which failure ruins which neighbours, how often, and what catching it earlier would save."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("damage", commands.damage(context.obj, family, as_of=day_of(as_of)), form, out)


@app.command()
def drift(context: typer.Context, as_of: AsOfOption = None, form: FormOption = None, out: OutOption = None) -> None:
    """Readings that shift for all points at once: a gauge or a site, told apart from wear."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("drift", commands.drift(context.obj, as_of=day_of(as_of)), form, out)


@app.command()
def shares(
    context: typer.Context,
    family: FamilyArgument = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """The share of fails per inspection point by band of mileage."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("shares", commands.shares(context.obj, family, as_of=day_of(as_of)), form, out)
