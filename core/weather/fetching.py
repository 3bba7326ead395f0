"""Asking a weather service over the network: time limits, one more try, and plain words for what went wrong."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import requests

from core import __version__
from core.errors import WeatherError

CONNECT_SECONDS = 3.0
READ_SECONDS = 10.0
USER_AGENT = f"dryhold/{__version__} (open-source grain drying planner; see the project's DEVELOPERS.md)"
LARGEST_ANSWER = 20_000_000  # characters; a full 50-member ensemble is below 2 million


def make_session() -> requests.Session:
    """Return a session that tries once more after a passing fault and says who is asking.

    Notes
    -----
    429 (too many questions) is not tried again: the service says so for a minute at least, and the person is waiting.
    """
    from requests.adapters import HTTPAdapter
    from urllib3.util.retry import Retry

    session = requests.Session()
    again = Retry(
        total=1,
        backoff_factor=0.3,
        status_forcelist=(500, 502, 503, 504),
        allowed_methods=("GET",),
        raise_on_status=False,
        respect_retry_after_header=False,
    )
    for scheme in ("https://", "http://"):
        session.mount(scheme, HTTPAdapter(max_retries=again))
    session.headers["User-Agent"] = USER_AGENT
    return session


def ask(
    session: requests.Session,
    url: str,
    parameters: Mapping[str, Any],
    service: str,
    headers: Mapping[str, str] | None = None,
    read_seconds: float = READ_SECONDS,
) -> requests.Response:
    """Return the answer of a service, 200 or 304.

    Parameters
    ----------
    session : requests.Session
        From `make_session`.
    url, parameters, headers
        What to ask.
    service : str
        The service's name for messages.
    read_seconds : float
        How long the service may be silent.

    Raises
    ------
    WeatherError
        Where the service cannot be reached, is too slow, refuses or is out of order.
    """
    try:
        answer = session.get(
            url, params=dict(parameters), headers=dict(headers or {}), timeout=(CONNECT_SECONDS, read_seconds)
        )
    except requests.Timeout as error:
        raise WeatherError("{service} did not answer in time", service=service) from error
    except requests.RequestException as error:
        raise WeatherError("{service} cannot be reached: no network?", service=service) from error
    if answer.status_code in (200, 203, 304):
        return answer
    if answer.status_code == 429:
        raise WeatherError("{service} has had too many questions from here; try again later", service=service)
    reason = _reason(answer)
    raise WeatherError(
        "{service} refused (code {code}): {reason}", service=service, code=answer.status_code, reason=reason
    )


def read_json(answer: requests.Response, service: str) -> Any:
    """Return the answer's JSON content, with not-a-number values as None.

    Raises
    ------
    WeatherError
        Where it is a web page (a log-in page of the network, as a rule), not JSON, or says itself that it failed.
    """
    return parse_json(answer.text, service)


def parse_json(text: str, service: str) -> Any:
    """Return JSON text as data; see `read_json`."""
    if text.lstrip()[:1] == "<":
        raise WeatherError(
            "instead of {service} a web page answered: this network may want a log-in first", service=service
        )
    if len(text) > LARGEST_ANSWER:
        raise WeatherError("the answer of {service} is too long to be a forecast", service=service)
    try:
        content = json.loads(text, parse_constant=lambda _name: None)
    except (ValueError, RecursionError) as error:
        raise WeatherError(
            "the answer of {service} cannot be read; the place may be outside its area", service=service
        ) from error
    if isinstance(content, dict) and content.get("error"):
        raise WeatherError(
            "{service} says: {reason}", service=service, reason=str(content.get("reason", "error"))[:200]
        )
    return content


def _reason(answer: requests.Response) -> str:
    try:
        content = answer.json()
        for name in ("reason", "message", "detail"):
            if isinstance(content, dict) and content.get(name):
                return str(content[name])[:200]
    except ValueError:
        pass
    return str(answer.reason or "no reason given")
