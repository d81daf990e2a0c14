"""Hostile files: a clear error or plain text, in bounded time and memory; nothing is executed and nothing is lost."""

from __future__ import annotations

import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rebuildstats.errors import InputError, RebuildstatsError, UsageError
from rebuildstats.history import read, store
from rebuildstats.history.contract import TABLES
from rebuildstats.history.corrections import store_teardown, withdraw_teardown
from rebuildstats.history.load import Load
from tests.history.conftest import Shop, told

SQL = "x'); drop table units; --"


def test_sql_in_every_text_field_is_text(shop: Shop) -> None:
    texts = {}
    for table in TABLES:
        columns = {c.name: f'{SQL} {{units}} $now "{c.name}' for c in table.columns if c.kind == "text"}
        quoted = {name: '"' + value.replace('"', '""') + '"' for name, value in columns.items()}
        texts[table.name] = ",".join(quoted) + "\n" + ",".join(quoted.values()) + "\n"
    report = shop.load(**texts)
    assert report.frame()["read"].tolist() == [1] * len(TABLES)
    assert SQL in shop.rows("vehicles")["vehicle"].tolist()[-1]
    assert SQL in shop.rows("sites")["site"].tolist()[-1]
    assert shop.rows("rejects")["row"].str.contains("drop table units", regex=False).all()
    assert len(shop.rows("units")) >= 2


def test_sql_in_headers_is_a_note(shop: Shop) -> None:
    evil = "a'); drop table units; --"
    shop.load(sites=f'site,"{evil}","{{stage}}",$first\nfar,1,2,3\n' + "".join(f"s{i},x,y,z\n" for i in range(30_000)))
    assert evil in shop.rows("sites")["_notes"].iloc[0]
    assert len(shop.rows("units")) == 2


@pytest.mark.parametrize("threshold", [0, 10**9])
def test_names_of_folders_are_names(shop: Shop, monkeypatch: pytest.MonkeyPatch, threshold: int) -> None:
    """By DuckDB's reader, which takes some signs of a name for a pattern, and by the careful one."""
    monkeypatch.setattr(read, "FAST_FROM_BYTES", threshold)
    folders = []
    for name in ("it's", 'a"b', "star*", "star", "q?", "[x]", "semi;colon", "-dash", "{stage}", "ünï"):
        folders.append(shop.folder / name)
        folders[-1].mkdir()
        (folders[-1] / "parts.csv").write_text("part,name\n" + "".join(f"{name}{i},name of it\n" for i in range(20)))
        (folders[-1] / "sites.csv").write_text("site\n" + "".join(f"{name}{i}\n" for i in range(20)))
    report = shop.load_paths(folders)
    assert report.frame()["new"].tolist() == [200, 200], report.rejects


def test_a_store_of_an_odd_name(shop: Shop, tmp_path: Path) -> None:
    path = tmp_path / "it's; drop.duckdb"
    store.create(path, "mi")
    with store.writing(path) as con:
        con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
    with store.reading(path) as con:
        assert con.execute("select count(*) from sites").fetchall() == [(1,)]


_BOUNDED = """
import resource, sys
from rebuildstats.errors import InputError
from rebuildstats.history.load import load_files
resource.setrlimit(resource.RLIMIT_CPU, (300, 300))  # seconds on a processor; who needs more is ended by the system
try:
    load_files(sys.argv[1], [sys.argv[2]])
except InputError as error:
    print(error)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


@pytest.mark.parametrize(
    ("head", "body", "words"),
    [
        ("site\n", "x" * 60_000_000, "1,000,000 characters"),
        ('site\n"', "x" * 30_000_000, "1,000,000 characters"),
        ("site", ",c" * 1_000_000, "2,000"),
    ],
)
def test_cells_and_columns_beyond_all_bounds(shop: Shop, head: str, body: str, words: str) -> None:
    file = shop.folder / "sites.csv"
    file.write_text(head + body)
    done = subprocess.run([sys.executable, "-c", _BOUNDED, str(shop.path), str(file)], capture_output=True, text=True)
    assert words in done.stdout, (done.returncode, done.stderr[-500:])
    assert int(done.stdout.split()[-1]) < 1_000  # MB
    assert shop.rows("sites").empty


def test_control_characters_are_kept_as_text_or_refused(shop: Shop) -> None:
    shop.load(parts="part,name\np1,a\x01b\x1b[31mc\x7f\n")
    assert shop.rows("parts")["name"].tolist()[-1] == "a\x01b\x1b[31mc\x7f"
    file = shop.folder / "parts.csv"
    file.write_bytes(b"part,name\np2,a\0b\np3,c\n")
    report = shop.load_paths([file])  # a damaged line costs itself only
    assert report.rejects[["line", "reason"]].to_numpy().tolist() == [[2, "zero_byte"]]
    assert shop.rows("parts")["part"].tolist()[-1] == "p3"


def test_sql_in_every_field_of_a_form_is_text(shop: Shop) -> None:
    report = store_teardown(
        shop.path,
        {"job": SQL, "unit": "A1", "opened_on": "2024-01-02", "complaint": SQL, "bench": f"{SQL} {{units}} $now"},
        [{"job": SQL, "component": "seal", "condition": SQL, "verdict": "ok"}],
        f"{SQL} Pat",
    )
    assert report.load is not None, report.rejects
    assert SQL in shop.rows("teardowns")["complaint"].tolist()
    assert shop.rows("loads")["who"].iloc[-1] == f"{SQL} Pat"
    assert withdraw_teardown(shop.path, SQL).rows == {"teardowns": 1, "findings": 1}
    assert len(shop.rows("units")) == 2


@pytest.mark.parametrize("text", ["a\0b", "a\ud800b", "x" * 1_000_001])
def test_a_form_takes_no_text_that_no_file_could_bring_back(shop: Shop, text: str) -> None:
    """An export of it could not be loaded: a CSV file holds neither."""
    with pytest.raises(UsageError, match="1,000,000 characters"):
        store_teardown(shop.path, {"job": "K", "unit": "A1", "opened_on": "2024-01-02", "complaint": text}, [])
    assert len(shop.rows("teardowns")) == 2


def _parquet(shop: Shop, select: str) -> Path:
    file = shop.folder / "sites.parquet"
    con = duckdb.connect()
    con.execute(f"copy ({select}) to '{file}' (format parquet, compression zstd)").fetchall()
    con.close()
    return file


@pytest.mark.parametrize(
    ("select", "words"),
    [
        ("select 'x' as site, {} from range(2000000)".format(", ".join(f"1 as c{i}" for i in range(30))), "62,000,000"),
        ("select repeat('x', 2000) as site from range(1100000)", "in pieces"),
        ("select repeat('x', 1000001) as site", "1,000,000 characters"),
    ],
)
def test_a_parquet_file_that_unfolds_beyond_all_bounds(shop: Shop, select: str, words: str) -> None:
    """A few kilobytes that stand for gigabytes, since a text that repeats is kept once."""
    file = _parquet(shop, select)
    assert file.stat().st_size < 3_000_000
    with pytest.raises(InputError, match=words):
        shop.load_paths([file])


def test_zero_bytes_in_a_parquet_file_are_rejected_with_their_row(shop: Shop) -> None:
    file = _parquet(shop, "select 'a' || chr(0) || 'b' as site union all select 'far' order by all")
    report = shop.load_paths([file])
    assert told(report) == [("sites", 2, "", "zero_byte")]
    assert shop.rows("sites")["site"].tolist() == ["far"]


def test_a_link_to_elsewhere_is_only_read(shop: Shop, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("root:x:0\n")
    (shop.folder / "sites.csv").symlink_to(secret)
    with pytest.raises(InputError, match="no column of the table"):
        shop.load_paths([shop.folder])
    assert secret.read_text() == "root:x:0\n"


@given(st.binary(max_size=400), st.sampled_from([".csv", ".xlsx", ".parquet"]))
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_any_bytes_give_rows_or_an_error_of_ours(tmp_path: Path, content: bytes, ending: str) -> None:
    file = tmp_path / f"sites{ending}"
    file.write_bytes(b"site,served_by\n" + content if ending == ".csv" else content)
    with store.memory() as con, suppress(RebuildstatsError):  # said in a sentence; anything else is a failure here
        Load(con, None).stage(read.sheets_of(file, True, []))


def test_nothing_that_is_brought_in_stands_in_a_log(shop: Shop, caplog: pytest.LogCaptureFixture) -> None:
    """A log is read by others than the store: no row, no name and no note of it goes there, good or rejected."""
    secret = "phone 0555 4711"
    caplog.set_level(0)
    shop.load(teardowns=f"job,unit,opened_on,complaint\nK1,A1,2024-03-01,{secret}\nK2,{secret},never,{secret}\n")
    store_teardown(shop.path, {"job": "K3", "unit": secret, "opened_on": "2024-03-02", "complaint": secret}, [], secret)
    with pytest.raises(UsageError):
        withdraw_teardown(shop.path, secret)
    with pytest.raises(InputError):
        shop.load_paths([_parquet(shop, f"select '{secret}' as no_column_of_ours")])
    assert [record for record in caplog.records if "4711" in record.getMessage()] == []
