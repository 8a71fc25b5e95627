"""The dashboard: `streamlit run app.py`, started by `showhour dashboard FOLDER`.

Pages are files under ``views``, listed here, one question each. A folder named `pages` Streamlit
would serve by itself, without this file, to whoever opens a page's address first.
"""

from __future__ import annotations

import streamlit as st

from dashboard import first_run, frame, markup, sign_in
from dashboard.season import load_season
from pipeline.errors import ShowhourError
from pipeline.results import CAUTIONS

st.set_page_config(page_title="showhour", layout="wide", initial_sidebar_state="collapsed")
if not sign_in.let_in():
    st.stop()
first = first_run.needed()


def _front() -> None:
    """The first page under a name of its own, as the others have one."""
    st.switch_page("views/bookings.py", query_params=st.query_params.to_dict())


page = st.navigation(
    {
        "Plan the season": [
            st.Page("views/bookings.py", title="Which bookings", url_path="", default=True),
            st.Page(_front, title="Which bookings", url_path="bookings", visibility="hidden"),
            st.Page("views/season.py", title="The season", url_path="season"),
        ],
        "Agree the hour": [
            st.Page("views/venue.py", title="One venue", url_path="venue"),
            st.Page("views/hour.py", title="What hour", url_path="hour"),
        ],
        "Prepare": [
            st.Page("views/show.py", title="Which show", url_path="show"),
            st.Page("views/figure.py", title="A figure in thin air", url_path="figure"),
            st.Page("views/aircraft.py", title="The aircraft in thin air", url_path="aircraft"),
            st.Page("views/energy.py", title="The routine’s energy", url_path="energy"),
        ],
        "On the day": [
            st.Page("views/today.py", title="Today", url_path="today"),
        ],
        "Trust": [
            st.Page("views/trust.py", title="Can I trust it", url_path="trust"),
            st.Page("views/sources.py", title="Where the numbers come from", url_path="sources"),
            st.Page("views/log.py", title="What my log says", url_path="log"),
        ],
    },
    position="hidden" if first else "top",
)
if not first:
    # Several questions stand open side by side, on a telephone above all.
    st.set_page_config(page_title=f"{page.title} · showhour")
frame.style()
if first:
    frame.guarded(first_run.show)()
    st.stop()
try:
    load_season()
except ShowhourError as error:
    st.title("Nothing to show yet", anchor=False)
    st.error(markup.told(error), icon=":material/error:")
    st.html(markup.cautions(CAUTIONS))
    st.stop()
frame.guarded(page.run)()
