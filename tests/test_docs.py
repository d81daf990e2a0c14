"""What the documents say is what the program does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from rebuildstats import cli
from rebuildstats.history.contract import TABLES
from tests.terminal import run

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
CONSTRAINTS = (ROOT / "constraints.txt").read_text(encoding="utf-8").split()
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def folded(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def test_the_readme_opens_with_the_job_then_the_two_commands():
    first, second = blocks("bash")
    assert "rebuildstats demo" in first
    assert "pytest" in second
    for block in (first, second):
        assert len(block.splitlines()) == 1
        assert "constraints.txt" in block
        assert "venv" in block
    assert README.index("teardown sheets") < README.index("```bash") < README.index("## ")


def test_windows_has_the_same_commands():
    first, second = blocks("powershell")
    assert "rebuildstats demo" in first
    assert "pytest" in second
    assert "[test]" in second


def test_continuous_integration_takes_the_commands_from_the_readme():
    assert "readme_command pytest" in CI
    assert 'readme_command "rebuildstats demo"' in CI
    assert "pip install --quiet --constraint" not in CI


def test_no_registry_is_named():
    for text in (README, DEVELOPERS, CI, *CONSTRAINTS):
        assert not re.search(r"https?://(?!127\.0\.0\.1|localhost)", text)
        assert "index-url" not in text


def test_constraints_are_exact_and_complete():
    pinned = {}
    for line in CONSTRAINTS:
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.!+_-]+", line), line
        name, _, version = line.partition("==")
        pinned[folded(name)] = version
    wanted = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]
    missing = {folded(re.split(r"[<>=!~\[; ]", need, maxsplit=1)[0]) for need in wanted} - pinned.keys()
    assert missing == set()
    assert "lifelines" in pinned
    assert "rebuildstats" not in pinned


def test_the_readme_names_every_table_and_column_of_the_contract():
    rows = dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", README, re.MULTILINE))
    for table in TABLES:
        text = rows[table.name]
        bare = re.sub(r"\([^)]*\)", "", text)
        shown = [part.strip() for part in re.split(r",| or ", bare) if part.strip()]
        expected = []
        for column in table.columns:
            mark = f"**{column.name}**" if column.required else column.name
            expected.append(mark + ("*" if column.key else ""))
        assert shown == expected, table.name
        for column in table.columns:
            # an empty word is explained where it has no word of its own
            missing = [word for word in column.words if f"`{word}`" not in README]
            assert missing == [], (table.name, column.name)


@pytest.mark.parametrize("command", [c.callback.__name__ for c in cli.app.registered_commands])
def test_the_readme_shows_only_options_that_exist(command):
    text = run(command, "--help").out
    for row in re.findall(rf"rebuildstats {command}\b([^`\n]*)", README):
        for option in re.findall(r"--[a-z-]+", row):
            assert option in text, (command, option)


def test_every_example_of_the_readme_is_a_command_that_exists():
    known = {c.callback.__name__ for c in cli.app.registered_commands}
    examples = [line for block in blocks("text") for line in block.splitlines() if line.startswith("rebuildstats ")]
    assert len(examples) > 8
    assert {line.split()[1] for line in examples} <= known


def test_the_cautions_name_what_hurts():
    text = README.lower()
    for words in (
        "lifting and supporting heavy units",
        "compressed springs and snap rings",
        "hot oil and solvents",
        "friction dust",
        "compressed air",
        "brakes and steering",
        "the maker's instructions",
        "local codes",
    ):
        assert words in text


def test_pictures_of_the_readme_exist():
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(pictures) >= 3
    assert [name for name in pictures if not (ROOT / name).is_file()] == []


def test_links_inside_the_readme_lead_somewhere():
    heads = {
        re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-")
        for head in re.findall(r"^#+ (.+)$", README, re.MULTILINE)
    }
    assert set(re.findall(r"\]\(#([^)]+)\)", README)) <= heads


def test_the_guide_names_folders_that_exist():
    for name in re.findall(
        r"`((?:tests|rebuildstats|dashboards|data_demo|history|life_records|fits)/[\w/.]*)`", DEVELOPERS
    ):
        assert any((base / name).exists() for base in (ROOT, ROOT / "rebuildstats")), name
