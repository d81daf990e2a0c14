"""The shop office: what comes back more than it should, which inspections fail, what fails early, what it cost."""

from __future__ import annotations

import cached
import lasting
import layout
import pandas as pd
import recurring
import streamlit as st
from layout import Ticket
from part_view import dates

from rebuildstats.figures import repeats as pictures
from rebuildstats.figures import wear as wear_pictures
from rebuildstats.figures.palette import number, percent
from rebuildstats.figures.repeats import repeat_label, seen_and_expected
from rebuildstats.reports import behind
from rebuildstats.reports.job_money import spent_words

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
        seen, expected = seen_and_expected(worst)
        more = f" and {len(flagged) - 1} more" if len(flagged) > 1 else ""
        layout.headline(
            DESK,
            f"Look into {repeat_label(worst)}{more}.",
            f"It failed {number(seen)} times where {number(expected, 1)} were to be expected"
            + (f", since about {pd.Timestamp(worst['since']):%B %Y}." if pd.notna(worst["since"]) else "."),
        )
    layout.tickets([*(_ticket(row) for _, row in flagged.head(3).iterrows()), *_cost(comebacks)])

    st.subheader("Seen against expected")
    left, right = st.columns([3, 2], gap="large")
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
    with st.expander("Every group looked at"):
        layout.table(repeats, name="repeats", says="Every group looked at", columns=repeat_columns(repeats))

    for section in SECTIONS:
        layout.guarded(section, path, version)


def _ticket(row: pd.Series) -> Ticket:
    span = f"{number(row['ratio_lower'], 1)} to {number(row['ratio_upper'], 1)} times"
    seen, expected = seen_and_expected(row)
    said = LOOKS_LIKE.get(_word(row.get("looks_like")), "")
    since = f"; since {pd.Timestamp(row['since']):%b %Y}" if pd.notna(row["since"]) else ""
    return Ticket(
        f"{number(row['ratio'], 0 if row['ratio'] >= 10 else 1)}×",
        repeat_label(row),
        f"{number(seen)} seen, {number(expected, 1)} expected ({span}){since}"
        + (f". {said[0].upper()}{said[1:]}." if said else ""),
        True,
    )


def _cost(comebacks: pd.DataFrame) -> list[Ticket]:
    if comebacks.empty:
        return [Ticket("0", "comebacks on record")]
    return [Ticket(str(len(comebacks)), "comebacks on record", spent_words(comebacks))]


def repeat_columns(repeats: pd.DataFrame) -> dict[str, object]:
    return {
        **dates(repeats),
        "observed": layout.count("Seen"),
        "expected": layout.one_decimal("Expected"),
        "comebacks_expected": layout.one_decimal("Comebacks expected"),
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
    row = order.iloc[keys.index(key)]
    failed = behind.of_group(
        cached.failures(path, version),
        str(row["kind"]),
        str(row["name"]),
        family=_word(row["family"]) or None,
        component=_word(row["component"]) or None,
        jobs=_word(row.get("jobs")),
    )
    layout.chart(
        pictures.building_up(
            behind.piled_up(failed), what="failures found so far", since=row["since"], look=layout.look()
        ),
        says="The failures of this group piling up over time",
    )
    with st.expander(f"The {len(failed)} teardowns behind it", expanded=False):
        layout.table(failed, name="teardowns_behind", says="The teardowns behind this group", columns=dates(failed))


def _word(value: object) -> str:
    return value if isinstance(value, str) else ""


def inspections(path: str, version: str) -> None:
    st.subheader("Inspections that most often fail")
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
            f"**{worst['component']} · {worst['point'] if isinstance(worst['point'], str) else ''}** fails "
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
    with st.expander("Every inspection point"):
        shares = {name: layout.share(name.replace("_", " ")) for name in ("share", "share_lower", "share_upper")}
        ahead = {n: layout.one_decimal(n.replace("_", " ")) for n in ("expected_checked", "expected_failed")}
        layout.table(rows, name="inspections", says="Every inspection point", columns={**shares, **ahead})


def came_back(path: str, version: str) -> None:
    comebacks = cached.comebacks(path, version)
    st.subheader(f"Comebacks ({len(comebacks)})")
    if comebacks.empty:
        st.write("No teardown was called a comeback, and none came soon after a renewal of what failed.")
        return
    layout.table(comebacks, name="comebacks", says="The comebacks with their cost", columns=dates(comebacks))


# what stands below what comes back, in this order
SECTIONS = (inspections, lasting.show, recurring.show, came_back)

layout.page(show)
