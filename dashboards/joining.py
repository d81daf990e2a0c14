"""Names written in two ways: pairs that look alike, for a person to join or to leave, and the way back."""

from __future__ import annotations

import access
import cached
import layout
import pandas as pd
import streamlit as st
import writing

SHOWN = {
    "kind": "what",
    "one": "named more often",
    "other": "looks like it",
    "rows_one": "times",
    "rows_other": "times, the other",
    "seen_one": "seen",
    "seen_other": "seen, the other",
    "against": "what speaks against it",
}


def show(path: str, version: str) -> None:
    """The pairs, what speaks against each, and for those who may write the buttons."""
    layout.section("Names that look alike")
    if said := st.session_state.pop("joined_said", None):
        st.success(said)
    rows = cached.joins(path, version)
    pairs = rows[rows["state"] == "look alike"].reset_index(drop=True)
    joined = rows[rows["state"] == "joined"].reset_index(drop=True)
    if pairs.empty:
        st.write("No serial, part or vehicle looks like another.")
    else:
        st.caption(
            "A letter O for a figure 0, a blank, a hyphen, upper or lower case. Nothing is joined by itself: compare "
            "the plates or the boxes. What you join counts as one in every answer, and it can be undone."
        )
        layout.table(
            pairs[list(SHOWN)].rename(columns=SHOWN), name="joins", says="Pairs of names that look alike, with evidence"
        )
        if access.may_write():
            join(path, pairs)
    if not joined.empty:
        told = joined[["what", "who", "at"]].rename(columns={"what": "joined", "who": "by", "at": "when (UTC)"})
        layout.table(told, name="joined", says="Names that are joined, with who joined them and why")
        if access.may_write():
            part(path, joined)


def join(path: str, pairs: pd.DataFrame) -> None:
    """Choose a pair, which name stays, and say how you know."""
    with st.container(border=True):
        chosen = st.selectbox(
            "Which pair is one?",
            list(pairs.index),
            format_func=lambda i: f"{pairs.loc[i, 'kind']} {pairs.loc[i, 'one']} and {pairs.loc[i, 'other']}",
            index=None,
            placeholder="None",
            key="join_pair",
        )
        if chosen is None:
            return
        pair = pairs.loc[chosen]
        if pair["against"]:
            st.warning(f"Look twice: {pair['against']}.", icon=":material/warning:")
        names = [pair["one"], pair["other"]]
        only_rejected = pair["seen_other"] == "only in rows that did not go in"
        stays = st.segmented_control(
            "Which name stays?", names[:1] if only_rejected else names, default=names[0], key="join_stays"
        )
        why = st.text_input("How do you know? It is kept with your name.", key="join_why")
        ready = bool(why.strip()) and stays is not None
        if st.button("They are one", icon=":material/join:", type="primary", disabled=not ready, key="join"):
            other = names[1] if stays == names[0] else names[0]
            said = writing.join(path, pair["kind"], str(stays), other, why.strip())
            st.session_state["joined_said"] = said + (
                " Load the file of the rejected rows again: they go in now." if only_rejected else ""
            )
            st.rerun()


def part(path: str, joined: pd.DataFrame) -> None:
    """The way back from a join."""
    with st.container(border=True):
        chosen = st.selectbox(
            "Which join was wrong?",
            list(joined.index),
            format_func=lambda i: f"{joined.loc[i, 'kind']} {joined.loc[i, 'other']} (now {joined.loc[i, 'one']})",
            index=None,
            placeholder="None",
            key="part_which",
        )
        if chosen is None:
            return
        why = st.text_input("Why are they two?", key="part_why")
        if st.button("Undo this join", icon=":material/undo:", disabled=not why.strip(), key="part"):
            row = joined.loc[chosen]
            st.session_state["joined_said"] = writing.unjoin(path, row["kind"], row["other"], why.strip())
            st.rerun()
