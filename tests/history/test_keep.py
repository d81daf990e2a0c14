"""Backup, restore, export, check, and the history as it was known: nothing is lost and nothing is invented."""

from __future__ import annotations

import csv
import os
import shutil
import stat
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rebuildstats.errors import StoreError, UsageError
from rebuildstats.history import store
from rebuildstats.history.contract import TABLES
from rebuildstats.history.corrections import store_teardown, withdraw_teardown
from rebuildstats.history.export import export_rejects, export_tables
from rebuildstats.history.keep import as_known, backup, check, restore
from rebuildstats.history.load import load_files
from tests.history.conftest import GOOD, NOW, Shop
from tests.history.crashes import leave_a_journal
from tests.history.test_gaps import SOUND


def whole(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """All rows of the present with their notes and twins, the numbers of loads apart."""
    rows = {}
    with store.reading(path) as con:
        for table in TABLES:
            found = con.execute(f'select * exclude (_load, _since) from "{table.name}" order by all').fetchall()
            rows[table.name] = found
    return rows


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with rows in every table."""
    shop = Shop(tmp_path_factory.mktemp("filled"))
    shop.load(
        **SOUND
        | {
            "sites": 'site,phone,Left\nnorth,0555,"a, ""b"""\nfar,,=1+1\n',
            "planned": "plan,due_on,family,count\nP1,2031-01-01,axle,3\n",
            "issued_parts": SOUND["issued_parts"] + "2024-02-01,0071,1.25,,\n2024-02-01,0071,1.25,,\n",
        }
    )
    return shop.path


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_export_loads_back_to_the_same_store(filled: Path, tmp_path: Path, form: str) -> None:
    one = shutil.copyfile(filled, tmp_path / "one.duckdb")
    files = export_tables(one, tmp_path / "out", form=form)
    assert {f.stem for f in files} == {t.name for t in TABLES}
    other = tmp_path / "other.duckdb"
    store.create(other, "mi")
    report = load_files(other, [tmp_path / "out"], now=NOW)
    assert report.complete, report.rejects
    assert whole(other) == whole(one)
    again = load_files(one, [tmp_path / "out"], now=NOW)
    assert again.frame()[["new", "changed"]].to_numpy().sum() == 0


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_texts_of_a_form_come_back_with_every_sign(shop: Shop, tmp_path: Path, form: str) -> None:
    """A form trims as a sheet is trimmed, and what looks guarded is not taken for it."""
    for number, text in enumerate(["''x", "'=a", "'\t=a", '="7"', "\ufeffx\u200b", "\u00a0"]):
        teardown = {"job": f"K{number}", "unit": "A2", "opened_on": "2024-01-02", "complaint": text, "bench": text}
        assert store_teardown(shop.path, teardown, [], now=NOW).load
    assert shop.rows("teardowns")["complaint"].tolist()[2:-1] == ["''x", "'=a", "'\t=a", '="7"', "x"]
    export_tables(shop.path, tmp_path / "out", form=form)
    other = tmp_path / "other.duckdb"
    store.create(other, "mi")
    assert load_files(other, [tmp_path / "out"], now=NOW).complete
    assert whole(other) == whole(shop.path)


TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=0, max_size=12)


@given(
    st.lists(
        st.tuples(
            TEXT,
            st.floats(allow_nan=False, allow_infinity=False),
            st.dates(datetime(1, 1, 1).date(), datetime(2025, 6, 1).date()),
            st.booleans(),
        ),
        max_size=6,
    )
)
@settings(max_examples=2, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_any_history_exported_and_loaded_is_the_same(
    tmp_path: Path, stocked: Path, rows: list[tuple[object, ...]]
) -> None:
    for leftover in tmp_path.iterdir():
        shutil.rmtree(leftover) if leftover.is_dir() else leftover.unlink()
    one, two = tmp_path / "one.duckdb", tmp_path / "two.duckdb"
    shutil.copyfile(stocked, one)
    findings = [
        {
            "job": "K",
            "component": "bearing",
            "position": 1 + i % 2,
            "point": ("play", "")[i // 2 % 2],
            "condition": text,
            "reading": number,
        }
        for i, (text, number, _, _) in enumerate(rows[:4])
    ]
    day = rows[0][2] if rows else datetime(2024, 1, 1).date()
    complaint = rows[-1][0] if rows else "'"
    report = store_teardown(
        one, {"job": "K", "unit": "A2", "opened_on": day, "complaint": complaint}, findings, now=NOW
    )
    assert report.load is not None, report.rejects
    export_tables(one, tmp_path / "out")
    store.create(two, "mi")
    assert load_files(two, [tmp_path / "out"], now=NOW).complete
    assert whole(two) == whole(one)


def test_formulas_are_guarded_in_an_export(shop: Shop, tmp_path: Path) -> None:
    evil = ["=cmd|'/c calc'!A1", "+1+1", "-2+3", "@SUM(A1)", "'=x", "'quoted'"]
    shop.load(parts="part,name\n" + "".join(f'9{i},"{text}"\n' for i, text in enumerate(evil)))
    kept = shop.rows("parts")["name"].tolist()[-6:]
    assert kept == [*evil[:4], "=x", "'quoted'"]
    export_tables(shop.path, tmp_path / "out")
    with (tmp_path / "out" / "parts.csv").open(newline="", encoding="utf-8") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    assert shop.load_paths([tmp_path / "out"]).frame()[["new", "changed"]].to_numpy().sum() == 0


def test_an_export_never_overwrites(shop: Shop, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "x").write_text("x")
    with pytest.raises(UsageError, match="not empty"):
        export_tables(shop.path, tmp_path / "out")
    with pytest.raises(UsageError, match="csv or parquet"):
        export_tables(shop.path, tmp_path / "new", form="xlsx")


def test_rejects_are_exported_corrected_and_loaded(shop: Shop, tmp_path: Path) -> None:
    shop.load(
        findings="job,component,verdict,smell\nJ1,seal,goodish,=burnt\nJ9,seal,ok,\n",
        teardowns="job,unit,opened_on\nJ9,A2,x\n",
    )
    files = export_rejects(shop.path, tmp_path / "out")
    assert [f.name for f in files] == ["findings.csv", "teardowns.csv"]
    text = files[0].read_text(encoding="utf-8")
    assert text.splitlines()[1] == "J1,seal,goodish,'=burnt,not_a_word (verdict: goodish),findings.csv line 2"
    files[0].write_text(text.replace("goodish", "ok"), encoding="utf-8")
    files[1].write_text(files[1].read_text().replace(",x,", ",2024-02-01,", 1))
    report = shop.load_paths(files)
    assert report.complete, report.rejects
    assert shop.keys("findings", "job") == [("J1",), ("J9",)]
    assert shop.rows("rejects")["settled_by"].notna().all()


def test_a_backup_is_equal_private_and_never_overwrites(shop: Shop, tmp_path: Path) -> None:
    made = backup(shop.path, tmp_path / "copy.duckdb")
    assert whole(made.path) == whole(shop.path)
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o600
    assert made.rows > 20
    with pytest.raises(UsageError, match="exists already"):
        backup(shop.path, made.path)
    with pytest.raises(UsageError, match="does not exist"):
        backup(shop.path, tmp_path / "none" / "x")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.duckdb", "history.duckdb", "sheets"]


def test_a_backup_holds_what_only_the_journal_holds(shop: Shop, tmp_path: Path) -> None:
    """A store whose last writer was another program, killed after its commit, has its last rows in the journal."""
    journal = leave_a_journal(shop.path, "insert into sites (site, _load, _since) values ('late', 1, 1)")
    assert journal.exists()
    other = tmp_path / "other.duckdb"
    shutil.copyfile(shop.path, other)
    shutil.copyfile(journal, f"{other}.wal")
    made = backup(shop.path, tmp_path / "copy.duckdb")
    assert ("late",) in [row[:1] for row in whole(made.path)["sites"]]
    assert not Path(f"{made.path}.wal").exists()
    restore(tmp_path / "new.duckdb", other)  # nor is it lost where such a store itself is the backup
    assert whole(tmp_path / "new.duckdb") == whole(made.path)


def test_restore_brings_everything_back(shop: Shop, tmp_path: Path) -> None:
    shop.load(findings="job,component,verdict\nJ1,seal,perhaps\nJ1,bearing,ok\n")
    before = whole(shop.path)
    backup(shop.path, tmp_path / "copy.duckdb")
    withdraw_teardown(shop.path, "J1", now=NOW)
    store.change_settings(shop.path, comeback_days=1)
    after = whole(shop.path)
    restored = restore(shop.path, tmp_path / "copy.duckdb", now=NOW)
    assert whole(shop.path) == before
    assert len(shop.rows("rejects")) == 1
    with store.reading(shop.path) as con:
        assert store.settings(con).comeback_days == 365
    assert restored.before is not None
    assert whole(restored.before) == after


def test_restore_into_nothing_and_from_nothing(shop: Shop, tmp_path: Path) -> None:
    backup(shop.path, tmp_path / "copy.duckdb")
    assert restore(tmp_path / "new.duckdb", tmp_path / "copy.duckdb").before is None
    assert whole(tmp_path / "new.duckdb") == whole(shop.path)
    with pytest.raises(UsageError, match="same file"):
        restore(shop.path, shop.path)
    (tmp_path / "text").write_text("no store")
    with pytest.raises(StoreError, match="not a store"):
        restore(shop.path, tmp_path / "text")
    assert whole(tmp_path / "new.duckdb") == whole(shop.path)


def test_a_sound_store_passes_the_check(shop: Shop) -> None:
    found = check(shop.path)
    assert found.faults.empty
    assert found.rows > 20


def test_the_check_finds_what_must_not_be(shop: Shop) -> None:
    with store.writing(shop.path) as con:
        for change in (
            "insert into units (unit, family, _load, _since) values ('A1', 'axle', 1, 1), ('A5', 'axle', 77, 77)",
            "delete from parts where part = '0071'",
            "insert into part_uses (family, component, part, _load, _since) values ('axle', 'bearing', '0071', 1, 1)",
            "update load_counts set new = new + 1 where table_name = 'units'",
            "insert into findings by name select 'J1' as job, 'bearing' as component, '' as point, 3 as position, "
            "1 as _load, 1 as _since",
            "insert into findings select * replace ('J2' as job, 'seal' as component, 'run' as point, 1 as position) "
            "from findings",
        ):
            con.execute(change).fetchall()
    faults = check(shop.path).frame()
    lost = "findings of a component, point or position that the family does not have"
    assert faults[["what", "table", "count", "examples"]].to_numpy().tolist() == [
        ["keys that repeat", "units", 1, "A1"],
        ["rows of a load that stands in no book", "units", 1, "77"],
        ["references to parts that lead nowhere", "part_uses", 1, "0071"],
        [lost, "findings", 2, "J1 bearing 3; J2 seal run 1"],
        ["loads whose counts do not add up", "load_counts", 1, "1 units"],
    ]


def test_a_damaged_file_is_said(shop: Shop) -> None:
    shop.load(
        teardowns="job,unit,opened_on,complaint\n"
        + "".join(f"K{i},A2,2024-01-01,{os.urandom(50).hex()}\n" for i in range(3000))
    )
    content = bytearray(shop.path.read_bytes())
    start = len(content) // 3
    content[start:] = os.urandom(len(content) - start)
    shop.path.write_bytes(content)
    with pytest.raises(StoreError, match=r"damaged|cannot be opened"):
        check(shop.path)


def test_the_history_as_it_was_known(shop: Shop) -> None:
    """Three moments: the first load; after a correction; after a withdrawal. What was true stays apart from what was
    known.
    """
    march, april = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)
    shop.load(now=march, teardowns=GOOD["teardowns"].replace("50000", "51000") + "J3,A2,2024-01-01,\n")
    withdraw_teardown(shop.path, "J2", now=april)

    def known(moment: datetime) -> list[tuple[object, ...]]:
        with store.reading(shop.path) as con:
            as_known(con, moment)
            return con.execute("select job, unit_mileage from teardowns order by job").fetchall()

    assert known(datetime(2025, 1, 1, tzinfo=UTC)) == []
    assert known(NOW) == [("J1", 50000.0), ("J2", 90000.0)]
    assert known(march) == [("J1", 51000.0), ("J2", 90000.0), ("J3", None)]
    assert known(april) == [("J1", 51000.0), ("J3", None)]
