"""Who may open the dashboard: refused in one paragraph, or asked to sign in before anything is shown."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

import pytest
import streamlit as st
from browser import await_answer, barriers, chromium, chromium_or_skip, free_port, opened, still
from dashboard_season import HOT, small_season
from hypothesis import given
from hypothesis import strategies as some
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import first_run, opening, sign_in
from pipeline.cli import main
from pipeline.errors import InputError
from pipeline.run import results_path

APP = Path(dashboard.__file__).with_name("app.py")
GOOD = """
[auth]
redirect_uri = "https://season.example.org/oauth2callback"
cookie_secret = "0123456789abcdef0123456789abcdef"
client_id = "showhour"
client_secret = "kept"
server_metadata_url = "https://id.example.org/.well-known/openid-configuration"

[showhour]
allowed = ["agent@example.org", "@team.example.org"]
"""


# --- What the command refuses -----------------------------------------------------------------------


@pytest.mark.parametrize("address", ["0.0.0.0", "192.168.1.20", "::", "2001:db8::1"])
def test_another_address_without_a_sign_in_is_refused(
    address: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One paragraph with the cure, exit code 2, before anything is read or served."""
    code = main(["dashboard", "no-such-season", "--address", address, "--port", str(free_port())])
    told = capsys.readouterr().err
    assert code == 2
    assert told.count("\n") == 1
    assert address in told
    assert "--sign-in" in told
    assert "export FOLDER --html" in told


def test_a_name_is_no_address(capsys: pytest.CaptureFixture[str]) -> None:
    """A host's name is told to belong into redirect_uri."""
    assert main(["dashboard", "no-such-season", "--address", "season.example.org"]) == 2
    assert "redirect_uri" in capsys.readouterr().err


@pytest.mark.parametrize("address", ["127.0.0.1", "127.8.9.10", "::1", "localhost"])
def test_loopback_needs_no_sign_in(address: str) -> None:
    """127.0.0.0/8 and ::1 are loopback (RFC 1122, section 3.2.1.3; RFC 4291, section 2.5.3)."""
    assert opening.checked_address(address, None) == address


def _file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "secrets.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("[auth]", "[other]", r"no \[auth\] section"),
        ('client_id = "showhour"\n', "", "client_id wanted"),
        ('client_secret = "kept"', 'client_secret = ""', "client_secret wanted"),
        ("0123456789abcdef0123456789abcdef", "short", "cookie_secret is too short"),
        ("/oauth2callback", "/", "https://NAME/oauth2callback is wanted"),
        ("https://season", "http://season", "unencrypted"),
        # OpenID Connect Discovery 1.0, sections 3 (the issuer is an https URL) and 7.1 (TLS); from memory.
        ("https://id.", "http://id.", "server_metadata_url 'http://id.* https://NAME/.well-known"),
        ("https://id.", "id.", "server_metadata_url 'id.* https://NAME/.well-known"),
        ("allowed =", "others =", "who may see the season"),
        ('["agent@example.org", "@team.example.org"]', "[]", "who may see the season"),
        ("[showhour]", '[showhour]\nmay_write = ["*"]', "who may change the season folder"),
        ("[showhour]", '[showhour]\nmay_write = "agent@example.org"', "who may change the season folder"),
        ("[auth]", "[auth", "is not TOML"),
    ],
)
def test_a_sign_in_file_that_would_let_anybody_in_is_refused(
    tmp_path: Path, before: str, after: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each fault by itself: one line, exit code 2."""
    path = _file(tmp_path, GOOD.replace(before, after))
    assert main(["dashboard", "no-such-season", "--address", "0.0.0.0", "--sign-in", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert re.search(told, said)
    assert "0123456789abcdef" not in said


def test_no_sign_in_file(tmp_path: Path) -> None:
    """A file that is not there is told."""
    with pytest.raises(InputError, match="cannot be read"):
        opening.read_sign_in(tmp_path / "none.toml")


def test_a_good_file_tells_where_people_open_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The address is redirect_uri without its last part; without Authlib the cure is told instead."""
    path = _file(tmp_path, GOOD.replace("oauth2callback", "show/oauth2callback"))
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: object())
    assert opening.read_sign_in(path) == "https://season.example.org/show"
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"authlib and httpx.*showhour\[sign-in\]"):
        opening.read_sign_in(path)


# --- Who is on the list -----------------------------------------------------------------------------

SEASON = ("Red Bench", "Saltreach", "Demonstration season", "sh-answer", "Which bookings")
"""What stands on the season's first page, and on no door."""

LIST = ["agent@example.org", "@team.example.org"]


@pytest.mark.parametrize(
    ("email", "verified", "may"),
    [
        ("agent@example.org", True, True),
        ("Agent@Example.org", True, True),
        ("anyone@team.example.org", True, True),
        ("other@example.org", True, False),
        ("a@evil-team.example.org", True, False),
        ("x@team.example.org.evil.example", True, False),
        # OpenID Connect Core 1.0, section 5.7: an address alone identifies nobody.
        ("agent@example.org", False, False),
        ("agent@example.org", None, False),
        ("agent@example.org", "true", False),
        ("", True, False),
        (None, True, False),
    ],
)
def test_only_vouched_addresses_of_the_list(email: Any, verified: Any, may: bool) -> None:
    """By address or by whole domain, capitals aside, and only where the provider vouches for it."""
    assert opening.may_see({"email": email, "email_verified": verified}, LIST) is may
    assert opening.may_see({"email": email, "email_verified": verified}, [opening.ANYBODY])


@given(some.text(max_size=30))
def test_no_other_text_gets_in(email: str) -> None:
    """Whatever is written as an address: in only if it is on the list, or ends in the domain of it."""
    folded = email.strip().casefold()
    on_it = folded == LIST[0] or folded.endswith(LIST[1])
    assert opening.may_see({"email": email, "email_verified": True}, LIST) is on_it


# --- The door ---------------------------------------------------------------------------------------


def _app(
    monkeypatch: pytest.MonkeyPatch, user: dict[str, Any], secrets: str = GOOD, *, required: bool = True
) -> AppTest:
    made = small_season()
    monkeypatch.setenv("SHOWHOUR_RESULTS", str(made.results))
    monkeypatch.setenv("SHOWHOUR_SEASON", str(made.folder))
    monkeypatch.delenv(sign_in.REQUIRED, raising=False)
    if required:
        monkeypatch.setenv(sign_in.REQUIRED, "required")
    app = AppTest.from_file(str(APP), default_timeout=60)
    app.secrets = tomllib.loads(secrets)
    app.user = user
    app.query_params["booking"] = HOT
    app.run()
    assert not app.exception
    return app


def _told(app: AppTest) -> str:
    """Everything that goes to the browser."""
    return "".join(str(e.proto) for block in (app.main, app.sidebar) for e in block if e.proto is not None)


def _shows_nothing(app: AppTest) -> None:
    """No word of the season, and no way on but the door's own."""
    told = _told(app)
    assert not [word for word in SEASON if word in told]
    assert not app.get("html") or all("<style" in str(e.proto) for e in app.get("html"))
    assert not app.get("download_button")


def test_not_signed_in_there_is_a_door_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    """Title, a sentence and one button."""
    for user in ({}, {"is_logged_in": False}, {"email": "agent@example.org", "email_verified": True}):
        app = _app(monkeypatch, user)
        assert [t.value for t in app.title] == ["Sign in"]
        assert [b.label for b in app.button] == ["Sign in"]
        _shows_nothing(app)


def test_signed_in_and_not_on_the_list(monkeypatch: pytest.MonkeyPatch) -> None:
    """Told so, with a way to sign out; nothing of the season."""
    other = {"is_logged_in": True, "email": "other@example.org", "email_verified": True}
    unvouched = {"is_logged_in": True, "email": "agent@example.org"}
    for user in (other, unvouched):
        app = _app(monkeypatch, user)
        assert [t.value for t in app.title] == ["Not on the list"]
        assert [b.label for b in app.button] == ["Sign out"]
        _shows_nothing(app)


def test_signed_in_and_on_the_list_sees_the_season(monkeypatch: pytest.MonkeyPatch) -> None:
    """The season's first page, with a way to sign out."""
    app = _app(monkeypatch, {"is_logged_in": True, "email": "agent@example.org", "email_verified": True})
    assert [t.value for t in app.title] == ["Which bookings"]
    assert "Sign out" in [b.label for b in app.button]
    assert all(word in _told(app) for word in SEASON)


WRITERS = GOOD.replace("[showhour]", '[showhour]\nmay_write = ["agent@example.org"]')
EVERYBODY = GOOD.replace("[showhour]", '[showhour]\nmay_write = ["*"]')


@pytest.mark.parametrize(
    ("email", "secrets", "required", "may"),
    [
        ("agent@example.org", WRITERS, True, True),
        ("anyone@team.example.org", WRITERS, True, False),
        ("agent@example.org", GOOD, True, False),
        ("agent@example.org", EVERYBODY, True, False),
        ("", GOOD, False, True),
    ],
)
def test_only_who_is_named_for_it_is_offered_to_write(
    monkeypatch: pytest.MonkeyPatch, email: str, secrets: str, required: bool, may: bool
) -> None:
    """Another slot is tried: on this machine, and to who is named, the button is there; to nobody else."""
    user = {"is_logged_in": True, "email": email, "email_verified": True}
    app = _app(monkeypatch, user, secrets, required=required)
    app.switch_page("views/venue.py").run()
    (slot,) = [s for s in app.select_slider if s.key.startswith("if_slot")]
    slot.set_value(next(o for o in slot.options if o != slot.value)).run()
    assert not app.exception
    assert ("edit_slot_show" in [b.key for b in app.button]) is may


def test_who_may_not_write_computes_no_season(monkeypatch: pytest.MonkeyPatch) -> None:
    """A season without results behind a sign-in: only who may write it is offered to fetch and compute."""
    user = {"is_logged_in": True, "email": "agent@example.org", "email_verified": True}
    monkeypatch.setattr(first_run, "needed", lambda: True)
    for secrets, told in ((GOOD, "Nothing to show yet"), (WRITERS, "No numbers yet")):
        app = _app(monkeypatch, user, secrets)
        assert [t.value for t in app.title] == [told]
        assert [b.label for b in app.button if b.label != "Sign out"] == (
            [] if secrets is GOOD else ["Fetch the hours and compute"]
        )


def test_required_without_a_list_or_without_a_provider_is_shut(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that lost a section while the dashboard runs shuts it, for whoever is signed in too."""
    user = {"is_logged_in": True, "email": "agent@example.org", "email_verified": True}
    for section in ("[auth]", "[showhour]"):
        app = _app(monkeypatch, user, GOOD.replace(section, "[other]"))
        assert [t.value for t in app.title] == ["Not open"]
        _shows_nothing(app)


@pytest.mark.parametrize(
    ("option", "value"),
    [("server.address", "0.0.0.0"), ("server.address", "192.168.1.20")],
)
def test_a_server_that_others_reach_is_shut_however_it_was_started(
    monkeypatch: pytest.MonkeyPatch, option: str, value: str
) -> None:
    """Streamlit started by hand at an outside address, without the command: the door all the same."""
    plain = st.get_option
    monkeypatch.setattr(st, "get_option", lambda name: value if name == option else plain(name))
    app = _app(monkeypatch, {}, "[other]\nkey = 1", required=False)
    assert [t.value for t in app.title] == ["Not open"]
    _shows_nothing(app)


def test_names_out_of_request_headers_are_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever can send a header could be anybody: shut where Streamlit would take them."""
    plain = st.get_option
    trusted = {"X-User": "email", "X-In": "is_logged_in"}
    monkeypatch.setattr(
        st, "get_option", lambda name: trusted if name == "server.trustedUserHeaders" else plain(name)
    )
    user = {"is_logged_in": True, "email": "agent@example.org", "email_verified": True}
    app = _app(monkeypatch, user)
    assert [t.value for t in app.title] == ["Not open"]
    _shows_nothing(app)


def test_on_this_machine_alone_there_is_no_door(monkeypatch: pytest.MonkeyPatch) -> None:
    """As it always was, whoever Streamlit takes the user for."""
    assert [t.value for t in _app(monkeypatch, {}, required=False).title] == ["Which bookings"]


# --- The whole way, with a provider on this machine -------------------------------------------------


@contextmanager
def _provider(people: list[dict[str, Any]]) -> Iterator[str]:
    """An OpenID provider that says of each who comes what the list says next (OpenID Connect Core 1.0)."""
    from joserfc import jwt
    from joserfc.jwk import RSAKey

    key = RSAKey.generate_key(2048, {"kid": "one", "use": "sig", "alg": "RS256"})
    nonces: dict[str, str] = {}

    class Answer(BaseHTTPRequestHandler):
        def _json(self, told: Any) -> None:
            body = json.dumps(told).encode()
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def do_GET(self) -> None:
            path, asked = urlsplit(self.path).path, dict(parse_qsl(urlsplit(self.path).query))
            if path == "/authorize":
                code = str(len(nonces))
                nonces[code] = asked["nonce"]
                self.send_response(302)
                back = urlencode({"code": code, "state": asked["state"]})
                self.send_header("Location", f"{asked['redirect_uri']}?{back}")
                self.end_headers()
            elif path == "/keys":
                self._json({"keys": [key.as_dict(private=False)]})
            else:
                self._json(
                    {
                        "issuer": where,
                        "authorization_endpoint": f"{where}/authorize",
                        "token_endpoint": f"{where}/token",
                        "jwks_uri": f"{where}/keys",
                        "response_types_supported": ["code"],
                        "subject_types_supported": ["public"],
                        "id_token_signing_alg_values_supported": ["RS256"],
                    }
                )

        def do_POST(self) -> None:
            asked = dict(parse_qsl(self.rfile.read(int(self.headers["Content-Length"])).decode()))
            now = int(time.time())
            claims = {
                "iss": where, "aud": "showhour", "sub": asked["code"], "iat": now, "exp": now + 600,
                "nonce": nonces[asked["code"]], **people[int(asked["code"])],
            }  # fmt: skip
            token = jwt.encode({"alg": "RS256", "kid": "one"}, claims, key)
            self._json({"access_token": "a", "token_type": "Bearer", "expires_in": 600, "id_token": token})

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    where = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield where
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _authlib_or_skip() -> None:
    if all(importlib.util.find_spec(name) for name in ("authlib", "httpx", "joserfc")):
        return
    if os.environ.get("CI") == "true":
        pytest.fail("Authlib is missing; install showhour[sign-in]")
    pytest.skip("Authlib is missing")


def test_the_whole_way_through_a_provider(tmp_path: Path) -> None:
    """The command, a browser and a provider: the door, then the season for one, and the list for another."""
    chromium_or_skip()
    _authlib_or_skip()
    made, cache, port = small_season(), tmp_path / "cache", free_port()
    path = results_path(made.folder, cache)
    path.parent.mkdir(parents=True)
    shutil.copyfile(made.results, path)
    people = [
        {"email": "agent@example.org", "email_verified": True},
        {"email": "stranger@example.com", "email_verified": True},
    ]
    at = f"http://localhost:{port}"
    code = "import sys; from pipeline.cli import main; sys.exit(main())"
    with _provider(people) as provider:
        file = _file(
            tmp_path,
            GOOD.replace("https://season.example.org", at).replace("https://id.example.org", provider),
        )
        command = [sys.executable, "-c", code, "dashboard", str(made.folder), "--port", str(port)]
        with subprocess.Popen(
            [*command, "--sign-in", str(file)],
            env=os.environ | {"SHOWHOUR_CACHE": str(cache)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        ) as started:
            try:
                with chromium():
                    for person in people:
                        _through_the_door(started, at, person["email"])
            finally:
                os.killpg(started.pid, signal.SIGTERM)


def _through_the_door(started: subprocess.Popen[bytes], at: str, email: str) -> None:
    await_answer(at, started)
    with opened(at, "phone") as (page, _):
        # A page asked for by its own address has the same door.
        page.goto(f"{at}/venue?booking={HOT}")
        page.wait_for_selector("h1:has-text('Sign in')", timeout=60_000)
        assert "Red Bench" not in page.content()
        assert barriers(page) == []
        page.get_by_role("button", name="Sign in").click()
        wanted = "Which bookings" if email == "agent@example.org" else "Not on the list"
        page.wait_for_selector(f"h1:has-text('{wanted}')", timeout=60_000)
        page.wait_for_selector("[data-test-script-state='notRunning']", timeout=60_000)
        still(page)
        assert ("Red Bench" in page.content()) == (wanted == "Which bookings")
