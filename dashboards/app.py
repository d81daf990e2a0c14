"""The dashboard: the table of pages, the store they look at, the look they share."""

from __future__ import annotations

import sys
from pathlib import Path

# The pages import their neighbours by name, wherever this folder stands (checkout, wheel, a test).
HERE = str(Path(__file__).resolve().parent)
if HERE not in sys.path:
    sys.path.insert(0, HERE)

import access  # noqa: E402
import layout  # noqa: E402
import streamlit as st  # noqa: E402

st.set_page_config(page_title="Rebuild history", page_icon=str(Path(HERE) / "icon.png"), layout="wide")

PAGES = [
    st.Page("desks/counter.py", title="Counter", icon=":material/inventory_2:", default=True),
    st.Page("desks/shop_office.py", title="Shop office", icon=":material/repeat:"),
    st.Page("desks/bench.py", title="Bench", icon=":material/handyman:"),
    st.Page("desks/data_in.py", title="Data in", icon=":material/upload_file:"),
    st.Page("desks/track_record.py", title="Track record", icon=":material/fact_check:"),
]
access.gate()
page = st.navigation(PAGES, position="top")
layout.style()
page.run()
layout.scripts()
