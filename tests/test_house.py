"""The house rules of DEVELOPERS.md, read out of the code itself: whoever breaks one hears which and where."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

import rebuildstats
from rebuildstats import cli

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "rebuildstats"
DASHBOARDS = ROOT / "dashboards"
MODULES = sorted(PACKAGE.rglob("*.py"))
PAGES = sorted(DASHBOARDS.rglob("*.py"))

# Data flow one way; a module imports from its own step and from those before it.
ARROW = (
    *("errors", "formulas", "render", "history", "life_records", "fits", "demand", "stock", "reports", "figures"),
    *("places", "answers", "by_family", "bringing", "keeping", "recurring", "lasting", "desks", "counter", "hindsight"),
    *(
        "kept_answers",
        "demo_job",
        "commands",
        "terminal",
        "cli_bringing",
        "cli_counter",
        "cli_keeping",
        "cli_recurring",
        "cli_lasting",
        "cli",
        "__main__",
    ),
)
PURE = ("fits", "demand", "stock", "reports", "figures", "render", "formulas")
DISK_INSIDE_PURE = {"fits/kept.py"}
MOST_LINES = 500

SQL = re.compile(
    r"^\s*(select\s.+\sfrom\s|insert\s+(or\s+\w+\s+)?into\s|update\s+\w+\s+set\s|delete\s+from\s|"
    r"create\s+(or\s+replace\s+)?(temp(orary)?\s+)?(table|view)\s|merge\s+into\s|with\s+\w+\s+as\s*\()",
    re.IGNORECASE | re.DOTALL,
)


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def step_of(path: Path) -> str:
    """The top-level folder or module of the package that a file belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@cache
def imports(path: Path, *, running_only: bool = False) -> set[str]:
    """Dotted names that a module imports; with `running_only`, not those for type checkers or inside functions."""
    module = tree(path)
    skipped: set[ast.AST] = set()
    for node in ast.walk(module):
        for_checkers = isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        late = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if for_checkers or (running_only and late):
            skipped.update(ast.walk(node))
    found: set[str] = set()
    for node in ast.walk(module):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


@cache
def calls(path: Path) -> set[str]:
    return {ast.unparse(node.func) for node in ast.walk(tree(path)) if isinstance(node, ast.Call)}


def texts(path: Path) -> list[tuple[int, str]]:
    """Every text of a module that is no docstring."""
    module = tree(path)
    docs = set()
    for node in ast.walk(module):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and node.body:
            first = node.body[0]
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                docs.add(first.value)
    return [
        (node.lineno, node.value)
        for node in ast.walk(module)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in docs
    ]


def pure_modules() -> list[Path]:
    return [path for path in MODULES if step_of(path) in PURE and name_of(path) not in DISK_INSIDE_PURE]


@pytest.mark.parametrize("path", pure_modules(), ids=name_of)
def test_pure_modules_touch_neither_disk_nor_screen(path):
    forbidden = {"duckdb", "streamlit", "typer", "os", "subprocess", "sys"}
    assert not {name.split(".")[0] for name in imports(path)} & forbidden
    used = calls(path)
    assert not used & {"open", "print", "input"}
    assert not [name for name in used if name.endswith((".read_text", ".write_text", ".read_bytes", ".write_bytes"))]


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_library_is_silent_and_screens_stay_outside(path):
    assert "streamlit" not in {name.split(".")[0] for name in imports(path)}, "streamlit belongs in dashboards/"
    assert "print" not in calls(path)
    if not step_of(path).startswith(("terminal", "cli")):
        assert "typer" not in {name.split(".")[0] for name in imports(path)}


def test_only_the_store_connects_to_duckdb():
    assert {name_of(path) for path in MODULES if "duckdb.connect" in calls(path)} == {"history/store.py"}


@pytest.mark.parametrize("path", [*MODULES, *PAGES], ids=lambda path: path.relative_to(ROOT).as_posix())
def test_sql_lives_in_sql_files_only(path):
    assert [(line, text[:60]) for line, text in texts(path) if SQL.search(text)] == []


@pytest.mark.parametrize(
    ("text", "is_sql"),
    [
        ("select a from b", True),
        ("  INSERT INTO t VALUES (1)", True),
        ("create temp table x as", True),
        ("select a family or a unit", False),
        ("with each bench", False),
        ("update the store", False),
    ],
)
def test_the_sql_detector_itself(text, is_sql):
    assert bool(SQL.search(text)) is is_sql


def test_every_sql_file_says_what_a_row_is():
    files = sorted(PACKAGE.rglob("*.sql"))
    assert files
    silent = [name_of(path) for path in files if not path.read_text(encoding="utf-8").lstrip().startswith("--")]
    assert silent == []


@pytest.mark.parametrize("path", [*MODULES, *PAGES], ids=lambda path: path.relative_to(ROOT).as_posix())
def test_modules_stay_small(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_follow_the_arrow(path):
    step = step_of(path)
    if step == "__init__":
        return
    place = ARROW.index(step)
    used = {name.split(".")[1] for name in imports(path) if name.startswith("rebuildstats.")}
    later = {name for name in used if name in ARROW and ARROW.index(name) > place}
    assert later == set()


def test_every_step_of_the_package_is_on_the_arrow():
    steps = {step_of(path) for path in MODULES} - {"__init__"}
    assert steps <= set(ARROW)


def test_no_circular_imports():
    names = {
        "rebuildstats." + name_of(p).removesuffix(".py").removesuffix("/__init__").replace("/", "."): p for p in MODULES
    }
    graph = {
        name: {other for other in imports(path, running_only=True) if other in names} for name, path in names.items()
    }
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " -> ".join((*way, name))
        if name not in done:
            for other in sorted(graph[name] - {name}):
                visit(other, (*way, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def test_a_public_module_has_a_docstring():
    bare = [name_of(path) for path in MODULES if path.stat().st_size > 1 and ast.get_docstring(tree(path)) is None]
    assert bare == []


def command_names() -> list[str]:
    return sorted(
        command.name or command.callback.__name__ for command in cli.app.registered_commands if command.callback
    )


def test_the_commands_are_those_of_the_contract():
    contract = "backtest dashboard demo fit forecast gaps init inspections life lives load order repeats sheet wear"
    assert set(contract.split()) <= set(command_names())


@pytest.mark.parametrize("name", command_names())
def test_every_command_has_function_help_readme_line_and_test(name):
    function = getattr(rebuildstats, name)
    assert function.__doc__
    command = next(c for c in cli.app.registered_commands if (c.name or c.callback.__name__) == name)
    assert command.callback.__doc__
    assert f"rebuildstats {name}" in (ROOT / "README.md").read_text(encoding="utf-8")
    tests = "".join(path.read_text(encoding="utf-8") for path in sorted(Path(__file__).parent.glob("test_c*.py")))
    assert f'"{name}"' in tests, f"no test in test_cli*.py runs {name}"


def test_the_public_names_are_pinned():
    assert sorted(rebuildstats.__all__) == sorted([*command_names(), "__version__"])
    assert all(callable(getattr(rebuildstats, name)) for name in command_names())


def test_no_module_replaces_a_public_function():
    taken = {path.name.removesuffix(".py") for path in PACKAGE.iterdir()} & set(command_names())
    assert taken == set()
