"""What lies and runs on this machine: what an installation carries, fonts, files to write, the dashboard's process."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.reports import sheet_pdf
from rebuildstats.reports.sheet import Sheet, html


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


def write_sheet(content: Sheet, out: Path) -> None:
    """Write a sheet as the file's ending says (.pdf, else HTML); UsageError where that can't be done."""
    if out.suffix.lower() == ".pdf":
        font = find_font() if sheet_pdf.needs_font(content) else None
        try:
            data = sheet_pdf.pdf(content, font=font)
        except ValueError:
            raise UsageError(
                "This sheet has letters that a PDF can show only with a TrueType font, and none was found on this "
                "machine. Write it as .html instead."
            ) from None
    else:
        data = html(content).encode("utf-8")
    write_bytes(out, data)


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


def check_address(host: str, port: int) -> None:
    """Raise UsageError where a server can't listen at this address."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0][0]
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageError(f"Nothing can listen at {host}:{port} ({reason}). Try another --host or --port.") from error


def run_dashboard(store: str | Path, host: str, port: int) -> int:
    """Run the dashboard's own process until it ends; its exit code. Ctrl-C stops it, then goes on as it came; whoever
    ends us (a service manager) ends it too."""
    command = [sys.executable, "-m", "streamlit", "run", str(beside("dashboards", "_dashboards") / "app.py")]
    command += ["--server.address", host, "--server.port", str(port), "--server.headless", "true"]
    command += ["--browser.gatherUsageStats", "false"]
    surroundings = os.environ | {"REBUILDSTATS_STORE": str(Path(store).absolute())}
    with subprocess.Popen(command, env=surroundings, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL) as running:
        before = signal.signal(signal.SIGTERM, lambda *_: running.terminate()) if _in_main_thread() else None
        try:
            return running.wait()
        finally:
            if before is not None:
                signal.signal(signal.SIGTERM, before)
            if running.poll() is None:
                running.send_signal(signal.SIGTERM)
                try:
                    running.wait(timeout=10)
                except subprocess.TimeoutExpired:
                    running.kill()


def _in_main_thread() -> bool:
    """Only the main thread may say what a signal does."""
    return threading.current_thread() is threading.main_thread()
