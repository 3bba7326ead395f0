"""What the surroundings say of hosting for an organisation: how people sign in, at which address, who administers.

All of it comes from variables of the environment, so that no secret stands in a file.
"""

from __future__ import annotations

import os
from urllib.parse import urlsplit

from dashboard.sharing import answers_to

ADDRESS = "DRYHOLD_ADDRESS"
SETTINGS = {
    "server_metadata_url": "DRYHOLD_SIGN_IN_SERVICE",
    "client_id": "DRYHOLD_SIGN_IN_CLIENT",
    "client_secret": "DRYHOLD_SIGN_IN_SECRET",
    "cookie_secret": "DRYHOLD_COOKIE_SECRET",
    "redirect_uri": ADDRESS,
}
"""Streamlit's names of what signing in needs, and where the surroundings give it."""
ADMINISTRATOR = "DRYHOLD_ADMINISTRATOR"
TRUSTED = "DRYHOLD_SIGN_IN_UNCONFIRMED"
"""Set to 1 where the service says of no mail address that it is confirmed, and every one of its addresses is."""
LEAST_COOKIE_SECRET = 32


def set_up() -> bool:
    """Return whether the surroundings set up signing in, be it in part."""
    return any(os.environ.get(name) for name in SETTINGS.values())


def faults() -> list[str]:
    """Return what is missing or cannot be right of what signing in needs, in words for who keeps the server."""
    found = [f"{name} is not set." for name in (*SETTINGS.values(), ADMINISTRATOR) if not os.environ.get(name)]
    address = urlsplit(os.environ.get(ADDRESS, ""))
    if os.environ.get(ADDRESS) and not (address.scheme in ("https", "http") and address.hostname):
        found.append(f"{ADDRESS} is the address that people open, such as https://grain.example.org")
    secret = os.environ.get(SETTINGS["cookie_secret"], "")
    if secret and len(secret) < LEAST_COOKIE_SECRET:
        found.append(f"{SETTINGS['cookie_secret']} must have at least {LEAST_COOKIE_SECRET} characters.")
    return found


def secrets() -> dict[str, dict[str, str]]:
    """Return what Streamlit is told of signing in."""
    values = {theirs: os.environ.get(name, "") for theirs, name in SETTINGS.items()}
    values["redirect_uri"] = values["redirect_uri"].rstrip("/") + "/oauth2callback"
    return {"auth": values}


def options() -> list[str]:
    """Return the options of a hosted server: it answers to its own address only."""
    return [*answers_to([urlsplit(os.environ[ADDRESS]).hostname or ""]), "--server.headless=true"]


def administrators() -> list[str]:
    """Return the mail addresses of those who administer, whatever the records say."""
    return [mail.strip().casefold() for mail in os.environ.get(ADMINISTRATOR, "").split(",") if mail.strip()]
