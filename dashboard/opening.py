"""Who may open the dashboard: this machine alone, or whoever signs in.

Without Streamlit, so that the command can refuse before anything is served.
"""

from __future__ import annotations

import importlib.util
import ipaddress
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pipeline.errors import InputError

__all__ = ["ANYBODY", "checked_address", "is_loopback", "may_see", "read_sign_in"]

ANYBODY = "*"
"""In the list of who may see the season: whoever the provider signs in."""

_NEEDED = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
_LEAST_SECRET = 32


def is_loopback(address: str) -> bool:
    """Whether only programs of this machine reach an address."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def checked_address(address: str, sign_in: Path | None) -> str:
    """An address to serve at, when it may be served at.

    Raises
    ------
    InputError
        When it is no address of a network card, or would open the season to others without a sign-in.
    """
    if address != "localhost":
        try:
            ipaddress.ip_address(address)
        except ValueError as error:
            raise InputError(
                f"--address {address!r} is no IP address: that of a network card of this machine is wanted, "
                "or 0.0.0.0 for all of them. The name that others type belongs into redirect_uri of the "
                "sign-in file."
            ) from error
    if sign_in is None and not is_loopback(address):
        raise InputError(
            f"--address {address} would open this season to everybody on that network: its fees, your limits "
            "and the buttons that write to the season folder. Name a sign-in file with --sign-in FILE.toml "
            "(docs/sharing.md shows one), or leave --address out and send pages instead: "
            "`showhour export FOLDER --html`."
        )
    return address


def _allowed(told: Mapping[str, Any], path: Path) -> list[str]:
    section = told.get("showhour")
    held = section.get("allowed") if isinstance(section, dict) else None
    if not isinstance(held, list) or not held or not all(isinstance(v, str) and v.strip() for v in held):
        raise InputError(
            f'{path} does not say who may see the season: allowed = ["name@example.org"] is wanted under '
            f'[showhour], each an e-mail address, or "@example.org" for all of a domain, or "{ANYBODY}" for '
            "whoever the provider signs in, which with a public provider is everybody."
        )
    return [v.strip() for v in held]


def _check_may_write(told: Mapping[str, Any], path: Path) -> None:
    held = told["showhour"].get("may_write", [])
    if not isinstance(held, list) or not all(isinstance(v, str) and "@" in v for v in held):
        raise InputError(
            f"{path}: may_write under [showhour] names who may change the season folder from the dashboard: "
            '["name@example.org"] is wanted, or "@example.org" for all of a domain. Leave it out, and nobody '
            "who signs in can."
        )


def read_sign_in(path: Path) -> str:
    """Check a sign-in file; the address that people open, out of its redirect_uri.

    Parameters
    ----------
    path
        A TOML file with Streamlit's ``[auth]`` section and ``[showhour] allowed``.

    Raises
    ------
    InputError
        When it cannot be read, lacks a setting or holds one that is not safe, or Authlib is not installed.
    """
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from error
    except ValueError as error:
        raise InputError(f"{path} is not TOML: {error}.") from error
    auth = told.get("auth")
    if not isinstance(auth, dict):
        raise InputError(f"{path} has no [auth] section, so nobody could sign in; docs/sharing.md shows one.")
    missing = [k for k in _NEEDED if not isinstance(auth.get(k), str) or not auth[k].strip()]
    if missing:
        raise InputError(
            f"{path}: {', '.join(missing)} wanted under [auth]; docs/sharing.md shows what they are."
        )
    if len(auth["cookie_secret"]) < _LEAST_SECRET:
        raise InputError(
            f"{path}: cookie_secret is too short to keep anybody out; {_LEAST_SECRET} random characters are "
            'wanted, such as `python3 -c "import secrets; print(secrets.token_hex(32))"` prints.'
        )
    uri = urlsplit(auth["redirect_uri"])
    if uri.path.rpartition("/")[2] != "oauth2callback" or not uri.hostname:
        raise InputError(
            f"{path}: redirect_uri {auth['redirect_uri']!r} is not where the provider can send people back: "
            "https://NAME/oauth2callback is wanted, with the name that they open."
        )
    if uri.scheme != "https" and not (uri.scheme == "http" and is_loopback(uri.hostname)):
        raise InputError(
            f"{path}: redirect_uri {auth['redirect_uri']!r} would send sign-ins unencrypted; https:// is "
            "wanted, with a web server in front that holds the certificate. Plain http is for this machine "
            "alone."
        )
    provider = urlsplit(auth["server_metadata_url"])
    if not provider.hostname or not (
        provider.scheme == "https" or (provider.scheme == "http" and is_loopback(provider.hostname))
    ):
        # What comes from there says whose word is taken for who somebody is.
        raise InputError(
            f"{path}: server_metadata_url {auth['server_metadata_url']!r} is not where a provider can be "
            "trusted: https://NAME/.well-known/openid-configuration is wanted, as your provider tells it."
        )
    _allowed(told, path)
    _check_may_write(told, path)
    lacking = [name for name in ("authlib", "httpx") if importlib.util.find_spec(name) is None]
    if lacking:
        raise InputError(
            f"Sign-in needs {' and '.join(lacking)}, which this Python does not have. Install it with "
            '`pip install "showhour[sign-in]"`.'
        )
    return f"{uri.scheme}://{uri.netloc}{uri.path.removesuffix('oauth2callback').rstrip('/')}"


def may_see(user: Mapping[str, Any], allowed: list[str]) -> bool:
    """Whether somebody who is signed in is on the list.

    An address counts only where the provider vouches for it (``email_verified`` of OpenID Connect Core 1.0,
    section 5.1): elsewhere whoever opens an account may write any address into it.
    """
    if ANYBODY in allowed:
        return True
    address = user.get("email")
    if not isinstance(address, str) or user.get("email_verified") is not True:
        return False
    folded = address.strip().casefold()
    domain = f"@{folded.rpartition('@')[2]}"
    return any(entry.casefold() in (folded, domain) for entry in allowed)
