"""Data in: bring sheets in, see what became of every row, correct what was rejected, see what the gaps cost."""

from __future__ import annotations

import tempfile
from pathlib import Path

import access
import cached
import joining
import layout
import pandas as pd
import streamlit as st
import writing
from layout import Ticket

from rebuildstats.commands import Answer
from rebuildstats.figures.palette import number
from rebuildstats.history import uploads

DESK = "Data in · bring sheets in"
KINDS = ["csv", "xlsx"]


def load(path: str, files: list, mapping: object, *, dry_run: bool) -> None:
    """Hand the uploaded files to the library as a folder, and keep what it says until the next load."""
    with tempfile.TemporaryDirectory() as folder:
        paths = uploads.put(Path(folder), ((file.name, file.getvalue()) for file in files))
        how = None
        if mapping is not None:
            how = Path(folder) / "mapping.toml"
            how.write_bytes(mapping.getvalue())  # type: ignore[attr-defined]
        rejects = Path(folder) / "rejects.csv"
        answer = writing.load(path, paths, mapping=how, rejects=rejects, dry_run=dry_run)
        rejected = rejects.read_bytes() if rejects.exists() else b""
    st.session_state["loaded"] = (path, answer, rejected, dry_run)


def outcome(path: str) -> None:
    """What the last load of this session did."""
    kept = st.session_state.get("loaded")
    if not kept or kept[0] != path:
        layout.headline(
            DESK,
            "Drop your sheets here.",
            "One file per table (units, components, teardowns, findings, …), CSV or a workbook. "
            "The same file twice changes nothing.",
        )
        return
    _, answer, rejected, dry_run = kept
    rows = answer.frame()
    total = {name: int(rows[name].sum()) for name in rows.columns if name != "table"}
    bad = total["rejected"] + total["held"]
    did = "would go in" if dry_run else "went in"
    fresh = total["new"] + total["changed"]
    if bad:
        layout.headline(
            DESK,
            f"{number(fresh)} rows {did}; correct {number(bad)} and bring them again.",
            "Take the rejects along, correct the values, drop the file here again. Nothing else was lost.",
        )
    else:
        layout.headline(DESK, f"{number(fresh)} rows {did}; every row was good.", "")
    items = [
        Ticket(number(total["new"]), "new"),
        Ticket(number(total["changed"]), "changed", "the stored row was replaced; its past is kept"),
        Ticket(number(total["same"]), "the same as before"),
        Ticket(number(bad), "rejected or held back", "kept whole, with file, line and reason", bad > 0),
    ]
    layout.tickets(items)
    details(answer, rejected)


def details(answer: Answer, rejected: bytes) -> None:
    rejects = _rejects(answer)
    if rejected and len(rejects):
        layout.section("Why rows were rejected")
        reasons = rejects.groupby(["table", "column", "reason"], dropna=False).size().rename("rows").reset_index()
        st.dataframe(
            reasons.sort_values("rows", ascending=False),
            hide_index=True,
            width="stretch",
            alt="Rejected rows by reason",
        )
        every = "Every rejected row"
        layout.details(
            f"{every} ({len(rejects)})",
            "rejected",
            lambda: st.dataframe(rejects.head(layout.MOST_ROWS), hide_index=True, width="stretch", alt=every),
        )
        st.download_button(
            "Take the rejects along",
            rejected,
            file_name="rejects.csv",
            mime="text/csv",
            icon=":material/download:",
            key="rejects",
            on_click="ignore",
            type="primary",
        )
    says = "What became of the rows of each table"
    layout.details("Table by table", "load", lambda: layout.table(answer.frame(), name="load", says=says))
    for note in answer.notes:
        st.caption(note)


def _rejects(answer: Answer) -> pd.DataFrame:
    found = getattr(answer.result, "rejects", None)
    return found if isinstance(found, pd.DataFrame) else pd.DataFrame()


def gaps(path: str, version: str) -> None:
    layout.section("What the history lacks, and what that costs")
    rows = cached.gaps(path, version)
    if rows.empty:
        st.write("Nothing that an answer needs is missing.")
        return
    layout.table(rows, name="gaps", says="Gaps of the history and which answers are weaker for them")


def still_wrong(path: str, version: str) -> None:
    """The rows of every load that did not go in, to be taken along, corrected and brought again."""
    files = cached.open_rejects(path, version)
    if not files:
        return
    layout.section(f"Rows that still wait to be corrected ({number(sum(rows for rows, _ in files.values()))})")
    st.caption(
        "The last columns of each file say what is wrong. Correct the values, drop the file above, and what goes in "
        "leaves this list. The same file may hold rows that only wait for another row; they follow by themselves."
    )
    with st.container(horizontal=True):
        for name, (rows, data) in files.items():
            st.download_button(
                f"{name} ({number(rows)})",
                data,
                file_name=name,
                mime="text/csv",
                icon=":material/download:",
                key=f"wrong_{name}",
                on_click="ignore",
            )


def bring(path: str) -> None:
    with st.form("bring", border=True):
        files = st.file_uploader(
            "Sheets (CSV or workbooks)", type=KINDS, accept_multiple_files=True, key="files", max_upload_size=500
        )
        mapping = st.file_uploader("Mapping of your own columns and words, if any (TOML)", type=["toml"], key="mapping")
        with st.container(horizontal=True):
            now = st.form_submit_button("Load", type="primary", icon=":material/upload:")
            look = st.form_submit_button("Only look what would happen")
    if not (now or look):
        return
    if not files:
        st.warning("Choose at least one file first.")
        return
    with st.spinner("Reading and checking every row …"):
        load(path, list(files), mapping, dry_run=look)
    st.rerun()


def undo(path: str) -> None:
    """The way back from the last load."""
    layout.section("Take the last load back")
    st.caption("The history is then as it was before it; what it wrote stays in the rows of the past.")
    if st.button("Undo the last load", icon=":material/undo:", key="undo"):
        said = writing.undo(path)
        st.session_state.pop("loaded", None)
        st.session_state["undone"] = said
        st.rerun()
    if said := st.session_state.pop("undone", None):
        st.success(said)


def desk(path: str, version: str) -> None:
    outcome(path)
    if access.may_write():
        bring(path)
    else:
        st.info("You may look at everything here; bringing sheets in is for those on the shop’s list.")
    layout.guarded(still_wrong, path, version)
    layout.guarded(gaps, path, version)
    layout.guarded(joining.show, path, version)
    if access.may_write():
        undo(path)


layout.page(desk, needs_history=False)
