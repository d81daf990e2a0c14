"""The parts counter's further commands at the terminal: kits and pick lists, spare units, suppliers, what is late, what
runs short, what lies dead, lots, and money against held jobs."""

from __future__ import annotations

from typing import Annotated

import typer

from rebuildstats.terminal import AsOfOption, FormOption, OutOption, app, check_goal, check_writable, day_of, show

DaysOption = Annotated[float, typer.Option("--days", help="How many days ahead.")]
LeastChanceOption = Annotated[
    float, typer.Option("--least-chance", help="Units not booked: the least chance of a teardown until then.")
]
JobFillOption = Annotated[float | None, typer.Option("--job-fill", help="Share of jobs not held for a part.")]
PartFillOption = Annotated[float | None, typer.Option("--part-fill", help="Share of pieces served from the shelf.")]
BudgetOption = Annotated[float | None, typer.Option("--budget", help="Money to hold on the shelves.")]


@app.command()
def kits(
    context: typer.Context,
    days: DaysOption = 60.0,
    least_chance: LeastChanceOption = 0.3,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Each teardown booked or likely, with the chance that everything it needs lies on the shelf."""
    check_writable(out, "--out")
    from rebuildstats import commands

    answer = commands.kits(context.obj, days=days, least_chance=least_chance, as_of=day_of(as_of))
    show("kits", answer, form, out)


@app.command()
def picks(
    context: typer.Context,
    unit: Annotated[str | None, typer.Argument(help="Only this unit, were it opened next.")] = None,
    days: DaysOption = 60.0,
    least_chance: LeastChanceOption = 0.3,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """The pick list of a unit, or of every teardown booked or likely: pull these now, have these at hand."""
    check_writable(out, "--out")
    from rebuildstats import commands

    answer = commands.picks(context.obj, unit, days=days, least_chance=least_chance, as_of=day_of(as_of))
    show("picks", answer, form, out)


@app.command()
def spares(
    context: typer.Context,
    most_chance: Annotated[
        float, typer.Option("--most-chance", help="The chance to accept that a vehicle finds no ready unit.")
    ] = 0.05,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Ready units per family, how many it takes, and the chance that a vehicle finds none."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("spares", commands.spares(context.obj, most_chance=most_chance, as_of=day_of(as_of)), form, out)


@app.command()
def suppliers(
    context: typer.Context,
    least: Annotated[
        list[str] | None,
        typer.Option("--least", help="SUPPLIER=MONEY: the least sum a supplier delivers for, as often as you like."),
    ] = None,
    job_fill: JobFillOption = None,
    part_fill: PartFillOption = None,
    budget: BudgetOption = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Today's order by supplier: what packs and least quantities add, what lacks to a least sum."""
    check_goal(job_fill, part_fill, budget)
    check_writable(out, "--out")
    from rebuildstats import commands

    goal = {"job_fill": job_fill, "part_fill": part_fill, "budget": budget}
    show("suppliers", commands.suppliers(context.obj, least=least or (), **goal, as_of=day_of(as_of)), form, out)


@app.command()
def overdue(context: typer.Context, as_of: AsOfOption = None, form: FormOption = None, out: OutOption = None) -> None:
    """Open orders that should have come, the latest first."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("overdue", commands.overdue(context.obj, as_of=day_of(as_of)), form, out)


@app.command()
def shortages(context: typer.Context, as_of: AsOfOption = None, form: FormOption = None, out: OutOption = None) -> None:
    """What may run out before anything ordered today can arrive, likeliest first."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("shortages", commands.shortages(context.obj, as_of=day_of(as_of)), form, out)


@app.command()
def deadstock(
    context: typer.Context,
    job_fill: JobFillOption = None,
    part_fill: PartFillOption = None,
    budget: BudgetOption = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """What lies on the shelves that nothing foreseeable needs, and its money."""
    check_goal(job_fill, part_fill, budget)
    check_writable(out, "--out")
    from rebuildstats import commands

    goal = {"job_fill": job_fill, "part_fill": part_fill, "budget": budget}
    show("deadstock", commands.deadstock(context.obj, **goal, as_of=day_of(as_of)), form, out)


@app.command()
def lots(
    context: typer.Context,
    order_cost: Annotated[
        float, typer.Option("--order-cost", help="Money to place, receive and book in one order line.")
    ],
    holding: Annotated[
        float, typer.Option("--holding", help="What a year on the shelf costs, as a share of the price.")
    ] = 0.2,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """How many pieces to buy at once, so that ordering and holding cost least."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("lots", commands.lots(context.obj, order_cost=order_cost, holding=holding, as_of=day_of(as_of)), form, out)


@app.command()
def curve(
    context: typer.Context,
    job_fill: JobFillOption = None,
    part_fill: PartFillOption = None,
    budget: BudgetOption = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Money against held jobs: the best that each sum can do, and where today's shelf and habit stand."""
    check_goal(job_fill, part_fill, budget)
    check_writable(out, "--out")
    from rebuildstats import commands

    goal = {"job_fill": job_fill, "part_fill": part_fill, "budget": budget}
    show("curve", commands.curve(context.obj, **goal, as_of=day_of(as_of)), form, out)
