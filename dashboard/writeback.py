"""What was tried, written back to the season folder: the change is shown as text first."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import streamlit as st

from dashboard import markup, sign_in
from pipeline import season_edit
from pipeline.errors import InputError, StoreError
from pipeline.season_edit import Edit

__all__ = ["offer"]


def offer(name: str, what: str, tried: object, work_out: Callable[[Path], Edit]) -> None:
    """Offer to write a tried value into the season folder, to whoever may change it.

    Parameters
    ----------
    name
        Of the control, unlike any other of the page.
    what
        What is written, in words.
    tried
        The value; a change that was shown for another is forgotten.
    work_out
        Gives the change for the season folder.
    """
    named = os.environ.get("SHOWHOUR_SEASON", "")
    if not named or not Path(named).is_dir() or not sign_in.may_write():
        return
    key = f"edit_{name}"
    if key in st.session_state and st.session_state[key][0] != tried:
        del st.session_state[key]
    if st.button(f"Show what would be written: {markup.literal(what)}", key=f"{key}_show"):
        try:
            st.session_state[key] = (tried, work_out(Path(named)))
        except InputError as error:
            st.error(markup.told(error), icon=":material/error:")
            return
    if key not in st.session_state:
        return
    edit: Edit = st.session_state[key][1]
    st.code(edit.diff or "Nothing would change: the file says so already.", language="diff", wrap_lines=True)
    if not edit.diff:
        return
    st.html(
        '<p class="sh-note">Only these lines change; comments and order stay. What your log says is put on '
        "top of a written limit, and the more cautious of that and the physics stands, as before. A limit is "
        "loosened on the ground, after practice, within your authorisation and the aircraft’s approved data: "
        "not because a chance looks better here.</p>"
    )
    if not st.button(f"Write it to {edit.file}", type="primary", key=f"{key}_write"):
        return
    del st.session_state[key]
    try:
        season_edit.write(edit)
    except (InputError, StoreError) as error:
        st.error(markup.told(error), icon=":material/error:")
        return
    st.success(
        f"Written to {edit.file}; the version before is {edit.previous}. These pages still show the season "
        f"as it was: run `showhour forecast {Path(named).name}` to bring them up to date.",
        icon=":material/save:",
    )
