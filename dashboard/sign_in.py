"""The door: nothing of the season is shown, nor read, before whoever opens it may see it."""

from __future__ import annotations

import os

import streamlit as st

from dashboard import markup, opening

__all__ = ["REQUIRED", "let_in", "may_write"]

REQUIRED = "SHOWHOUR_SIGN_IN"
"""In the environment where the command was given a sign-in file."""


def _refused(why: str) -> bool:
    st.title("Not open", anchor=False)
    st.error(why, icon=":material/lock:")
    return False


def _on_this_machine_alone() -> bool:
    """Whether nobody is asked to sign in.

    A server that others can reach asks for it however it was started. Its address is set beside app.py and by
    the command; there is none only where there is no server.
    """
    address = st.get_option("server.address")
    return REQUIRED not in os.environ and (not address or opening.is_loopback(str(address)))


def may_write() -> bool:
    """Whether whoever is in may change the season folder: on this machine, or named for it."""
    if _on_this_machine_alone():
        return True
    named = st.secrets.get("showhour", {}).get("may_write", [])
    return opening.may_see(dict(st.user), [entry for entry in named if entry != opening.ANYBODY])


def let_in() -> bool:
    """Show what is needed to get in; True for whoever is in."""
    if _on_this_machine_alone():
        return True
    if st.get_option("server.trustedUserHeaders"):
        # Whoever can send a header could then say who he is.
        return _refused(
            "This Streamlit takes people’s names from request headers (server.trustedUserHeaders). Take that "
            "setting out, and start the dashboard with `showhour dashboard FOLDER --sign-in FILE.toml`."
        )
    held = st.secrets.to_dict() if st.secrets.load_if_toml_exists() else {}
    allowed = held.get("showhour", {}).get("allowed")
    if "auth" not in held or not allowed:
        return _refused(
            "This dashboard can be reached from outside this machine and has no sign-in. Start it with "
            "`showhour dashboard FOLDER --sign-in FILE.toml`, or on this machine alone."
        )
    user = dict(st.user)
    if user.get("is_logged_in") is not True:
        st.title("Sign in", anchor=False)
        st.write(
            "This season is shown to those its owner has named. Signing in leads to its first page: open a "
            "link to another one again after that."
        )
        st.button("Sign in", on_click=st.login, type="primary", icon=":material/login:")
        return False
    if not opening.may_see(user, list(allowed)):
        st.title("Not on the list", anchor=False)
        st.error(
            "You are signed in, and this season is not open to your address, or your provider does not vouch "
            "for it. Ask its owner, or sign in with another address.",
            icon=":material/lock:",
        )
        st.button("Sign out", on_click=st.logout, icon=":material/logout:")
        return False
    with st.sidebar:
        st.caption(f"Signed in: {markup.literal(user.get('email', ''))}")
        st.button("Sign out", on_click=st.logout, icon=":material/logout:")
    return True
