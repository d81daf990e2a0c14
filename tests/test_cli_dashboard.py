"""The dashboard as a command: it answers, it listens to this machine only, Ctrl-C ends it cleanly."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request

import pytest

from tests.ports import free_port
from tests.terminal import run
from tests.waiting import PATIENCE, until


def healthy(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=20) as answer:
            return answer.read() == b"ok"
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False


@pytest.fixture
def started(tmp_path):
    """A dashboard that answers, and its port."""
    run("--store", tmp_path / "s", "init", "--distance", "mi")
    port = free_port()
    command = [sys.executable, "-m", "rebuildstats", "--store", "s", "dashboard", "--port", str(port)]
    process = subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )
    until(lambda: healthy(port) or process.poll() is not None, every=0.1)
    assert process.poll() is None, process.stdout.read()
    yield process, port
    process.kill()
    process.wait()
    if process.stdout is not None:
        process.stdout.close()


def test_dashboard_answers_and_stops_with_ctrl_c(started):
    process, port = started
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=PATIENCE)
    assert process.returncode == 130
    assert "Traceback" not in said
    assert f"http://127.0.0.1:{port}" in said
    assert not healthy(port)


def test_the_dashboard_ends_with_whoever_started_it(started):
    process, port = started
    process.terminate()
    process.communicate(timeout=PATIENCE)
    until(lambda: not healthy(port))  # the server hears of it a moment later


def test_a_taken_port_is_told_and_nothing_is_started(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        told = run("--store", tmp_path / "s", "dashboard", "--port", port)
    assert told.code == 2
    assert str(port) in told.err
    assert "--port" in told.err


def test_an_address_that_is_not_ours_is_told(tmp_path):
    told = run("--store", tmp_path / "s", "dashboard", "--host", "192.0.2.1")
    assert told.code == 2
    assert "192.0.2.1" in told.err
