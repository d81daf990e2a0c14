"""What if: the order with another lead time, price, level, fleet or mileage, beside what is; nothing is stored."""

from __future__ import annotations

import cached
import layout
import streamlit as st
import views

HOW = (
    "lead-time=+10 (days) · lead-time:PART=30 · price=+5% · price:PART=120 · level:PART@SHELF=4 · fleet=+20% · "
    "mileage=x1.5; several with ; between them"
)


def what_if(path: str, version: str, goal: dict[str, float]) -> None:
    """A line to write suppositions in, and what they would change."""
    layout.section("What if")
    text = st.text_input(
        "Suppose", key="what_if", bind="query-params", placeholder="lead-time=+10; fleet=+20%", help=HOW
    )
    if text and text.strip():
        layout.guarded(lambda *at: _supposed(*at, text.strip(), goal), path, version)


def _supposed(path: str, version: str, text: str, goal: dict[str, float]) -> None:
    answer = cached.supposed(path, version, text, **goal)
    views.said(answer["notes"], "supposed")
    lines = answer["rows"]
    views.behind("To order, as supposed", lines[lines["order_now"].fillna(0) > 0], name="supposed_order")
