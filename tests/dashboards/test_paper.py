"""A printed page has its tables in words: every row, labels and formats as on the screen, no markup out of the data."""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from tests.dashboards.conftest import APP

sys.path.insert(0, str(APP.parent))
import layout
import paper


def test_a_table_on_paper_reads_as_on_the_screen():
    rows = pd.DataFrame(
        {
            "part": ["A<b>", None],
            "share": [0.256, np.nan],
            "money": [1234.5, 2.0],
            "due_on": pd.to_datetime(["2025-03-01", None]),
            "flagged": pd.array([True, None], dtype="boolean"),
            "why": ["word " * 40, "short"],
        }
    )
    told = layout.shown(rows, {"share": layout.share("Chance"), "money": layout.money("Money")})
    html = paper.written(told["data"], told["column_config"])
    assert "<th>Part</th><th>Chance</th><th>Money</th><th>Due on</th>" in html
    assert "<td>A&lt;b&gt;</td>" in html
    assert '<td class="number">26 %</td><td class="number">1,234.50</td><td>2025-03-01</td><td>yes</td>' in html
    assert '<tr><td></td><td class="number"></td><td class="number">2.00</td><td></td><td></td>' in html
    assert "word …</td>" in html
    assert "<th>Money</th><th>Part</th>" in paper.written(told["data"], told["column_config"], ["money", "part"])


def test_a_long_table_on_paper_says_that_it_is_cut():
    html = paper.written(pd.DataFrame({"n": range(paper.MOST_ROWS + 5)}), {"n": "N"})
    assert html.count("<tr>") == paper.MOST_ROWS + 1
    assert f"of {paper.MOST_ROWS + 5} rows" in html
