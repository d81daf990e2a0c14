"""The shop office: what comes back more than it should, which inspections fail, what fails early, what it cost."""

from __future__ import annotations

import cached
import lasting
import layout
import pandas as pd
import recurring
import streamlit as st
import views
from layout import Ticket
from part_view import dates

from rebuildstats.figures import repeats as pictures
from rebuildstats.figures import wear as wear_pictures
from rebuildstats.figures.palette import number, percent
from rebuildstats.figures.repeats import MOST_TIMES, counted, fitted_in_spell, repeat_label, times
from rebuildstats.reports import behind
from rebuildstats.reports.job_money import spent_words

SPELL = {
    "since": "Since",
    "since_lower": "began at the earliest",
    "since_upper": "began at the latest",
    "since_cusum": "last in order before",
    "until": "Until",
}
DESK = "Shop office · what to put right"
MOST_GROUPS = 1_000  # in the list that opens one; the table has all of them
LOOKS_LIKE = {
    "early_life": "fails soon after fitting: look at how it is fitted",
    "make": "this make does worse than the others",
    "vehicle_use": "look at how this vehicle is used",
    "site": "look at what this site does differently",
    "procedure": "look at the procedure at this bench, not at the people",
    "missing_renewal": "a renewal seems to be left out",
    "batch": "as if one batch were bad",
    "wear_out": "wears out sooner than it should",
}


def show(path: str, version: str) -> None:
    repeats = cached.repeats(path, version)
    comebacks = cached.comebacks(path, version)
    flagged = repeats[repeats["flagged"].fillna(False).astype(bool)].sort_values(["q_value", "ratio"])
    if flagged.empty:
        layout.headline(
            DESK,
            "Nothing comes back more than it should.",
            f"{len(repeats)} groups were looked at: components, makes, families, vehicles, sites, procedures.",
        )
    else:
        worst = flagged.iloc[0]
        more = f" and {len(flagged) - 1} more" if len(flagged) > 1 else ""
        layout.headline(
            DESK, f"Look into {repeat_label(worst)}{more}.", f"{_counted(path, version, worst)}. {_looks_like(worst)}"
        )
    layout.tickets([*(_ticket(path, version, row) for _, row in flagged.head(3).iterrows()), *_cost(comebacks)])

    layout.section("Seen against expected")
    left, right = st.columns(2, gap="large")
    with left:
        layout.chart(
            cached.drawn(
                path,
                version,
                "repeats",
                (),
                layout.look().name,
                lambda: pictures.observed_over_expected(repeats, look=layout.look()),
            ),
            says="Observed over expected failures of each group, with 90 % intervals",
        )
    with right:
        group(path, version)
    columns = repeat_columns(repeats)
    layout.details(
        "Every group looked at",
        "repeats",
        lambda: layout.table(repeats, name="repeats", says="Every group looked at", columns=columns),
    )

    for section in SECTIONS:
        layout.guarded(section, path, version)


def _ticket(path: str, version: str, row: pd.Series) -> Ticket:
    why = f"{_counted(path, version, row)} ({_interval(row)}). {_looks_like(row)}"
    return Ticket(times(row), repeat_label(row), why, True)


def _counted(path: str, version: str, row: pd.Series) -> str:
    """What was counted, of how many pieces, and what was to be expected."""
    place = str(row["family"]), str(row["component"])
    fitted = fitted_in_spell(row, cached.fitted(path, version, *place)) if row["kind"] in ("bench", "part") else None
    return counted(row, fitted)


def _interval(row: pd.Series) -> str:
    if row["ratio_lower"] > MOST_TIMES:
        return f"90 % interval: over {MOST_TIMES} times throughout"
    upper = f"over {MOST_TIMES}" if row["ratio_upper"] > MOST_TIMES else number(row["ratio_upper"], 1)
    return f"90 % interval {number(row['ratio_lower'], 1)} to {upper} times"


def _looks_like(row: pd.Series) -> str:
    said = LOOKS_LIKE.get(_word(row.get("looks_like")), "")
    return f"{said[0].upper()}{said[1:]}." if said else ""


def _cost(comebacks: pd.DataFrame) -> list[Ticket]:
    if comebacks.empty:
        return [Ticket("0", "comebacks on record")]
    return [Ticket(str(len(comebacks)), "comebacks on record", spent_words(comebacks))]


def repeat_columns(repeats: pd.DataFrame) -> dict[str, object]:
    return {
        **dates(repeats),
        **{name: st.column_config.DateColumn(label, format="YYYY-MM-DD") for name, label in SPELL.items()},
        "flagged": "More than it should",
        "by": st.column_config.TextColumn("Seen by", help="Failures in service, comebacks, or finds at teardowns"),
        "looks_like": "Looks like",
        "jobs": "Teardowns behind it",
        "observed": layout.count("Failed in service"),
        "expected": layout.one_decimal("… expected"),
        "comebacks": layout.count("Came back soon"),
        "comebacks_expected": layout.one_decimal("… expected soon"),
        "found": layout.count("Found bad at teardowns"),
        "found_expected": layout.one_decimal("… expected there"),
        "observed_all": layout.count("Failed, whole history"),
        "expected_all": layout.one_decimal("… expected, whole history"),
        "ratio_shrunk": st.column_config.NumberColumn(
            "Ratio, steadied", format="%.2f", help="Drawn towards 1 the more, the fewer events stand behind it"
        ),
        "ratio": st.column_config.NumberColumn("Ratio", format="%.2f"),
        "ratio_lower": st.column_config.NumberColumn("at least", format="%.2f"),
        "ratio_upper": st.column_config.NumberColumn("at most", format="%.2f"),
        "p_value": st.column_config.NumberColumn("p", format="%.4f"),
        "q_value": st.column_config.NumberColumn("q", format="%.4f", help="False discovery rate over all groups"),
    }


@st.cache_resource(max_entries=2, show_spinner=False)
def groups(path: str, version: str) -> pd.DataFrame:
    """The groups that can be opened, what wants looking at first: the rows of `repeats` with `key` and `label`."""
    rows = cached.repeats(path, version)
    order = rows.assign(_flag=rows["flagged"].fillna(False).astype(bool))
    order = order.sort_values(["_flag", "q_value", "p_value"], ascending=[False, True, True], ignore_index=True)
    order = order.head(MOST_GROUPS)
    told = order.to_dict("records")
    return order.assign(
        key=[f"{r['kind']}/{r['name']}/{_word(r['family'])}/{_word(r['component'])}" for r in told],
        label=[repeat_label(pd.Series(r)) for r in told],
    )


def group(path: str, version: str) -> None:
    """One group opened: how its failures piled up, and the teardowns behind them."""
    order = groups(path, version)
    if order.empty:
        return
    keys = list(order["key"])
    labels = dict(zip(keys, order["label"], strict=True))
    layout.adopt("group", keys)
    key = st.selectbox("Open a group", keys, format_func=labels.get, key="group", bind="query-params")
    row, now = order.iloc[keys.index(key)], layout.look()
    failed = behind.of_group(
        cached.failures(path, version),
        str(row["kind"]),
        str(row["name"]),
        family=_word(row["family"]) or None,
        component=_word(row["component"]) or None,
        jobs=_word(row.get("jobs")),
    )
    layout.chart(
        cached.drawn(
            path,
            version,
            "building up",
            (key,),
            now.name,
            lambda: pictures.building_up(
                behind.piled_up(failed), what="failures found so far", since=row["since"], look=now
            ),
        ),
        says="The failures of this group piling up over time",
    )
    mine = views.named(failed, cached.catalog(path, version))
    says = "The teardowns behind this group"
    layout.details(
        f"The {len(failed)} teardowns behind it",
        "teardowns_behind",
        lambda: layout.table(mine, name="teardowns_behind", says=says, columns=dates(failed)),
    )


def _word(value: object) -> str:
    return value if isinstance(value, str) else ""


def inspections(path: str, version: str) -> None:
    layout.section("Inspections that most often fail")
    names = cached.catalog(path, version)
    left, right = st.columns(2)
    with left:
        family = st.selectbox(
            "Family", names.families, index=None, placeholder="All families", key="family", bind="query-params"
        )
    with right:
        mileage = st.number_input(
            f"Near this distance since the last rebuild ({names.distance})",
            min_value=0.0,
            value=None,
            step=10_000.0,
            placeholder="At any",
            key="mileage",
            bind="query-params",
        )
    rows = cached.inspections(path, version, family, mileage=mileage)
    failing = rows[rows["failed"] > 0]
    if len(failing):
        worst = failing.sort_values("share", ascending=False).iloc[0]
        st.markdown(
            f"**{views.place_words(names, worst)}** fails "
            f"{percent(worst['share'])} of its checks ({number(worst['failed'])} of {number(worst['checked'])}; "
            f"90 % interval {percent(worst['share_lower'])} to {percent(worst['share_upper'])})."
        )
    layout.chart(
        cached.drawn(
            path,
            version,
            "fail shares",
            (family, mileage),
            layout.look().name,
            lambda: wear_pictures.fail_shares(rows, look=layout.look()),
        ),
        says="Share of inspections that fail per point, so far and to expect",
    )
    columns = {name: layout.share(layout.written(name)) for name in ("share", "share_lower", "share_upper")}
    columns |= {n: layout.one_decimal(layout.written(n)) for n in ("expected_checked", "expected_failed")}
    layout.details(
        "Every inspection point",
        "inspections",
        lambda: layout.table(rows, name="inspections", says="Every inspection point", columns=columns),
    )


def came_back(path: str, version: str) -> None:
    comebacks = cached.comebacks(path, version)
    layout.section(f"Comebacks ({len(comebacks)})")
    if comebacks.empty:
        st.write("No teardown was called a comeback, and none came soon after a renewal of what failed.")
        return
    mine = views.named(comebacks, cached.catalog(path, version))
    layout.table(mine, name="comebacks", says="The comebacks with their cost", columns=dates(comebacks))


# what stands below what comes back, in this order
SECTIONS = (inspections, lasting.show, recurring.show, came_back)

layout.page(show)
