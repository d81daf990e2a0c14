"""Nothing that the tool writes for a spreadsheet is computed by one, whatever stood in the sheets that were loaded."""

from __future__ import annotations

import csv
import io
import os
import shutil
import stat
import subprocess
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rebuildstats import commands
from rebuildstats.formulas import SIGNS, guarded, unguarded
from rebuildstats.history import read
from rebuildstats.history.export import export_rejects, export_tables
from rebuildstats.render import to_csv
from rebuildstats.stock import workbook
from tests.history.conftest import Shop

# The forms that OWASP lists under "CSV Injection", and ways around a check of the first sign only.
EVIL = ["=1+1", "+1+1", "-1+1", "@SUM(1,1)", "=cmd|'/c calc'!A1", '=HYPERLINK("http://x","y")', "'=1+1", "\uff1d1+1"]


def cells(text: str) -> list[str]:
    return [cell for row in csv.reader(io.StringIO(text)) for cell in row]


def computed(found: list[str]) -> list[str]:
    """The cells that a spreadsheet would compute, or that come after a blank it may trim."""
    return [cell for cell in found if cell.strip().startswith(tuple(s for s in SIGNS if s != "'"))]


@given(st.text(max_size=6) | st.sampled_from([sign + "x" for sign in SIGNS]))
def test_what_is_guarded_is_read_as_it_was(text: str) -> None:
    text = read.cell_text(text)  # as a store holds it: trimmed
    assert not computed([guarded(text)])
    assert unguarded(guarded(text)) == text
    assert read.cell_text(guarded(text)) == text


def test_every_csv_of_a_command(shop: Shop, tmp_path: Path) -> None:
    """`--format csv` and `--out` go through `render.to_csv`, `load --rejects` too; a header may be evil as well."""
    frame = pd.DataFrame({"=1+1": EVIL, "number": [-1.5] * len(EVIL)})
    found = cells(to_csv(frame))
    assert computed(found) == ["-1.5"] * len(EVIL)  # a number below zero is a number
    sheet = shop.folder / "teardowns.csv"
    with sheet.open("w", newline="") as out:
        csv.writer(out).writerows([["job", "unit", "opened_on"], *([text, "A1", "=1+1"] for text in EVIL)])
    commands.load(shop.path, [sheet], rejects=tmp_path / "rejects.csv")
    found = cells((tmp_path / "rejects.csv").read_text(encoding="utf-8"))
    assert "'=1+1" in found
    assert not computed(found)


def _evil_sheets(shop: Shop) -> None:
    with (shop.folder / "parts.csv").open("w", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(["part", "name", "unit_cost", "=1+1"])
        writer.writerows([f"9{i}", text, "x" if i % 2 else "1", text] for i, text in enumerate(EVIL))
    shop.load_paths([shop.folder / "parts.csv"])


def test_every_file_of_an_export(shop: Shop, tmp_path: Path) -> None:
    _evil_sheets(shop)
    files = [*export_tables(shop.path, tmp_path / "out"), *export_rejects(shop.path, tmp_path / "rejects")]
    for file in files:
        assert not computed(cells(file.read_text(encoding="utf-8"))), file
    assert "'=1+1" in cells(files[-1].read_text(encoding="utf-8"))[:5]


def test_a_big_export_with_formulas_loads_back_too(shop: Shop, tmp_path: Path) -> None:
    """Big plain files are read another way, which must not miss the apostrophe."""
    rows = "".join(f"p{i},name {i}\n" for i in range(30_000))
    shop.load(parts="part,name\n" + rows + "\n".join(f"e{i},{text}" for i, text in enumerate(["=1+1", "'x", "@y"])))
    export_tables(shop.path, tmp_path / "out")
    assert (tmp_path / "out" / "parts.csv").stat().st_size > read.FAST_FROM_BYTES
    report = shop.load_paths([tmp_path / "out"])
    assert report.frame()[["new", "changed"]].to_numpy().sum() == 0


def test_the_order_workbook() -> None:
    names = ("part", "name", "supplier", "site", "reason")
    columns = {*workbook._ORDER, *workbook._WHY, "order_now", "pack_size", "held_jobs_avoided"}
    lines = pd.DataFrame({name: EVIL if name in names else [1.0] * len(EVIL) for name in sorted(columns)})
    content = workbook.order_workbook(lines, EVIL)
    book = openpyxl.load_workbook(io.BytesIO(content))
    formulas = [cell.value for sheet in book for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]
    assert not formulas  # our own sums are plain numbers


def test_a_spreadsheet_computes_nothing(shop: Shop, tmp_path: Path) -> None:
    """LibreOffice as the outside judge: it computes the formulas of a plain CSV file, and none of ours."""
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("LibreOffice is not installed here: nothing to open the files with")
    _evil_sheets(shop)
    files = export_tables(shop.path, tmp_path / "out")
    ours = next(file for file in files if file.stem == "parts")
    plain = tmp_path / "out" / "plain.csv"
    plain.write_text("".join(f'"{text}"\n' for text in EVIL[:3]), encoding="utf-8")
    # 44,34,76: comma, quotes, UTF-8; the last `true` lets formulas be computed, as a person's double click may.
    infilter = "Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1,true"
    subprocess.run(
        [
            office,
            f"-env:UserInstallation=file://{tmp_path}/profile",
            "--headless",
            f"--infilter={infilter}",
            *("--convert-to", "xlsx", "--outdir", str(tmp_path / "opened"), str(plain), str(ours)),
        ],
        check=True,
        capture_output=True,
    )

    def formulas(name: str) -> int:
        book = openpyxl.load_workbook(tmp_path / "opened" / name)
        return sum(cell.data_type == "f" for sheet in book for row in sheet.iter_rows() for cell in row)

    assert formulas("plain.xlsx") >= 1, "the judge computes nothing at all"
    assert formulas("parts.xlsx") == 0


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_only_the_owner_may_read_an_export(shop: Shop, tmp_path: Path, form: str) -> None:
    old = os.umask(0)
    try:
        files = export_tables(shop.path, tmp_path / "out", form=form)
        shop.load(teardowns="job,unit,opened_on\nJ9,A2,x\n")
        files += export_rejects(shop.path, tmp_path / "rejects")
    finally:
        os.umask(old)
    assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}
    assert {stat.S_IMODE(file.parent.stat().st_mode) for file in files} == {0o700}
