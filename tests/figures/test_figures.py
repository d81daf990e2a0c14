"""Figures drawn from hand-made frames: what is drawn, in which order, with units, intervals and counts."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from rebuildstats.figures import demand, life, record, repeats, stock, wear
from rebuildstats.figures.palette import DARK, LIGHT

INF = math.inf


@pytest.fixture(params=[LIGHT, DARK], ids=lambda look: look.name)
def look(request):
    return request.param


def words(figure):
    """Every annotation of a figure, in order."""
    return [a.text for a in figure.layout.annotations]


def hovers(figure):
    return [h for t in figure.data if t.hovertext is not None for h in np.atleast_1d(t.hovertext)]


def titled(figure):
    return figure.layout.xaxis.title.text, figure.layout.yaxis.title.text


WEAR = pd.DataFrame(
    {
        "family": "pump",
        "component": ["shaft", "seal", "spring", "case"],
        "point": ["runout", None, "height", "crack"],
        "chance_bad": [0.63, 0.97, 0.05, np.nan],
        "chance_lower": [0.5, 0.9, 0.01, 0.0],
        "chance_upper": [0.75, 0.995, 0.2, 0.3],
        "events": [30, 120, 2, 0],
    }
)


def test_chance_bars_put_the_likeliest_first_and_warn_of_safety(look):
    figure = wear.chance_bars(WEAR, safety=["spring"], look=look)
    assert list(figure.data[0].x) == [0.97, 0.63, 0.05]
    assert words(figure)[:3] == ["seal", "shaft · runout", "⚠ spring · height"]
    colours = list(figure.data[0].marker.color)
    assert colours == [look.calm, look.calm, look.alarm]
    assert figure.data[0].marker.pattern.shape[2] == "/"  # not by colour alone
    assert np.allclose(figure.data[0].error_x.array, [0.025, 0.12, 0.15])
    assert "90 % interval 50 % to 75 %" in figure.data[0].hovertext[1]
    assert "30 failures" in figure.data[0].hovertext[1]


def test_chance_bars_draw_bounds_where_no_estimate_can_be_given(look):
    figure = wear.chance_bars(WEAR, look=look)
    bounds = figure.data[1]
    assert list(bounds.x) == [0.3]
    assert list(bounds.base) == [0.0]
    assert "can’t say yet" in words(figure)


def test_readings_keep_limit_unit_and_crossings(look):
    readings = pd.DataFrame(
        {"age": [1e4, 9e4, 2e5], "reading": [2.4, 1.9, 1.2], "verdict": ["ok", None, "fail"], "unit": ["A", "B", "C"]}
    )
    bands = pd.DataFrame({"age": [0.0, 2e5], "q10": [2.5, 1.1], "q50": [2.5, 1.5], "q90": [2.5, 1.9], "readings": 41})
    crossings = pd.DataFrame(
        {
            "share": [0.1, 0.5, 0.7, 0.9],
            "age": [120000.0, 200000.0, 900000.0, INF],
            "age_lower": [100000.0, 170000.0, 700000.0, 9e5],
            "age_upper": [150000.0, INF, INF, INF],
            "readings": 41,
        }
    )
    figure = wear.readings_by_age(
        readings,
        bands,
        distance="km",
        reading_unit="lbf",
        low_limit=1.5,
        crossings=crossings,
        look=look,
    )
    assert titled(figure) == ("age since renewal (km)", "reading (lbf)")
    assert [t.name for t in figure.data][2:] == ["passed (2)", "failed (1)", "beyond the limit by"]
    assert "8 of 10 lie between 1.100 and 1.900 there, from 41 readings" in figure.data[3].hovertext[0]
    assert list(figure.data[4].x) == [120000.0, 200000.0]
    assert list(figure.data[4].y) == [1.5, 1.5]
    assert figure.data[4].error_x.array[0] == 30000.0
    assert "10 % beyond the limit by 120,000 km<br>90 % interval 100,000 to 150,000 km" in figure.data[4].hovertext[0]
    assert "at least 170,000 km<br>from 41 readings" in figure.data[4].hovertext[1]
    assert figure.data[2].marker.symbol != figure.data[3].marker.symbol
    said = words(figure)
    assert "low limit 1.5 lbf" in said
    assert "10 % beyond" in said
    assert "50 % beyond" in said
    assert "70 % beyond" not in said  # far beyond what is drawn
    assert "90 % over" not in said  # never reached
    assert sorted(s.x0 for s in figure.layout.shapes if s.x0 == s.x1) == [120000.0, 200000.0]


def test_fail_shares_draw_what_was_and_what_is_to_come(look):
    frame = pd.DataFrame(
        {
            "family": "pump",
            "point": ["drag", "play"],
            "component": ["ring", "gear"],
            "checked": [60, 80],
            "failed": [20, 3],
            "share": [1 / 3, 3 / 80],
            "share_lower": [0.24, 0.01],
            "share_upper": [0.43, 0.09],
            "expected_checked": [12.0, 0.0],
            "expected_failed": [5.0, 0.0],
            "expected_lower": [3.6, 0.0],
            "expected_upper": [6.5, 0.0],
        }
    )
    figure = wear.fail_shares(frame, look=look)
    assert np.allclose(figure.data[0].x, [1 / 3, 3 / 80])
    assert figure.data[1].x[0] == pytest.approx(5 / 12)
    assert np.isnan(figure.data[1].x[1])  # nothing to be checked: nothing expected, no division by nothing
    assert "20 of 60 checks failed" in figure.data[0].hovertext[0]
    assert "90 % interval 3.6 to 6.5 fails<br>from 60 checks so far" in figure.data[1].hovertext[0]


class _Life:
    """A Weibull of shape 2 whose scale is 100 or 120 in two equally likely draws."""

    events, lives = 7, 40

    def chance(self, age, covariates=None):
        return 1 - np.exp(-((age / 110) ** 2))

    def draws(self, n, seed):
        return self

    def log_survival(self, age, covariates=None):
        return np.stack([-((age / s) ** 2) for s in (100, 120)])


def test_a_life_is_read_off_with_its_interval():
    frame = life.chance_curve(_Life(), np.array([0.0, 50.0, 110.0]), level=0.9)
    low, high = 1 - math.exp(-((50 / 120) ** 2)), 1 - math.exp(-((50 / 100) ** 2))
    row = frame.iloc[1]
    # two draws: numpy's linear quantile lies 5 % and 95 % of the way between them
    assert row.chance_lower == pytest.approx(low + 0.05 * (high - low))
    assert row.chance_upper == pytest.approx(low + 0.95 * (high - low))
    assert (row.events, row.lives) == (7, 40)
    assert life.chance_curve(object(), np.array([1.0])).empty


def test_curves_differ_by_dash_and_name_their_counts(look):
    one = life.chance_curve(_Life(), np.linspace(0, 200, 5)).assign(label="ring")
    figure = life.chance_by_mileage(pd.concat([one, one.assign(label="shaft")]), distance="h", at_age=80, look=look)
    lines = [t for t in figure.data if t.mode == "lines" and t.showlegend is not False]
    assert [t.name for t in lines] == ["ring", "shaft"]
    assert lines[0].line.dash != lines[1].line.dash
    assert "from 7 failures in 40 lives" in lines[0].hovertext[0]
    assert titled(figure)[0] == "age since renewal (h)"


@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic", "exponential"])
def test_on_its_own_paper_a_distribution_is_a_straight_line(distribution):
    from scipy import stats

    true = {
        "weibull": stats.weibull_min(2.2, scale=1e5),
        "lognormal": stats.lognorm(0.6, scale=1e5),
        "loglogistic": stats.fisk(2.5, scale=1e5),
        "exponential": stats.expon(scale=1e5),
    }[distribution]
    age = np.geomspace(1e4, 3e5, 9)
    chance = true.cdf(age)
    curve = pd.DataFrame(
        {"age": age, "chance": chance, "chance_lower": chance, "chance_upper": chance, "events": 5, "lives": 9}
    )
    figure = life.probability_plot(
        curve, curve.head(3).assign(chance_lower=0.0, chance_upper=0.9), distribution=distribution, distance="mi"
    )
    assert "90 % interval 0 % to 90 %<br>from 5 failures in 9 lives" in figure.data[2].hovertext[0]
    line = np.asarray(figure.data[1].y, dtype=float)
    slopes = np.diff(line) / np.diff(np.log(age))
    assert np.allclose(slopes, slopes[0], rtol=1e-6)
    assert figure.layout.xaxis.type == "log"
    assert "25 %" in figure.layout.yaxis.ticktext
    gaps = np.diff(figure.layout.yaxis.tickvals)
    assert gaps.min() >= (max(line) - min(line)) / 14 - 1e-9  # names don’t overlap


def test_makes_side_by_side_draw_an_open_end_as_open(look):
    frame = pd.DataFrame(
        {
            "label": ["A-1", "B-1"],
            "b10": [82000.0, np.nan],
            "b10_lower": [60000.0, 20000.0],
            "b10_upper": [90000.0, INF],
            "events": [12, 0],
            "lives": [60, 22],
        }
    )
    figure = life.side_by_side(frame, distance="mi", look=look)
    assert any("no upper bound" in w for w in words(figure))
    assert "at least 20,000 mi" in figure.data[0].hovertext[1]
    assert "12 failures in 60 lives" in figure.data[0].hovertext[0]
    assert len(set(figure.data[0].marker.symbol)) == 2


FORECAST = pd.DataFrame(
    {
        "part": "P",
        "month": ["2026-01-01", "2026-02-01", "total"],
        "method": "installed base",
        "mean": [4.0, 5.0, 9.0],
        "sd": 2.0,
        "q05": [1, 2, 5],
        "q25": [3, 4, 7],
        "q50": [4, 5, 9],
        "q75": [5, 6, 11],
        "q90": [6, 7, 13],
        "q95": [7, 8, 14],
        "q99": [9, 10, 16],
    }
)


def test_fan_leaves_the_total_out_and_draws_the_past(look):
    past = pd.DataFrame({"month": pd.to_datetime(["2025-11-01", "2025-12-01"]), "pieces": [3, 6]})
    figure = demand.fan(FORECAST, past, shelf=7, look=look)
    assert list(figure.data[0].y) == [3, 6]
    assert list(figure.data[1].y) == [7, 8, 2, 1]  # up along q95, back along q05
    assert list(figure.data[3].y) == [4, 5]
    assert "1 in 100 above 9" in figure.data[3].hovertext[0]
    assert "on the shelf 7" in words(figure)
    assert titled(figure) == ("month", "pieces")


def test_methods_name_their_past_loss_and_the_chosen_one(look):
    totals = pd.concat([FORECAST.tail(1), FORECAST.tail(1).assign(method="moving average")])
    past = pd.DataFrame(
        {"method": ["installed base", "moving average"] * 2, "pinball": [1.0, 2, 3, 4], "chosen": [True, False] * 2}
    )
    figure = demand.methods(totals, past, look=look)
    assert words(figure)[0] == "installed base — past loss 2.00 ✓ best so far"
    assert words(figure)[1] == "moving average — past loss 3.00"


def test_reasons_add_up_to_the_mean(look):
    trace = pd.DataFrame(
        {
            "unit": ["U1", "U1", "U2", None, "U3"],
            "component": "ring",
            "chance_teardown": [0.9, 0.9, 0.3, np.nan, 0.1],
            "chance_replaced": [0.8, 0.1, 0.5, np.nan, 0.1],
            "pieces": [0.72, 0.09, 0.15, 0.4, 0.01],
            "reason": ["overdue", "overdue", "due", "counter", "early"],
        }
    )
    figure = demand.reasons(trace, most=2, look=look)
    assert words(figure) == ["U1", "over the counter", "2 others together"]
    assert sum(figure.data[0].x) == pytest.approx(trace["pieces"].sum())


def test_exchange_curve_marks_where_the_shop_stands(look):
    curve = pd.DataFrame(
        {
            "money": [0.0, 1000, 5000],
            "job_fill": [0.1, 0.6, 0.95],
            "job_fill_lower": [0.08, 0.55, 0.92],
            "job_fill_upper": [0.12, 0.65, 0.97],
            "held_jobs": [90.0, 40.0, 5.0],
        }
    )
    marks = pd.DataFrame(
        {"label": ["today’s shelf", "habit"], "money": [800.0, np.nan], "job_fill": [0.3, 0.5], "same_money_fill": 0.55}
    )
    figure = stock.exchange_curve(curve, marks=marks, wanted=0.9, look=look)
    assert [t.name for t in figure.data] == ["90 % interval", "the best that money buys", "today’s shelf"]
    assert "60 % of jobs don’t wait, 90 % interval 55 % to 65 %<br>40.0 jobs a year" in figure.data[1].hovertext[1]
    assert "the same money, spent best: 55 %" in figure.data[2].hovertext[0]
    assert words(figure) == ["wanted 90 %"]
    plain = stock.exchange_curve(curve[["money", "job_fill"]], look=look)
    assert [t.name for t in plain.data] == ["the best that money buys"]


ORDER = pd.DataFrame(
    {
        "part": ["A", "B", "C"],
        "on_hand": [2, 1, 0],
        "on_order": [0, 4, 0],
        "lead_time_days": [30, 20, 60],
        "lead_time_mean": [4.0, 3.0, 0.6],
        "lead_time_q95": [8, 6, 2],
        "order_now": [6, 0, 2],
        "unit_cost": [20.0, 3.0, 100.0],
        "order_cost": [120.0, 0.0, 200.0],
        "held_jobs_avoided": [0.5, 0.0, 2.1],
    }
)


def test_order_bars_leave_out_what_isnt_ordered(look):
    figure = stock.order_bars(ORDER, look=look)
    assert words(figure) == ["C", "A"]
    assert "order 6 at 20.00: 120.00" in figure.data[0].hovertext[1]


def test_what_runs_short_is_set_out_likeliest_first(look):
    short = pd.DataFrame(
        {
            "part": ["A", "B"],
            "site": "main",
            "on_hand": [2, 0],
            "on_order": [0, 4],
            "arrives_on": pd.Timestamp("2026-05-01"),
            "chance_short": [0.2, 0.8],
            "chance_lower": [0.15, 0.75],
            "chance_upper": [0.26, 0.85],
            "pieces_short": [0.3, 2.5],
            "jobs_held": [0.3, 1.5],
            "runs_out_on": [pd.NaT, pd.Timestamp("2026-04-10")],
        }
    )
    figure = stock.short_bars(short, look=look)
    assert words(figure) == ["B · main", "A · main"]
    assert list(figure.data[0].marker.color) == [look.alarm, look.calm]
    assert list(figure.data[0].marker.pattern.shape) == ["/", ""]
    assert "runs out 10 Apr 2026" in figure.data[0].hovertext[0]
    assert "runs out not before" in figure.data[0].hovertext[1]


REPEATS = pd.DataFrame(
    {
        "kind": ["site", "part"],
        "name": ["north", "R-2"],
        "family": [None, "pump"],
        "component": [None, "ring"],
        "observed": [12, 9],
        "expected": [10.1, 3.0],
        "comebacks": [3, 4],
        "comebacks_expected": [2.9, 1.1],
        "ratio": [1.19, 3.0],
        "ratio_lower": [0.7, 1.6],
        "ratio_upper": [1.9, INF],
        "p_value": [0.3, 0.001],
        "q_value": [0.6, 0.004],
        "since": [None, pd.Timestamp("2025-03-04")],
        "flagged": [False, True],
    }
)


def test_repeats_put_the_flagged_first_with_counts_and_start(look):
    figure = repeats.observed_over_expected(REPEATS, look=look)
    assert words(figure) == ["make R-2 · ring · pump", "site north"]
    flagged = figure.data[0]
    assert flagged.name == "more than it should"
    assert flagged.marker.color == look.alarm
    assert flagged.marker.symbol != figure.data[1].marker.symbol
    assert "9 seen, 3.0 expected" in flagged.hovertext[0]
    assert "since 2025-03-04" in flagged.hovertext[0]
    assert figure.layout.xaxis.type == "log"
    assert np.isfinite(flagged.error_x.array[0])  # an open end is drawn to the edge, not to infinity


def test_building_up_marks_the_start(look):
    events = pd.DataFrame(
        {"date": pd.to_datetime(["2025-01-01", "2025-02-01"]), "observed": [1, 2], "expected": [0.5, 0.9]}
    )
    figure = repeats.building_up(events, what="rings failed", since="2025-01-15", look=look)
    assert [t.name for t in figure.data] == ["seen", "expected"]
    assert titled(figure) == ("date", "rings failed")
    assert len(figure.layout.shapes) == 1


BACKTEST = pd.DataFrame(
    {
        "part": ["P", "P", "Q", "Q"],
        "method": ["installed base", "moving average"] * 2,
        "origin": "2025-01-01",
        "months": 12,
        "pinball": [1.0, 2.0, 3.0, 4.0],
        "coverage_90": [0.9, 0.6, 0.94, 0.7],
    }
)


def test_the_record_is_summed_over_parts_least_loss_first(look):
    table = record.by_method(BACKTEST)
    assert list(table["method"]) == ["installed base", "moving average"]
    assert list(table["pinball"]) == [4.0, 6.0]
    assert list(table["parts"]) == [2, 2]
    assert words(record.losses(BACKTEST, look=look)) == ["installed base", "moving average"]
    assert np.allclose(record.losses(BACKTEST, look=look).data[0].x, [4 / 6, 1])
    assert "90 % interval" in record.losses(BACKTEST, look=look).data[0].hovertext[0]
    covered = record.coverage(BACKTEST, look=look).data[0]
    assert np.allclose(covered.x, [0.92, 0.65])
    assert list(covered.marker.symbol) == ["circle", "diamond"]
    assert all(covered.error_x.array > 0)
    assert "90 % interval" in covered.hovertext[0]
    assert "of 2 parts" in covered.hovertext[0]


def test_a_methods_loss_beside_the_moving_averages_is_as_sure_as_its_parts_say():
    rng = np.random.default_rng(3)
    parts, origins = 60, 4
    size = np.repeat(rng.lognormal(0, 1, parts), origins)
    told = pd.DataFrame({"part": np.repeat(np.arange(parts), origins), "origin": np.tile(np.arange(origins), parts)})
    own = np.repeat(rng.lognormal(-0.2, 0.3, parts), origins)  # how a part fares is its own, not one forecast's
    rows = pd.concat(
        [
            told.assign(method="moving average", pinball=size, coverage_90=0.9),
            told.assign(method="sba", pinball=size * own, coverage_90=0.9),
            told.head(1).assign(method="croston", pinball=1.0, coverage_90=0.9),
        ]
    )
    table = record.times_peer(rows).set_index("method")
    assert table.loc["moving average", "times_upper"] == pytest.approx(1)
    assert not np.isfinite(table.loc["croston", "times_upper"])  # one part bounds nothing
    # an independent way to the same interval: the bootstrap over parts (Efron & Tibshirani 1993, ch. 8)
    sums = pd.DataFrame({"a": size * own, "b": size}).groupby(told["part"]).sum().to_numpy()
    drawn = sums[rng.integers(0, parts, (4000, parts))].sum(axis=1)
    low, high = np.quantile(drawn[:, 0] / drawn[:, 1], [0.05, 0.95])
    mine = table.loc["sba"]
    assert mine["times"] == pytest.approx(sums[:, 0].sum() / sums[:, 1].sum())
    assert np.log(mine["times_upper"] / mine["times_lower"]) == pytest.approx(np.log(high / low), rel=0.15)
    assert "of 2 methods: " in record.closest(record.by_method(rows[rows["method"] != "croston"]))
    assert "too few parts" in record.closest(record.by_method(rows).query("method == 'croston'"))


@pytest.mark.parametrize(("held", "looks"), [(9, 10), (88, 100), (0, 5), (5, 5), (450, 500)])
def test_the_share_held_has_wilsons_interval(held, looks):
    # scipy's own, an independent implementation of Wilson (1927)
    theirs = stats.binomtest(held, looks).proportion_ci(0.90, method="wilson")
    assert np.allclose(record.wilson(held / looks, looks), (theirs.low, theirs.high), atol=1e-12)
    assert record.wilson(float("nan"), 0) == (0.0, 1.0)


def test_looks_that_hang_together_count_as_one():
    rng = np.random.default_rng(1)
    parts = np.repeat(np.arange(40), 25)
    alone = pd.Series((rng.random(1000) < 0.8).astype(float))
    assert 700 < record.independent_looks(alone, pd.Series(parts)) <= 1000
    together = pd.Series(np.repeat((rng.random(40) < 0.8).astype(float), 25))
    # Kish (1965): with all of a cluster alike, as many looks as there are clusters
    assert record.independent_looks(together, pd.Series(parts)) == pytest.approx(39, abs=1.5)
    assert record.independent_looks(pd.Series([1.0] * 50), pd.Series(parts[:50])) == 2  # never failed: one a part


def test_evidence_hatches_what_rests_on_few_failures(look):
    frame = pd.DataFrame(
        {
            "family": "pump",
            "component": ["case", "seal"],
            "events": [0, 90],
            "lives": [100, 300],
            "exposure": [1e7, 2e7],
            "shrinkage": [0.9, 0.02],
        }
    )
    bars = record.evidence(frame, look=look).data[0]
    assert list(bars.marker.pattern.shape) == ["/", ""]
    assert "leans on its group: 90 %" in bars.hovertext[0]


EMPTY = pd.DataFrame()


@pytest.mark.parametrize(
    "draw",
    [
        lambda look: wear.chance_bars(EMPTY, look=look),
        lambda look: wear.readings_by_age(EMPTY, None, distance="mi", reading_unit="mm", look=look),
        lambda look: wear.fail_shares(EMPTY, look=look),
        lambda look: life.chance_by_mileage(EMPTY, distance="mi", look=look),
        lambda look: life.probability_plot(EMPTY, EMPTY, distribution="weibull", distance="mi", look=look),
        lambda look: life.side_by_side(EMPTY, distance="mi", look=look),
        lambda look: life.b10_rows(EMPTY, distance="mi", look=look),
        lambda look: demand.fan(EMPTY, look=look),
        lambda look: demand.methods(EMPTY, look=look),
        lambda look: demand.reasons(EMPTY, look=look),
        lambda look: stock.exchange_curve(EMPTY, look=look),
        lambda look: stock.order_bars(EMPTY, look=look),
        lambda look: stock.short_bars(EMPTY, look=look),
        lambda look: repeats.observed_over_expected(EMPTY, look=look),
        lambda look: repeats.building_up(EMPTY, what="x", look=look),
        lambda look: record.losses(EMPTY, look=look),
        lambda look: record.coverage(EMPTY, look=look),
        lambda look: record.evidence(EMPTY, look=look),
    ],
)
def test_nothing_to_draw_is_said_in_a_sentence(draw, look):
    figure = draw(look)
    assert not figure.data
    assert len(words(figure)[0]) > 15


def test_every_figure_has_our_colours_and_no_background_of_its_own(look):
    figure = stock.order_bars(ORDER, look=look)
    assert list(figure.layout.colorway) == list(look.ten)
    assert figure.layout.paper_bgcolor == "rgba(0,0,0,0)"
    assert figure.layout.font.color == look.ink
    assert hovers(figure)


def test_the_plain_estimate_behind_a_fit_is_counted_off_exactly():
    # worked by hand: of five lives one fails at 10 (1/5); 20 runs; one of three left fails at 30 (1/3 of 4/5); two run
    lives = pd.DataFrame(
        {"entry_age": 0.0, "lower_age": [10.0, 20, 30, 40, 50], "upper_age": [10.0, np.nan, 30, np.nan, np.nan]}
    )
    steps = life.counted_steps(lives)
    assert list(steps["age"]) == [10, 30]
    assert np.allclose(steps["chance"], [1 / 5, 1 - 4 / 5 * 2 / 3])
    assert (steps["events"] == 2).all()
    assert (steps["lives"] == 5).all()
    assert (steps["chance_lower"] < steps["chance"]).all()
    assert (steps["chance_upper"] > steps["chance"]).all()
    assert life.counted_steps(lives.iloc[:0]).empty
    assert life.counted_steps(lives.assign(upper_age=np.nan)).empty
