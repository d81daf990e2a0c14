"""Files that come from a browser: their names are words of a stranger, good for naming a table and for nothing else."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

_LONGEST = 100  # characters of a name that is kept; the end with the ending stays


def put(folder: Path, files: Iterable[tuple[str, bytes]]) -> list[Path]:
    """Write uploaded files (name, content) into a folder, each into one of its own: two of the same name stay two, and
    no name leads anywhere else.
    """
    paths = []
    for number, (name, content) in enumerate(files, 1):
        path = folder / str(number) / safe_name(name)
        path.parent.mkdir()
        path.write_bytes(content)
        paths.append(path)
    return paths


def safe_name(name: str) -> str:
    """The last part of a path of any system, without what no file may be called."""
    last = re.split(r"[/\\]", name)[-1]
    plain = re.sub(r'[\x00-\x1f\x7f<>:"|?*]', " ", last).strip(" .")
    return plain[-_LONGEST:].lstrip(" .") or "unnamed"
