"""Where things lie on this machine: what an installation carries, fonts, files to write."""

from __future__ import annotations

from pathlib import Path

from rebuildstats.errors import NothingToComputeError, UsageError


def beside(folder: str, installed: str) -> Path:
    """A folder that an installed wheel carries inside the package and a checkout holds beside it."""
    here = Path(__file__).parent
    for place in (here / installed, here.parent / folder):
        if place.is_dir():
            return place
    raise NothingToComputeError(f"This installation lacks its folder {folder}; install rebuildstats again.")


def write_bytes(out: Path, data: bytes) -> None:
    """Write a file; UsageError where the place can't be written to."""
    try:
        out.write_bytes(data)
    except OSError as error:
        raise UsageError(f"{out} can't be written: {error.strerror}.") from error


def find_font() -> str | None:
    """A TrueType font of this machine with many scripts, for sheets beyond Latin-1."""
    names = ("DejaVuSans.ttf", "NotoSans-Regular.ttf", "LiberationSans-Regular.ttf", "Arial Unicode.ttf", "arial.ttf")
    places = (
        "/usr/share/fonts",
        "/usr/local/share/fonts",
        "/Library/Fonts",
        "/System/Library/Fonts",
        "C:/Windows/Fonts",
    )
    for name in names:
        for place in places:
            for found in sorted(Path(place).rglob(name)) if Path(place).is_dir() else ():
                return str(found)
    return None
