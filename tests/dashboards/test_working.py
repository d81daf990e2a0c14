"""Answers that are not ready: the page says how far the work is, and lets it be stopped."""

from __future__ import annotations

import sys

import pytest

from rebuildstats.history import store as stores
from rebuildstats.kept_answers.shelf import NotReadyError, Shelf, shelf
from tests.dashboards.conftest import APP, said
from tests.waiting import until

sys.path.insert(0, str(APP.parent))
import working

NEVER_ENDS = """
import json, time
print(json.dumps({"done": 1, "of": 4, "what": "counting"}), flush=True)
time.sleep(600)
"""


@pytest.fixture
def not_at_once(at_once, monkeypatch):
    """The page's own way: what is not ready is not made on the way."""

    def take(self, question, arguments):
        if not self.has(question, arguments):
            raise NotReadyError(question, arguments)
        return {"rows": None}

    monkeypatch.setattr(Shelf, "take", take)


@pytest.fixture
def workshop(monkeypatch):
    made = working.Workshop()
    monkeypatch.setattr(working, "workshop", lambda: made)
    yield made
    made.stop_all()
    until(lambda: all(job.ended is not None for job in made.jobs.values()))


@pytest.fixture
def endless(monkeypatch):
    """A job that tells how far it is and never ends by itself."""
    start = working.subprocess.Popen
    monkeypatch.setattr(
        working.subprocess, "Popen", lambda _command, **how: start([sys.executable, "-c", NEVER_ENDS], **how)
    )


def test_a_job_tells_how_far_it_is_and_can_be_stopped(workshop, endless):
    job = workshop.job("store", "shelf", None)
    until(lambda: job.what == "counting")
    assert (job.done, job.of) == (1, 4)
    assert workshop.job("store", "shelf", ("order", "{}")) is job, "one at a time works for a store"
    job.stop()
    until(lambda: job.ended is not None)
    assert job.ended == "Stopped."
    assert workshop.job("store", "shelf", None) is job, "what somebody stopped does not start by itself"
    again = workshop.job("store", "shelf", None, again=True)
    assert again is not job
    changed = workshop.job("store", "another history", None)
    assert changed is not again
    until(lambda: again.ended is not None)


def test_a_job_works_an_answer_out_and_ends(workshop, empty_store):
    place = shelf(empty_store)
    job = workshop.job(str(empty_store), place.name, ("gaps", "{}"))
    until(lambda: job.ended is not None)
    assert job.ended is True
    assert place.has("gaps", {})


def test_a_job_that_breaks_says_so(workshop, tmp_path):
    job = workshop.job(str(tmp_path / "none.duckdb"), "shelf", None)
    until(lambda: job.ended is not None)
    assert "no store at" in job.ended


def test_the_page_shows_the_work_and_the_way_to_stop_it(run, not_at_once, workshop, endless, empty_store):
    app = run(empty_store, "shop_office")
    assert not app.exception
    assert "The answers are being worked out." in said(app)
    app.button("work_stop").click().run()
    job = next(iter(workshop.jobs.values()))
    until(lambda: job.ended is not None)
    app.run()
    assert "Not worked out. Stopped." in said(app)
    app.button("work_again").click().run()
    assert not app.exception
    assert next(iter(workshop.jobs.values())) is not job


def test_a_change_of_the_store_is_a_new_question(run, empty_store):
    before = shelf(empty_store)
    run(empty_store, "data_in")
    stores.change_settings(empty_store, comeback_days=30)
    app = run(empty_store, "data_in")
    assert not app.exception
    assert shelf(empty_store) != before


def test_looking_back_waits_until_somebody_asks(run, at_once, monkeypatch, workshop, endless, one_teardown):
    take = Shelf.take

    def no_backtest(self, question, arguments):
        if question == "backtest":
            raise NotReadyError(question, arguments)
        return take(self, question, arguments)

    monkeypatch.setattr(Shelf, "take", no_backtest)
    app = run(one_teardown, "track_record")
    assert not app.exception
    assert "Not looked back yet" in said(app)
    assert not workshop.jobs, "minutes of work start by nobody's mere look"
    app.button("begin_backtest").click().run()
    assert not app.exception
    job = next(iter(workshop.jobs.values()))
    assert job.asked == ("backtest", "{}")
    app.button("work_stop").click().run()
    until(lambda: job.ended is not None)
    app.run()
    assert "Not worked out. Stopped." in said(app)
