"""A Dask cluster at work on a history divided by family. The only module that imports dask.

The home process sends each family's part to a worker and asks it on, question by question; parts that wait for the same
answer are answered together (`fits.exchange`). A part stays with the worker that began it. When that worker dies, Dask
gives its task to another one, which finds that it doesn't have the part and is told all answers again.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from rebuildstats.by_family import pieces
from rebuildstats.by_family.pieces import Ahead, Done, FittedPiece, Job, Lost
from rebuildstats.errors import ClusterError, UsageError
from rebuildstats.fits.exchange import Ask, taken
from rebuildstats.fits.kept import METHOD
from rebuildstats.history.families import Divided

if TYPE_CHECKING:
    from collections.abc import Callable

    import distributed

_PATIENCE = 10.0  # seconds for a scheduler to answer
_WORKERS_PATIENCE = 60.0  # seconds for its first worker to come


@dataclass(slots=True)
class _Way:
    """One family's part as home knows it: the answers so far, how many of them its worker has had, which one it is."""

    answers: list[Any] = field(default_factory=list)
    had: int = 0
    worker: str | None = None


@contextmanager
def cluster(address: str) -> Iterator[distributed.Client]:
    """A client of the cluster at `address` (`tcp://host:8786`), closed at the end of the block.

    Raises UsageError where dask isn't installed, where nobody answers, and where no worker comes.
    """
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            "--cluster needs the extra `cluster`, which is not installed here: pip install 'rebuildstats[cluster]'."
        ) from error
    try:
        client = distributed.Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(
            f"Nobody answers at {address}: --cluster takes the address of a running Dask scheduler that this machine "
            "reaches (`dask scheduler` starts one and says its address, `dask worker ADDRESS` a worker)."
        ) from error
    try:
        try:
            client.wait_for_workers(1, timeout=_WORKERS_PATIENCE)
        except TimeoutError as error:
            raise UsageError(
                f"The scheduler at {address} has no worker: start some with `dask worker {address}`."
            ) from error
        yield client
    finally:
        client.close()


def by_family(
    client: distributed.Client, of: Divided, ahead: Ahead | None, *, tell: Callable[[float, float, str], None]
) -> list[FittedPiece]:
    """Every family's fits, and with `ahead` its forecast, in the order of their numbers; tell: (done, of, what) on the
    way.

    Raises what a part raises, and ClusterError where the cluster can't do it.
    """
    job = Job(uuid.uuid4().hex, of, ahead)
    # the largest first: what is left for the end should be short
    ways = {place: _Way() for place in sorted(range(len(of.families)), key=lambda i: -of.teardowns[i])}
    results: dict[int, FittedPiece] = {}
    asked: dict[int, Ask] = {}
    next_ones, rounds = list(ways), 0
    try:
        while next_ones:
            for place, said in _round(client, job, {place: ways[place] for place in next_ones}).items():
                if isinstance(said, Done):
                    results[place] = said.result
                else:
                    asked[place] = said
            answers = taken(asked)
            for place, answer in answers.items():
                ways[place].answers.append(answer)
            next_ones, rounds = [place for place in ways if place in answers], rounds + 1
            tell(len(results), len(of.families), f"{len(of.families)} families, exchange {rounds}")
    finally:
        with suppress(Exception):  # a worker that can't be reached any more has forgotten it
            client.run(pieces.forget, job)
    return [results[place] for place in range(len(of.families))]


def _round(client: distributed.Client, job: Job, ways: dict[int, _Way]) -> dict[int, Ask | Done]:
    """What every part says next."""
    import distributed

    said: dict[int, Ask | Done] = {}
    waiting = {_sent(client, job, place, way): place for place, way in ways.items()}
    todo = distributed.as_completed(list(waiting), loop=client.loop)
    for future in todo:
        place = waiting.pop(future)
        way = ways[place]
        worker, what = _result(future, job.of.families[place])
        if isinstance(what, Lost):
            way.had, way.worker = 0, None
            again = _sent(client, job, place, way)
            waiting[again] = place
            todo.add(again)
        else:
            way.had, way.worker = len(way.answers), worker
            said[place] = what
    return said


def _sent(client: distributed.Client, job: Job, place: int, way: _Way) -> distributed.Future[Any]:
    return client.submit(
        _advance,
        (METHOD, job),
        place,
        way.answers[way.had :],
        way.had,
        workers=None if way.worker is None else [way.worker],
        allow_other_workers=way.worker is not None,
        pure=False,
        key=f"{job.of.families[place]}-{len(way.answers)}-{uuid.uuid4().hex}",
    )


def _advance(sent: tuple[int, Job], place: int, answers: list[Any], skipped: int) -> tuple[str, Ask | Done | Lost]:
    """On a worker: its address, and what the part says."""
    import distributed

    method, job = sent
    if method != METHOD:
        raise ClusterError("A worker runs another version of rebuildstats than this machine: install the same on all.")
    return distributed.get_worker().address, pieces.advance(job, place, answers, skipped)


def _result(future: distributed.Future[Any], family: str) -> tuple[str, Ask | Done | Lost]:
    import distributed

    try:
        found: tuple[str, Ask | Done | Lost] = future.result()
    except distributed.KilledWorker as error:
        raise ClusterError(
            f"The cluster lost every worker that took up the family `{family}`: most likely its rows are more than a "
            "worker's memory holds. Start workers with more of it."
        ) from error
    except (
        ModuleNotFoundError,
        distributed.comm.core.CommClosedError,
        distributed.client.FutureCancelledError,
    ) as error:
        raise ClusterError(
            f"The cluster could not work on the family `{family}` ({error}): rebuildstats must be installed on every "
            "worker, in the version of this machine, and the scheduler must stay reachable."
        ) from error
    return found
