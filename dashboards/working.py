"""Answers being worked out: by a process of its own, so that every page stays quick; how far it is, and the way to
stop it.

One process works for a store at a time. It is started by the first page that lacks an answer, tells how far it has
come, and can be ended at any moment: what it has finished is kept, the rest is not.
"""

from __future__ import annotations

import atexit
import json
import subprocess
import sys
import threading
from dataclasses import dataclass, field

import cached
import streamlit as st

from rebuildstats.kept_answers.questions import EVERY_DESK, WORDS
from rebuildstats.kept_answers.shelf import NotReadyError, shelf

LOOK_AGAIN = 0.7  # seconds between two looks at how far it is
Asked = tuple[str, str]  # a question and its arguments as JSON


@dataclass
class Job:
    """One process at work. ended: None while it runs, True when all is ready, else the words why not."""

    shelf: str
    asked: Asked | None
    process: subprocess.Popen[str]
    done: float = 0.0
    of: float = 1.0
    what: str = "starting"
    ended: bool | str | None = None
    stopped: bool = False

    def listen(self) -> None:
        """Take in what the process says until it ends."""
        assert self.process.stdout is not None
        with self.process.stdout as lines:
            for line in lines:
                self.hear(line)
        self.process.wait()
        if self.ended is None:
            self.ended = "Stopped." if self.stopped else "An error of the program ended the work."

    def hear(self, line: str) -> None:
        """One line of what the process says."""
        try:
            told = json.loads(line)
        except ValueError:
            return
        self.done, self.of = float(told.get("done", self.done)), float(told.get("of", self.of))
        self.what = str(told.get("what", self.what))
        self.ended = told.get("ended", self.ended)

    def stop(self) -> None:
        self.stopped = True
        self.process.terminate()


@dataclass
class Workshop:
    """The jobs of every store: the latest one, under a lock."""

    jobs: dict[str, Job] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def job(self, path: str, name: str, asked: Asked | None, *, again: bool = False) -> Job:
        """The job that works for this store, started where none does; `again` also after one that was stopped."""
        with self.lock:
            now = self.jobs.get(path)
            if now is not None and now.ended is None:
                if now.shelf == name:
                    return now
                now.stop()  # what it makes would be about a history that is gone
            elif now is not None and now.ended is not True and (now.shelf, now.asked) == (name, asked) and not again:
                return now
            command = [sys.executable, "-m", "rebuildstats.kept_answers.job", path, name, *(asked or ())]
            process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
            self.jobs[path] = Job(name, asked, process)
            threading.Thread(target=self.jobs[path].listen, daemon=True).start()
            return self.jobs[path]

    def stop_all(self) -> None:
        for job in self.jobs.values():
            if job.ended is None:
                job.stop()


@st.cache_resource
def workshop() -> Workshop:
    made = Workshop()
    atexit.register(made.stop_all)
    return made


def panel(path: str, version: str, missing: NotReadyError) -> None:
    """How far the work on a missing answer is, with the button that stops it; a line where another panel says so."""
    words = WORDS[missing.question]
    if st.session_state.get("_panel_drawn"):
        st.caption(f"Comes next: {words} …")
        return
    st.session_state["_panel_drawn"] = True
    usual = (missing.question, missing.arguments) in EVERY_DESK
    asked = None if usual else _as_asked(missing)
    place = shelf(path, version)
    job = workshop().job(str(place.store), place.name, asked)
    with st.container(border=True, key="working"):
        _watch(str(place.store), version, asked, job, place.ready())


def offer(path: str, version: str, missing: NotReadyError, label: str) -> None:
    """A button for work that takes minutes, so that nobody waits for it unasked; once begun, how far it is."""
    mark = f"_begun_{missing.question}"
    place = shelf(path, version)
    job = workshop().jobs.get(str(place.store))
    at_work = job is not None and (job.shelf, job.asked) == (place.name, _as_asked(missing))
    if st.session_state.get(mark) != version and not at_work:
        if not st.button(label, type="primary", icon=":material/play_arrow:", key=f"begin_{missing.question}"):
            return
        st.session_state[mark] = version
    panel(path, version, missing)


def _as_asked(missing: NotReadyError) -> Asked:
    return missing.question, json.dumps(missing.arguments)


@st.fragment(run_every=LOOK_AGAIN)
def _watch(path: str, version: str, asked: Asked | None, job: Job, ready: int) -> None:
    place = shelf(path, version)
    if job.ended is None:
        if place.ready() != ready or cached.version(path) != version:
            st.rerun()  # a further answer is there
        st.progress(min(job.done / job.of, 1.0) if job.of else 0.0, text=f"Working out: {job.what} …")
        st.caption("Only what has changed is made anew. You may go on to other pages meanwhile.")
        st.button("Stop it", icon=":material/stop_circle:", on_click=job.stop, key="work_stop")
        return
    if job.ended is True:
        st.rerun()
    st.write(f"Not worked out. {job.ended}")
    if st.button("Work it out", type="primary", icon=":material/play_arrow:", key="work_again"):
        workshop().job(path, place.name, asked, again=True)
        st.rerun()


def start_of_page() -> None:
    st.session_state.pop("_panel_drawn", None)
