"""Runs the program as a person does, in this process: arguments in; exit code, standard output and error out."""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass

from rebuildstats import cli


@dataclass(frozen=True)
class Told:
    code: int
    out: str
    err: str

    @property
    def words(self) -> str:
        return self.out + self.err


def run(*arguments: object) -> Told:
    """One call of the program. Fails when anything else than an exit code comes back."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            cli.main([str(argument) for argument in arguments])
        except SystemExit as left:
            code = left.code
    assert isinstance(code, int)
    told = Told(code, out.getvalue(), err.getvalue())
    assert "Traceback" not in told.words
    return told
