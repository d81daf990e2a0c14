"""The command line: arguments, one call of the library, render, exit code.

Each command checks what it was given, calls the function of the same name in `commands`, and shows its result. This
is the only place that turns an error into words on the screen. Standard output carries the answer and nothing else;
messages and progress go to standard error. Exit codes: 0 done, 1 an error of the program, 2 wrong usage, 3 done but
some rows were rejected or held, 4 nothing to compute from, 130 stopped by the person (Ctrl-C).
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from rebuildstats.errors import RebuildstatsError, UsageError
from rebuildstats.terminal import (
    DEFAULT_STORE,
    EXIT_ERROR,
    EXIT_ROWS_LEFT,
    EXIT_STOPPED,
    EXIT_USAGE,
    STOPPED,
    AsOfOption,
    ClusterOption,
    Distance,
    FormOption,
    OutOption,
    SharedOption,
    app,
    check_goal,
    check_mileage,
    check_writable,
    day_of,
    leave,
    progress_bar,
    say,
    show,
)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the program and exit; no error reaches the person as a traceback."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="replace")
    try:
        _command()(args=None if arguments is None else list(arguments), prog_name="rebuildstats")
    except RebuildstatsError as error:
        leave(str(error), error.exit_code)
    except KeyboardInterrupt:
        leave(STOPPED, EXIT_STOPPED)
    except SystemExit as left:
        if left.code == EXIT_STOPPED:
            leave(STOPPED, EXIT_STOPPED)
        raise
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell, and Python must not try again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(EXIT_ERROR)
    except MemoryError:
        leave("This machine's memory is too small for this history.", EXIT_ERROR)
    except Exception as error:
        if os.environ.get("REBUILDSTATS_DEBUG"):
            raise
        if type(error).__name__ == "InterruptException" or str(error) == "Query interrupted":
            leave(STOPPED, EXIT_STOPPED)  # what DuckDB makes of Ctrl-C in the middle of a query
        words = f"{type(error).__name__}: {error}".splitlines()[0]
        leave(f"An error of the program ({words}). Set REBUILDSTATS_DEBUG=1 to see where.", EXIT_ERROR)
    sys.exit(0)


@cache
def _command() -> Callable[..., Any]:
    """All commands with their options, worked out once."""
    return typer.main.get_command(app)


@app.callback(invoke_without_command=True)
def program(
    context: typer.Context,
    store: Annotated[Path, typer.Option("--store", envvar="REBUILDSTATS_STORE", help="The store's file.")] = Path(
        DEFAULT_STORE
    ),
    version: Annotated[bool, typer.Option("--version", help="Show the version and leave.", is_eager=True)] = False,
) -> None:
    """What a fleet's rebuild history says: what wears, what comes back, which parts will be needed."""
    if version:
        from rebuildstats import __version__

        typer.echo(f"rebuildstats {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help(), err=True)
        raise typer.Exit(EXIT_USAGE)
    context.obj = store


@app.command()
def init(
    context: typer.Context,
    distance: Annotated[Distance, typer.Option("--distance", help="The unit of every distance in the store.")],
) -> None:
    """Make a new, empty store."""
    from rebuildstats import commands

    commands.init(context.obj, distance=distance.value)
    say(f"A new, empty store stands in {context.obj}; its distances are in {distance.value}.")


@app.command()
def load(
    context: typer.Context,
    paths: Annotated[list[Path], typer.Argument(metavar="PATH...", help="Files (.csv, .xlsx) or folders of them.")],
    mapping: Annotated[Path | None, typer.Option("--mapping", help="How your sheets map to the tables (TOML).")] = None,
    rejects: Annotated[Path | None, typer.Option("--rejects", help="Write the rejected rows to this file.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would happen; change nothing.")] = False,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Bring files or folders of tables in; nothing is lost: read = new + changed + same + rejected + held + blank."""
    check_writable(out, "--out")
    check_writable(rejects, "--rejects")
    from rebuildstats import commands

    answer = commands.load(context.obj, paths, mapping=mapping, rejects=rejects, dry_run=dry_run)
    show("load", answer, form, out)
    if answer.rows_left:
        raise typer.Exit(EXIT_ROWS_LEFT)


@app.command()
def gaps(context: typer.Context, as_of: AsOfOption = None, form: FormOption = None, out: OutOption = None) -> None:
    """What the history lacks, and which answers are weaker for it."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("gaps", commands.gaps(context.obj, as_of=day_of(as_of)), form, out)


@app.command()
def lives(
    context: typer.Context,
    units: Annotated[bool, typer.Option("--units", help="The lives of whole units instead of components.")] = False,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """The life records themselves: from a component's renewal to the end of what is known of it."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("lives", commands.lives(context.obj, units=units, as_of=day_of(as_of)), form, out)


@app.command()
def fit(
    context: typer.Context,
    as_of: AsOfOption = None,
    cluster: ClusterOption = None,
    shared: SharedOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Refit all that changed since the last fit."""
    check_writable(out, "--out")
    from rebuildstats import commands

    with progress_bar("fitting") as step:
        answer = commands.fit(context.obj, as_of=day_of(as_of), cluster=cluster, shared=shared, progress=step)
    show("fit", answer, form, out)


@app.command()
def life(
    context: typer.Context,
    family: Annotated[str | None, typer.Argument(help="Only this family.")] = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Each component's fitted life: the distance by which 10 % and half have failed, with intervals."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("life", commands.life(context.obj, family, as_of=day_of(as_of)), form, out)


@app.command()
def wear(
    context: typer.Context,
    family: Annotated[str, typer.Argument(help="The family.")],
    mileage: Annotated[float, typer.Option("--mileage", help="Distance since the last rebuild.")],
    unit: Annotated[str | None, typer.Option("--unit", help="Each position at its own age in this unit.")] = None,
    complaint: Annotated[
        str | None, typer.Option("--complaint", help="Rank by what this complaint comes from.")
    ] = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """What usually wears by a mileage: chances, readings to expect, parts to pull. Cautions come first."""
    check_mileage(mileage)
    check_writable(out, "--out")
    from rebuildstats import commands

    answer = commands.wear(context.obj, family, mileage=mileage, unit=unit, complaint=complaint, as_of=day_of(as_of))
    show("wear", answer, form, out)


@app.command()
def inspections(
    context: typer.Context,
    family: Annotated[str | None, typer.Argument(help="Only this family.")] = None,
    mileage: Annotated[float | None, typer.Option("--mileage", help="Only teardowns near this mileage.")] = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Which inspections most often fail, now and in the coming months."""
    if mileage is not None:
        check_mileage(mileage)
    check_writable(out, "--out")
    from rebuildstats import commands

    show("inspections", commands.inspections(context.obj, family, mileage=mileage, as_of=day_of(as_of)), form, out)


@app.command()
def repeats(context: typer.Context, as_of: AsOfOption = None, form: FormOption = None, out: OutOption = None) -> None:
    """What comes back more than it should, since when, and by what."""
    check_writable(out, "--out")
    from rebuildstats import commands

    show("repeats", commands.repeats(context.obj, as_of=day_of(as_of)), form, out)


@app.command()
def forecast(
    context: typer.Context,
    months: Annotated[int, typer.Option("--months", help="How many calendar months ahead.")] = 12,
    as_of: AsOfOption = None,
    total: Annotated[bool, typer.Option("--total", help="Add each part's distribution over all months.")] = False,
    all_methods: Annotated[bool, typer.Option("--all-methods", help="Show the other methods beside it.")] = False,
    cluster: ClusterOption = None,
    shared: SharedOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """Parts demand by month, as a distribution."""
    if not 1 <= months <= 120:
        raise UsageError(f"--months must be between 1 and 120, not {months}.")
    check_writable(out, "--out")
    from rebuildstats import commands

    with progress_bar("forecasting") as step:
        answer = commands.forecast(
            context.obj,
            months=months,
            as_of=day_of(as_of),
            total=total,
            all_methods=all_methods,
            cluster=cluster,
            shared=shared,
            progress=step,
        )
    show("forecast", answer, form, out)


@app.command()
def order(
    context: typer.Context,
    job_fill: Annotated[float | None, typer.Option("--job-fill", help="Share of jobs not held for a part.")] = None,
    part_fill: Annotated[
        float | None, typer.Option("--part-fill", help="Share of pieces served from the shelf.")
    ] = None,
    budget: Annotated[float | None, typer.Option("--budget", help="Money to hold on the shelves.")] = None,
    what_if: Annotated[
        list[str] | None,
        typer.Option(
            "--what-if",
            help="Suppose something, as often as you like: lead-time=+10, lead-time:PART=30, price=+5%, "
            "price:PART=120, level:PART@SHELF=4, fleet=+20%, mileage=x1.5. The store stays as it is.",
        ),
    ] = None,
    workbook: Annotated[
        Path | None, typer.Option("--workbook", help="Also write the order to this .xlsx file, with the reasons.")
    ] = None,
    as_of: AsOfOption = None,
    form: FormOption = None,
    out: OutOption = None,
) -> None:
    """What to stock and what to order today, line by line with the reason (default: --job-fill 0.9)."""
    check_goal(job_fill, part_fill, budget)
    if workbook is not None and workbook.suffix.lower() != ".xlsx":
        raise UsageError(f"--workbook must end in .xlsx, not '{workbook.name}'.")
    check_writable(workbook, "--workbook")
    check_writable(out, "--out")
    from rebuildstats import commands

    goal = {"job_fill": job_fill, "part_fill": part_fill, "budget": budget}
    answer = commands.order(context.obj, **goal, what_if=what_if or (), workbook=workbook, as_of=day_of(as_of))
    show("order", answer, form, out)
    if workbook is not None:
        say(f"The order stands in {workbook}.")


@app.command()
def backtest(context: typer.Context, as_of: AsOfOption = None, form: FormOption = None, out: OutOption = None) -> None:
    """How each method would have done on this shop's own past."""
    check_writable(out, "--out")
    from rebuildstats import commands

    with progress_bar("looking back") as step:
        answer = commands.backtest(context.obj, as_of=day_of(as_of), progress=step)
    show("backtest", answer, form, out)


@app.command()
def sheet(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="UNIT|FAMILY", help="A unit, or a family with --mileage.")],
    out: Annotated[Path, typer.Option("--out", help="The sheet's file: .html or .pdf.")],
    mileage: Annotated[float | None, typer.Option("--mileage", help="Distance since the last rebuild.")] = None,
    as_of: AsOfOption = None,
) -> None:
    """The inspection sheet for the bench, every point of the family, to print and fill in."""
    if mileage is not None:
        check_mileage(mileage)
    if out.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise UsageError(f"--out must end in .html or .pdf, not '{out.name}'.")
    check_writable(out, "--out")
    from rebuildstats import commands

    subject = {"unit": name} if mileage is None else {"family": name, "mileage": mileage}
    answer = commands.sheet(context.obj, **subject, out=out, as_of=day_of(as_of))
    for line in answer.first:
        say(line)
    say(f"The sheet stands in {out}: {len(answer.frame())} points. Print it on A4.")
    for line in answer.last:
        say(line)


@app.command()
def demo(
    folder: Annotated[Path, typer.Option("--folder", help="Where the demo store is made.")] = Path("demo"),
) -> None:
    """Build the demo store, run the whole job on it and print each desk's answer."""
    from rebuildstats import commands

    with progress_bar("demo") as step:
        told = commands.demo(folder, progress=step)
    for title, lines in told.result.items():
        typer.echo(f"\n{title}\n{'=' * len(title)}")
        for line in lines:
            typer.echo(line)


@app.command()
def dashboard(
    context: typer.Context,
    host: Annotated[
        str, typer.Option("--host", help="The address to listen on; the default is this machine only.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", help="The port.", min=1, max=65535)] = 8501,
) -> None:
    """Open the dashboard of the store in the browser (stop it with Ctrl-C)."""
    from rebuildstats import places  # all that it takes: the pages are a process of their own, which reads the rest

    places.check_address(host, port)
    if not context.obj.exists():
        say(f"There is no store at {context.obj} yet; the dashboard will say how to make one.")
    say(f"The dashboard of {context.obj} opens at http://{host}:{port} (stop it with Ctrl-C).")
    if host not in ("127.0.0.1", "localhost", "::1"):
        say("Whoever can reach this address can read the history and write to it.")
    raise typer.Exit(places.run_dashboard(context.obj, host, port))


from rebuildstats import cli_bringing as _bringing  # noqa: E402, F401
from rebuildstats import cli_counter as _counter  # noqa: E402, F401
from rebuildstats import cli_keeping as _keeping  # noqa: E402, F401  (its commands stand below these in the help)
from rebuildstats import cli_lasting as _lasting  # noqa: E402, F401
from rebuildstats import cli_recurring as _recurring  # noqa: E402, F401
