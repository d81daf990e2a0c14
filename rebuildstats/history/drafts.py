"""Writers take turns, each on a draft: a private copy of the store that takes the store's place in one step.

Why a copy: DuckDB locks a file while it writes it, and nobody else can read meanwhile. A store's file is never written
in place here, so a reader always finds a whole one and waits for nobody, and a writer that dies at any moment leaves
the store as it was. A copy is cheap: a million findings take some tens of megabytes, and a file system that can
(btrfs, XFS, APFS) copies none of them.

While somebody writes, a hidden folder that only its owner may enter stands beside the store: the lock, the draft and
whatever DuckDB puts beside it. The operating system frees the lock of a process that dies; who comes next tidies up.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from rebuildstats.errors import StoreBusyError, StoreError

if sys.platform == "win32":
    import msvcrt

    def _lock(lock: int) -> None:
        os.lseek(lock, 1 << 20, os.SEEK_SET)  # behind the text: Windows lets nobody read what is locked
        msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(lock: int) -> None:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)


#: The longest pause between two looks whether it is one's turn.
_PAUSE_SECONDS = 0.05


class _Lock:
    """An open lock file, by its number; closed at the latest when nobody knows it any more, as after Ctrl-C between two
    lines.
    """

    file = -1

    def __init__(self, file: int) -> None:
        self.file = file

    def close(self) -> None:
        file, self.file = self.file, -1
        if file >= 0:
            os.close(file)

    __del__ = close


@contextmanager
def turn(store: Path, patience: float) -> Iterator[Path]:
    """Within the block nobody else writes to the store; gives the private folder for drafts, empty, gone afterwards.

    store: need not exist. Raises StoreBusyError where others kept writing for `patience` seconds, StoreError where the
    folder of the store cannot be written to.
    """
    folder = store.with_name(f".{store.name}.writing")
    lock = _wait_for_turn(store, folder / "lock", patience)
    try:
        _empty(folder)
        yield folder
    finally:
        with suppress(OSError):
            _empty(folder)
        if sys.platform == "win32":  # an open file cannot be removed there; one that another has opened stays, and may
            lock.close()
            with suppress(OSError):
                (folder / "lock").unlink()
        else:  # elsewhere a lock freed before it is gone could be taken and then be lost
            (folder / "lock").unlink(missing_ok=True)
            lock.close()
        with suppress(OSError):  # another took the next turn already
            folder.rmdir()


def copy_private(source: Path, target: Path) -> None:
    """Copy a file to a new one that only its owner may read; the blocks are shared where the file system can."""
    with (
        source.open("rb") as reader,
        open(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as writer,
    ):
        if not _copied_by_system(reader.fileno(), writer.fileno()):
            reader.seek(0)
            writer.seek(0)
            shutil.copyfileobj(reader, writer, 1 << 20)


def publish(draft: Path, store: Path, patience: float) -> None:
    """Let a draft take the place of a store in one step; by then it is on the disk, so that a power cut finds one or
    the other whole.
    """
    _to_disk(draft)
    end = time.monotonic() + patience
    while True:
        try:
            os.replace(draft, store)
            break
        except PermissionError:  # Windows does not move a file over one that a reader has open
            if sys.platform != "win32" or time.monotonic() >= end:
                raise
            time.sleep(_PAUSE_SECONDS)
    _to_disk(store.parent)


def put_new(draft: Path, file: Path) -> None:
    """Move a draft to a name that nothing stands under yet. Raises FileExistsError where something does."""
    _to_disk(draft)
    try:
        os.link(draft, file)  # never replaces, even where another process was faster
        draft.unlink()
    except FileExistsError:
        raise
    except OSError:  # a file system without links, as on most memory sticks
        if file.exists() or file.is_symlink():
            raise FileExistsError(str(file)) from None
        os.replace(draft, file)
    _to_disk(file.parent)


def _wait_for_turn(store: Path, name: Path, patience: float) -> _Lock:
    end = time.monotonic() + patience
    pause = 0.002
    while True:
        try:
            name.parent.mkdir(mode=0o700, exist_ok=True)
            lock = _Lock(os.open(name, os.O_RDWR | os.O_CREAT, 0o600))
        except (FileNotFoundError, FileExistsError) as error:
            if not store.parent.is_dir():
                raise StoreError(f"The folder {store.parent} does not exist.") from None
            if name.parent.is_file():
                raise StoreError(f"{name.parent} stands where the store is to be written; remove it.") from error
            continue  # who was here before removed the folder while it was looked at
        except OSError as error:
            raise StoreError(
                f"{store} cannot be written: its folder {store.parent} is closed to us ({error.strerror})."
            ) from error
        try:
            _lock(lock.file)
            if os.stat(name).st_ino == os.fstat(lock.file).st_ino:
                os.truncate(lock.file, 0)
                os.write(lock.file, str(os.getpid()).encode())
                return lock
        except OSError:
            pass  # taken, or removed by who had it
        lock.close()
        if time.monotonic() >= end:
            raise StoreBusyError(
                f"The store {store} has been in use{_holder(name)} for more than {patience:g} seconds. "
                "Nothing was changed; try again."
            )
        time.sleep(pause * (0.5 + random.random()))
        pause = min(pause * 1.5, _PAUSE_SECONDS)


def _holder(name: Path) -> str:
    with suppress(OSError):
        number = name.read_text(encoding="ascii", errors="replace").strip()
        if number.isdigit():
            return f" by process {number}"
    return ""


def _empty(folder: Path) -> None:
    """Remove what a writer left, the lock apart."""
    for left in [folder / name for name in os.listdir(folder) if name != "lock"]:
        shutil.rmtree(left) if left.is_dir() and not left.is_symlink() else left.unlink()


def _copied_by_system(reader: int, writer: int) -> bool:
    """Copy within the kernel, which shares blocks where it can; False where this system does not offer it."""
    if not hasattr(os, "copy_file_range"):
        return False
    size = os.fstat(reader).st_size
    done = 0
    try:
        while done < size:
            copied = os.copy_file_range(reader, writer, size - done, done, done)
            if copied == 0:
                return False
            done += copied
    except OSError:  # not offered between these files; where the disk is full, the plain way says so
        return False
    return True


def _to_disk(path: Path) -> None:
    """Have a file's content, or a folder's names, on the disk before anybody relies on them."""
    if path.is_dir() and sys.platform == "win32":
        return  # Windows opens no folders
    opened = os.open(path, os.O_RDWR if path.is_file() else os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
