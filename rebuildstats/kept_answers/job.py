"""Working answers out: all that the desks open with, or one that somebody asked for.

Run as a program (`python -m rebuildstats.kept_answers.job STORE SHELF [QUESTION ARGUMENTS]`) it says how far it has
come, a line of JSON at a time, and may be ended at any moment: an answer is kept whole or not at all.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from rebuildstats.answers import Progress
from rebuildstats.errors import RebuildstatsError, StoreError
from rebuildstats.kept_answers.questions import EVERY_DESK, WORDS, Work, answer
from rebuildstats.kept_answers.shelf import Shelf, make_room, shelf

_NICENESS = 5  # whoever waits for a page comes first
Wanted = Sequence[tuple[str, Mapping[str, Any]]]


def work_out(store: str | Path, wanted: Wanted = EVERY_DESK, progress: Progress | None = None) -> Shelf:
    """Work out those of the answers that are not ready for the store's present history, and keep them beside the store.

    Raises StoreError and StoreBusyError; StoreError too where the history changed meanwhile.
    """
    tell = progress or (lambda *_: None)
    place = shelf(store)
    missing = [(question, arguments) for question, arguments in wanted if not place.has(question, arguments)]
    if missing:
        make_room(place)
    work = Work(place, tell)
    for done, (question, arguments) in enumerate(missing):
        work.tell = _within(done, len(missing), WORDS[question], tell)
        work.tell(0, 1, "")
        answer(work, question, arguments)
    tell(len(missing), len(missing), "done")
    return place


def _within(done: int, of: int, words: str, tell: Progress) -> Progress:
    """The progress of one answer as part of the whole."""

    def told(part: float, parts: float, what: str) -> None:
        more = f": {what}" if what and what != "done" else ""
        tell(done + (part / parts if parts else 0.0), of, words + more)

    return told


def main(arguments: Sequence[str]) -> int:
    """The program: a line of JSON for every step, the last of them with `ended` (true, or why not)."""
    with suppress(OSError, AttributeError):
        os.nice(_NICENESS)
    store, wished, *asked = arguments
    wanted: Wanted = ((asked[0], json.loads(asked[1])),) if asked else EVERY_DESK
    try:
        if shelf(store).name != wished:
            raise StoreError("The history or this program was changed meanwhile; ask again, or start anew.")
        work_out(store, wanted, lambda done, of, what: _say({"done": done, "of": of, "what": what}))
    except RebuildstatsError as error:
        _say({"ended": str(error)})
        return error.exit_code
    _say({"ended": True})
    return 0


def _say(told: Mapping[str, Any]) -> None:
    sys.stdout.write(json.dumps(told) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
