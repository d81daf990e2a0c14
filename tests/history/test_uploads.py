"""No name of an uploaded file leads out of its folder, and no file is lost behind another of its name."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rebuildstats.history.uploads import put, safe_name
from tests.history.conftest import Shop


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("teardowns 2024.csv", "teardowns 2024.csv"),
        ("../../etc/passwd.csv", "passwd.csv"),
        ("/abs/units.csv", "units.csv"),
        ("..\\..\\Windows\\units.csv", "units.csv"),
        ("C:units.csv", "C units.csv"),
        ("units.csv\0.png", "units.csv .png"),
        ("..", "unnamed"),
        ("", "unnamed"),
        ("a/", "unnamed"),
        (".units.csv", "units.csv"),
        ("x" * 300 + ".csv", "x" * 96 + ".csv"),
        ("Häufige Schäden.xlsx", "Häufige Schäden.xlsx"),
    ],
)
def test_only_the_last_part_of_a_name_counts(name: str, kept: str) -> None:
    assert safe_name(name) == kept


@given(st.text(max_size=40) | st.text("./\\\0:~", max_size=12))
def test_no_name_leads_anywhere_else(name: str) -> None:
    kept = safe_name(name)
    assert (Path("/in") / kept).parent == Path("/in")
    assert kept not in ("", ".", "..")
    assert not set("/\\\0") & set(kept)


def test_two_files_of_one_name_are_both_loaded(shop: Shop, tmp_path: Path) -> None:
    (tmp_path / "up").mkdir()
    files = [("../sites.csv", b"site\nfar\n"), ("sites.csv", b"site\nnear\n"), ("rejects.csv", b"site\nx\n")]
    paths = put(tmp_path / "up", files)
    assert [path.read_bytes() for path in paths] == [content for _, content in files]
    assert all(path.is_relative_to(tmp_path / "up") for path in paths)
    assert shop.load_paths(paths[:2]).complete
    assert shop.keys("sites", "site") == [("far",), ("near",)]
