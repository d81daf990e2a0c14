"""What the person at the counter steers by: a share of jobs, a share of pieces, or money."""

from __future__ import annotations

import layout
import streamlit as st

AIMS = {"jobs": "Jobs that don’t wait", "pieces": "Pieces from the shelf", "money": "Money to spend"}


def aim() -> dict[str, float]:
    """The goal of the order, as the library takes it; kept in the address, on the order's page and on a part's."""
    layout.adopt("aim", AIMS)
    with st.container(horizontal=True, vertical_alignment="bottom"):
        by = st.segmented_control(
            "Steer by", list(AIMS), format_func=AIMS.get, default="jobs", key="aim", bind="query-params"
        )
        if by == "money":
            money = st.number_input(
                "Money on the shelves", min_value=0.0, value=20_000.0, step=1_000.0, key="budget", bind="query-params"
            )
            return {"budget": float(money)}
        level = st.slider(
            "Share wanted, %", 50, 99, 90, key="level", bind="query-params", help="90: nine of ten don’t wait"
        )
    return {"part_fill" if by == "pieces" else "job_fill": level / 100}
