"""Who may look and who may write, where the dashboard is shared in a shop.

Without a list everyone at this machine may do both (it listens to this machine only). With one — the TOML file that
REBUILDSTATS_ACCESS names, `write = ["a@shop.example"]` and `read = ["b@shop.example"]` — people sign in by OpenID
Connect through Streamlit's own `st.login`, and whoever is on no list sees nothing. A list that can't be read lets
nobody in: a typing error must not open the store.
"""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

VARIABLE = "REBUILDSTATS_ACCESS"


class NotAllowedError(Exception):
    """This person may look but not write."""


@dataclass(frozen=True, slots=True)
class People:
    """The list: addresses in lower case. `fault` says why nobody may come in."""

    write: frozenset[str] = frozenset()
    read: frozenset[str] = frozenset()
    fault: str = ""


def people() -> People | None:
    """The list in force; None where there is none."""
    named = os.environ.get(VARIABLE)
    if not named:
        return None
    try:
        told = tomllib.loads(Path(named).read_text(encoding="utf-8"))
        lists = {word: _addresses(told.get(word, [])) for word in ("write", "read")}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, TypeError) as error:
        return People(fault=f"The list of people in {named} can't be read: {error}")
    return People(**lists)


def _addresses(given: object) -> frozenset[str]:
    if not isinstance(given, list) or not all(isinstance(one, str) for one in given):
        raise TypeError("`write` and `read` are lists of addresses")
    return frozenset(one.strip().lower() for one in given if one.strip())


def person() -> str | None:
    """The signed-in person's address, lower case; None when nobody is signed in."""
    if not getattr(st.user, "is_logged_in", False):
        return None
    if getattr(st.user, "email_verified", True) is False:
        return None  # an address that the provider has not checked could be anybody's
    address = getattr(st.user, "email", None)
    return str(address).strip().lower() if address else None


def may_read() -> bool:
    listed = people()
    return listed is None or person() in listed.write | listed.read


def may_write() -> bool:
    listed = people()
    return listed is None or person() in listed.write


def who() -> str | None:
    """The name that goes into the store's book of loads; None: the machine's own user."""
    return None if people() is None else person()


def need_write() -> None:
    """Raise before anything is written by somebody who may only look."""
    if not may_write():
        raise NotAllowedError("You may look at everything here; writing is for those on the shop’s list.")


def gate() -> None:
    """Nothing is shown to whoever is not on the list."""
    listed = people()
    if listed is None:
        return
    if listed.fault:
        st.title("Nobody can come in")
        st.write(listed.fault)
        st.stop()
    if not getattr(st.user, "is_logged_in", False):
        st.title("Sign in to see the shop’s history")
        st.button("Sign in", type="primary", icon=":material/login:", on_click=st.login, key="sign_in")
        st.stop()
    if not may_read():
        st.title("You are not on the list")
        st.write(f"{person() or 'This address'} may not see this store. Ask whoever keeps it.")
        st.button("Sign out", on_click=st.logout, key="sign_out")
        st.stop()


def badge() -> None:
    """Who is signed in and what they may do."""
    if people() is None:
        return
    st.caption(f"{person()} · {'may write' if may_write() else 'may look'}")
    st.button("Sign out", on_click=st.logout, key="sign_out")
