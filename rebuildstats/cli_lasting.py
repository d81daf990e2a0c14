"""The commands that ask how sure a life is, which make lasts longer, and how often things fail."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from rebuildstats.terminal import AsOfOption, FormOption, OutOption, app, check_writable, day_of, show

FamilyArgument = Annotated[str | None, typer.Argument(help="Only this family.")]


class RatesBy(StrEnum):
    """What rates can be split by."""

    duty = "duty"
    site = "site"
    part = "part"
    first_life = "first_life"


@app.command()
def makes(
    context: typer.Context,
    family: FamilyArgument = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Which make of a part lasts longer, and is it worth its price."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("makes", commands.makes(context.obj, family, as_of=day_of(as_of)), form, out)


@app.command()
def rates(
    context: typer.Context,
    family: FamilyArgument = None,
    by: Annotated[RatesBy | None, typer.Option("--by", help="A row per component and level of this.")] = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Failures per 100,000 of distance with exact bounds; what duty, site and family do to them."""
    check_writable(out, "--out")
    from rebuildstats import commands

    level = None if by is None else by.value
    show("rates", commands.rates(context.obj, family, by=level, as_of=day_of(as_of)), form, out)


@app.command()
def rivals(
    context: typer.Context,
    family: FamilyArgument = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Every life distribution tried, with AICc, its share in the answer, and what it says of B10."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("rivals", commands.rivals(context.obj, family, as_of=day_of(as_of)), form, out)


@app.command()
def doubts(
    context: typer.Context,
    family: FamilyArgument = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """How far each fitted life can be trusted: bent plots, failures when young, wrong verdicts."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("doubts", commands.doubts(context.obj, family, as_of=day_of(as_of)), form, out)


@app.command()
def points(
    context: typer.Context,
    family: FamilyArgument = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Every inspection point's wear per 10,000, the ages at which it reaches its limit, and whether lives agree."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("points", commands.points(context.obj, family, as_of=day_of(as_of)), form, out)
