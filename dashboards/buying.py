"""How to buy: today's order by supplier with what lacks to a least sum, and how many pieces to buy at once."""

from __future__ import annotations

from typing import Any

import cached
import layout
import pandas as pd
import streamlit as st
import views

YEAR_ON_THE_SHELF = 20  # per cent of the price


def suppliers(path: str, version: str, rows: pd.DataFrame, goal: dict[str, float]) -> None:
    """The order by supplier; least sums are asked for where a supplier has one."""

    def draw() -> None:
        least = st.text_input(
            "Least sums",
            key="least",
            bind="query-params",
            placeholder="SUPPLIER=500; OTHER=200",
            help="What a supplier delivers for at the least, several with ; between them",
        )
        if least and least.strip():
            layout.guarded(lambda *at: _with_least(*at, least.strip(), goal), path, version)
        else:
            layout.table(rows, name="suppliers", says="Today’s order by supplier", columns=columns(rows))

    layout.details("By supplier, and what lacks to a least sum", "suppliers", draw)


def _with_least(path: str, version: str, least: str, goal: dict[str, float]) -> None:
    answer = cached.answer(path, version, "suppliers", least=least, **goal)
    views.said(answer.notes, "suppliers")
    rows = answer.frame()
    layout.table(rows, name="suppliers", says="Today’s order by supplier", columns=columns(rows))


def columns(rows: pd.DataFrame) -> dict[str, object]:
    kinds: dict[str, Any] = {name: layout.money(layout.written(name)) for name in ("money", "least_money", "lacking")}
    kinds |= {
        "extra_pieces": layout.count("Pieces more than needed"),
        "extra_money": layout.money("… their money"),
        "fill_up": "To fill up with",
        "days": layout.count("Days it lasts"),
    }
    return {name: kind for name, kind in kinds.items() if name in rows}


def lots(path: str, version: str) -> None:
    """How many pieces to buy at once, once it is said what an order line costs."""

    def draw() -> None:
        one, two = st.columns(2)
        with one:
            cost = st.number_input(
                "One order line costs (placing, receiving, booking in)",
                min_value=0.0,
                value=None,
                step=5.0,
                placeholder="Money",
                key="order_cost",
                bind="query-params",
            )
        with two:
            share = st.number_input(
                "A year on the shelf costs, % of the price",
                min_value=1.0,
                max_value=100.0,
                value=float(YEAR_ON_THE_SHELF),
                step=1.0,
                format="%.0f",
                key="holding",
                bind="query-params",
            )
        if cost:
            layout.guarded(lambda *at: _lots(*at, float(cost), float(share) / 100), path, version)
        else:
            st.write("Say what one order line costs: few large orders or many small ones follow from it.")

    layout.details("How many to buy at once", "lots", draw)


def _lots(path: str, version: str, cost: float, holding: float) -> None:
    answer = cached.answer(path, version, "lots", order_cost=cost, holding=holding)
    views.said(answer.notes, "lots")
    rows = answer.frame()
    layout.table(rows, name="lots", says="How many pieces to buy at once", columns=views.usual(rows))
