"""A real Chromium before the real app: servers on free ports, themes, widths, and what a person does on a page.

Without a browser these tests are skipped; where REBUILDSTATS_NEED_BROWSER=1 says that one must be there, they fail.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import pytest

from rebuildstats.kept_answers.shelf import ENDING
from tests.ports import free_port
from tests.ready_fleet import ready_fleet

ROOT = Path(__file__).parents[2]
APP = ROOT / "dashboards" / "app.py"
NEEDED = os.environ.get("REBUILDSTATS_NEED_BROWSER") == "1"
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--force-color-profile=srgb"]
TABLET, PHONE = (1024, 768), (390, 844)
PATIENCE = 300_000  # milliseconds; a busy machine is no failure


def pytest_collection_modifyitems(items):
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


def _missing(why: str) -> None:
    if NEEDED:
        pytest.fail(why, pytrace=False)
    pytest.skip(why)


@pytest.fixture(scope="session")
def windows(tmp_path_factory):
    """Gives the browser window of a theme and size: `windows("dark", PHONE)`.

    Each is opened once and keeps its cache on the disk: it halves what a page costs, whose scripts are compiled once.
    """
    if not NEEDED:
        pytest.importorskip("playwright")
    from playwright import sync_api as playwright

    found = [shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome")]
    path = next((p for p in found if p), None)
    kept = {}
    with playwright.sync_playwright() as driver:

        def of(theme, size):
            if (theme, size) not in kept:
                kept[theme, size] = driver.chromium.launch_persistent_context(
                    tmp_path_factory.mktemp("window"),
                    executable_path=path,
                    args=ARGUMENTS,
                    viewport={"width": size[0], "height": size[1]},
                    color_scheme=theme,
                    has_touch=True,
                    accept_downloads=True,
                    timeout=PATIENCE,
                )
                kept[theme, size].set_default_timeout(PATIENCE)
            return kept[theme, size]

        try:
            of("light", TABLET)
        except playwright.Error as error:
            _missing(f"no Chromium to drive: {str(error).splitlines()[0]}")
        yield of
        for window in kept.values():
            window.close()


@dataclass
class Server:
    """The app on one store. `log` is what it printed."""

    url: str
    store: Path
    process: subprocess.Popen[bytes]
    log: Path


def start_server(
    store: Path, folder: Path, *arguments: str, port: int | None = None, more: dict[str, str] | None = None
) -> Server:
    port = port or free_port()
    log = folder / f"server-{port}.log"
    command = [sys.executable, "-m", "streamlit", "run", str(APP), "--server.port", str(port), *arguments]
    surroundings = os.environ | {"REBUILDSTATS_STORE": str(store), "OMP_NUM_THREADS": "1"} | (more or {})
    with log.open("wb") as out:
        process = subprocess.Popen(command, env=surroundings, stdout=out, stderr=out, stdin=subprocess.DEVNULL)
    url = f"http://127.0.0.1:{port}"
    end = time.monotonic() + PATIENCE / 1000
    while time.monotonic() < end:
        if process.poll() is not None:
            pytest.fail(f"the app ended early:\n{log.read_text()}", pytrace=False)
        try:
            with urllib.request.urlopen(f"{url}/_stcore/health", timeout=20):
                return Server(url, store, process, log)
        except OSError:
            time.sleep(0.1)
    process.terminate()
    pytest.fail(f"the app did not start:\n{log.read_text()}", pytrace=False)


def _stop(server: Server) -> None:
    server.process.terminate()
    server.process.wait(timeout=PATIENCE / 1000)


@pytest.fixture(scope="session")
def shop(windows, tmp_path_factory):
    """The app on a fleet's store whose answers are ready, for journeys that only read."""
    folder = tmp_path_factory.mktemp("shop")
    server = start_server(furnish(folder / "shop.duckdb"), folder)
    yield server
    _stop(server)


@pytest.fixture(scope="session")
def new_shop(windows, tmp_path_factory):
    """The app where no store is yet, for journeys that write; each test starts with the store removed or furnished."""
    folder = tmp_path_factory.mktemp("new_shop")
    server = start_server(folder / "new.duckdb", folder)
    yield server
    _stop(server)


def clear(store: Path) -> None:
    """No store, and no answers beside it."""
    store.unlink(missing_ok=True)
    shutil.rmtree(store.with_name(store.name + ENDING), ignore_errors=True)


def furnish(store: Path) -> Path:
    """A copy of the ready fleet, its answers beside it: what is kept goes by the history, not by the file's name."""
    clear(store)
    ready = ready_fleet()
    shutil.copytree(ready.with_name(ready.name + ENDING), store.with_name(store.name + ENDING))
    shutil.copyfile(ready, store.with_name(f".{store.name}"))
    store.with_name(f".{store.name}").replace(store)
    return store


LOOKS = [
    pytest.param(("light", TABLET), id="light-tablet"),
    pytest.param(("dark", TABLET), id="dark-tablet"),
    pytest.param(("light", PHONE), id="light-phone"),
    pytest.param(("dark", PHONE), id="dark-phone"),
]


# Every journey runs in two of the looks, with both themes and both widths, the longest ones in one of them;
# REBUILDSTATS_EVERY_LOOK=1 asks for all.
EVERY_LOOK = os.environ.get("REBUILDSTATS_EVERY_LOOK") == "1"
ASKED = LOOKS if EVERY_LOOK else [LOOKS[0], LOOKS[3]]


@pytest.fixture(params=ASKED)
def page(request, windows):
    """A fresh page in one theme and width that notes every address it asked for outside this machine."""
    tab = windows(*request.param).new_page()
    tab.outside = []
    tab.on("request", lambda r: None if _here(r.url) else tab.outside.append(r.url))
    yield tab
    tab.close()
    tab.context.clear_cookies()
    assert tab.outside == [], "the dashboard sends nothing anywhere"


def _here(url: str) -> bool:
    return url.startswith(("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:", "about:"))


def settled(page) -> None:
    """Wait until the app has run and nothing has moved for half a second: a press in the middle of a run may be lost,
    and the run that a press asks for begins a moment after it.
    """
    page.evaluate("() => { window.quietSince = undefined; window.quietLooks = undefined; }")
    page.wait_for_function(QUIET)


def open_page(page, server: Server, address: str) -> None:
    page.goto(f"{server.url}/{address}")
    try:
        page.wait_for_selector("h1.answer")
    except Exception as error:
        raise AssertionError(f"{address} gave no answer; the server says:\n{server.log.read_text()[-3000:]}") from error
    settled(page)


def answer(page) -> str:
    return page.locator("h1.answer").first.inner_text()


def click_button(page, label: str) -> None:
    settled(page)
    page.get_by_role("button", name=label, exact=True).first.click()
    settled(page)


def choose(page, label: str, value: str) -> None:
    """Pick a value of a list by typing part of it, as on a keyboard."""
    box = page.get_by_role("combobox", name=label)
    box.click()
    box.fill(value)
    offered(page, value)
    box.press("Enter")
    settled(page)


def offered(page, value: str) -> None:
    """Wait until the list that is open offers this."""
    page.get_by_role("option", name=value).first.wait_for()


def download(page, key: str, into: Path) -> Path:
    """Take along what the button of that key offers."""
    button = page.locator(f".st-key-{key} button")
    button.scroll_into_view_if_needed()
    settled(page)  # what was just unfolded has found its place
    with page.expect_download() as waiting:
        button.click()
    target = into / waiting.value.suggested_filename
    waiting.value.save_as(target)
    return target


QUIET = """() => {
    const now = performance.now(), looks = document.body.innerText.length + "/" + document.body.scrollHeight;
    const runs = document.querySelector("[data-test-script-state=notRunning]") === null;
    if (runs || looks !== window.quietLooks) window.quietSince = now;
    window.quietLooks = looks;
    return now - window.quietSince > 500;
}"""


class Keys:
    """A person without a mouse: nothing but keys, and what has the focus."""

    def __init__(self, page) -> None:
        self.page = page
        self.asked = []  # windows for files; watched from the start, for a browser hears late of a watch
        page.on("filechooser", lambda window: self.asked.append(window))

    def focused(self) -> list[str]:
        """The names of what has the focus: its label, its own words without the icon."""
        return self.page.evaluate(FOCUSED)

    def to(self, name: str, *, by: str = "Tab", most: int = 300) -> None:
        """Go on with one key until what has exactly this name (a pattern) has the focus, and see that it shows.

        By default that goes more than once around: a page still being drawn under the keys loses its focus.
        """
        for step in range(most):
            if step % 100 == 0:
                settled(self.page)
            self.page.keyboard.press(by)
            if any(re.fullmatch(name, one) for one in self.focused()):
                assert self.page.evaluate(FOCUS_SHOWS), f"the focus on {name!r} can't be seen"
                return
        raise AssertionError(f"no way to {name!r} by {by}; the last focus was on {self.focused()!r}")

    def back_to(self, name: str) -> None:
        self.to(name, by="Shift+Tab")

    def pick(self, name: str, *, of: str) -> None:
        """Choose one of a row of buttons, of which `of` is the first: one stop for Tab, arrows within it."""
        self.to(of)
        self.to(name, by="ArrowRight", most=6)
        self.press("Space")

    def take(self, name: str, into: Path) -> str:
        """Go to a button that hands out a file, press it, and read the file."""
        self.to(name)
        with self.page.expect_download() as taken:
            self.page.keyboard.press("Enter")
        taken.value.save_as(into)
        return into.read_bytes().decode("utf-8", "replace")

    def hand_over(self, name: str, file: Path) -> None:
        """Go to a button that asks for a file, press it, and give it that file.

        Pressed again, as anybody would, where the browser's window for files does not come: a page that is drawn anew
        between the key and its click loses the click.
        """
        for _ in range(3):
            self.to(name)
            self.page.keyboard.press("Enter")
            end = time.monotonic() + 60
            while not self.asked and time.monotonic() < end:
                self.page.wait_for_timeout(100)
            if self.asked:
                self.asked.pop().set_files(file)
                return
        raise AssertionError(f"no window for files after {name!r}")

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
        settled(self.page)

    def seek(self, text: str) -> None:
        """Type into a list what is looked for in it."""
        self.page.keyboard.type(text)
        offered(self.page, text)


FOCUSED = """() => {
    const e = document.activeElement;
    if (!e || e === document.body || e.tagName === "MAIN") return [];
    const ids = (e.getAttribute("aria-labelledby") || "").split(" ");
    const by = ids.map(i => document.getElementById(i)?.innerText || "");
    const labels = e.labels ? [...e.labels].map(l => l.innerText) : [];
    const bare = e.cloneNode(true);
    bare.querySelectorAll("[data-testid=stIconMaterial]").forEach(icon => icon.remove());
    return [...by, ...labels, e.getAttribute("aria-label") || "", bare.textContent].map(t => t.trim()).filter(t => t);
}"""
FOCUS_SHOWS = """() => {
    let e = document.activeElement;
    for (let up = 0; e && up < 4; up++, e = e.parentElement) {
        const s = getComputedStyle(e);
        if ((s.outlineStyle !== "none" && parseFloat(s.outlineWidth) > 0) || s.boxShadow !== "none") return true;
    }
    return false;
}"""


@pytest.fixture
def keys(windows):
    """A fresh tablet page and its keyboard."""
    tab = windows("light", TABLET).new_page()
    yield Keys(tab)
    tab.close()


@pytest.fixture(scope="session")
def axe():
    """axe-core's script where npm has put it (outside this folder); with NEEDED it is fetched by npm when missing."""
    home = Path(os.environ.get("REBUILDSTATS_AXE", str(Path(tempfile.gettempdir()) / "rebuildstats-axe")))
    script = home / "node_modules" / "axe-core" / "axe.min.js"
    if not script.exists() and NEEDED and shutil.which("npm"):
        subprocess.run(
            ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(home), "axe-core"],
            check=True,
            timeout=PATIENCE / 1000,
        )
    if not script.exists():
        _missing(f"axe-core is not there: npm install --prefix {home} axe-core")
    return script.read_text(encoding="utf-8")
