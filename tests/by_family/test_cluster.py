"""A real scheduler and two worker processes on this machine: the same answers, also when one of them dies midway."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time

import pytest

import rebuildstats
from rebuildstats.errors import ClusterError, NothingToComputeError, UsageError
from rebuildstats.history import store as stores
from tests.by_family.small_network import furthest
from tests.terminal import run
from tests.waiting import PATIENCE

distributed = pytest.importorskip("distributed")
dask = pytest.importorskip("dask")
processes = pytest.importorskip("distributed.utils").get_mp_context

NEAR = 1e-11  # sums of families are added in another order than sums of rows; what is left of that in the answers


# Workers are forked from a process that has read all libraries, and a busy machine is no failure.
SETTINGS = {
    "distributed.worker.multiprocessing-method": "forkserver",
    "distributed.comm.timeouts.connect": PATIENCE,
    "distributed.comm.timeouts.tcp": PATIENCE,
}


@pytest.fixture(scope="module")
def cluster():
    with dask.config.set(SETTINGS), pytest.MonkeyPatch.context() as patched:
        patched.setattr("rebuildstats.by_family.cluster._PATIENCE", PATIENCE)
        patched.setattr("rebuildstats.by_family.cluster._WORKERS_PATIENCE", PATIENCE)
        processes().set_forkserver_preload(["distributed", "rebuildstats.by_family.cluster"])
        with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", memory_limit=0
        ) as made:
            yield made.scheduler_address


def own_copy(network, folder):
    return shutil.copyfile(network, folder / "network.duckdb")


class Killer(threading.Thread):
    """Kills, without warning, a worker that is at work on a task, once it is told to."""

    def __init__(self, address):
        super().__init__(daemon=True)
        self.address, self.now, self.killed = address, threading.Event(), None

    def run(self):
        with distributed.Client(self.address, set_as_default=False) as client:
            ids = client.run(os.getpid)
            self.now.wait(PATIENCE)
            while self.killed is None:
                busy = [worker for worker, tasks in client.processing().items() if tasks]
                if busy:
                    os.kill(ids[busy[0]], signal.SIGKILL)
                    self.killed = busy[0]
                time.sleep(0.001)


def test_a_cluster_forecasts_as_one_machine_though_a_worker_dies(cluster, network, one_machine):
    killer = Killer(cluster)
    killer.start()
    rounds = []

    def told(done, of, what):
        rounds.append(what)
        if len(rounds) == 10:
            killer.now.set()

    answer = rebuildstats.forecast(network, months=2, total=True, all_methods=True, cluster=cluster, progress=told)
    killer.join(PATIENCE)
    assert killer.killed is not None
    assert len(rounds) > 10, "it died before the end"
    assert furthest(one_machine[1].rows, answer.rows) < 1e-9


def test_the_command_line_asks_a_cluster_and_keeps_its_fits(cluster, network, one_machine, tmp_path):
    store, shared = own_copy(network, tmp_path), tmp_path / "shared"
    with stores.writing(store) as con:
        con.execute("delete from fits").fetchall()
    out = tmp_path / "fits.json"
    ended = run("--store", store, "fit", "--cluster", cluster, "--shared", shared, "--out", out)
    assert ended.code == 0, ended.err
    assert f"Written to {out}: {len(one_machine[0].rows)} rows." in ended.err
    (folder,) = shared.iterdir()
    assert sorted(path.name for path in (folder / "units").iterdir()) == ["place=0", "place=1"]
    kept = rebuildstats.fit(store)
    assert kept.result.renewed == ()
    assert furthest(one_machine[0].rows, kept.rows) < NEAR


def test_an_empty_history_is_said_so(cluster, tmp_path):
    stores.create(tmp_path / "empty.duckdb", "mi")
    with pytest.raises(NothingToComputeError):
        rebuildstats.fit(tmp_path / "empty.duckdb", cluster=cluster)


def test_an_address_where_nobody_answers_is_one_sentence(network, monkeypatch):
    monkeypatch.setattr("rebuildstats.by_family.cluster._PATIENCE", 1.0)
    for address in ("tcp://127.0.0.1:1", "nonsense://there", "127.0.0.1"):
        with pytest.raises(UsageError, match=f"Nobody answers at {address}: --cluster takes the address") as caught:
            rebuildstats.fit(network, cluster=address)
        assert caught.value.exit_code == 2


def test_a_scheduler_without_workers_is_one_sentence(network, monkeypatch):
    monkeypatch.setattr("rebuildstats.by_family.cluster._WORKERS_PATIENCE", 0.5)
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=":0", processes=True) as empty,
        pytest.raises(UsageError, match="has no worker: start some with `dask worker"),
    ):
        rebuildstats.fit(network, cluster=empty.scheduler_address)


def test_without_the_extra_one_sentence_says_what_to_install(network, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'rebuildstats\[cluster\]'"):
        rebuildstats.fit(network, cluster="tcp://127.0.0.1:8786")


def test_workers_of_another_version_are_refused(cluster, network, monkeypatch):
    monkeypatch.setattr("rebuildstats.by_family.cluster.METHOD", -1)
    with pytest.raises(ClusterError, match="another version"):
        rebuildstats.fit(network, cluster=cluster)
