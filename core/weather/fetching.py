"""Asking a weather service over the network: time limits, one more try, and plain words for what went wrong."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import requests
from urllib3.exceptions import HTTPError, ReadTimeoutError

from core import __version__
from core.errors import WeatherError

CONNECT_SECONDS = 3.0
SILENT_SECONDS = 5.0
TOTAL_SECONDS = 8.0
"""Longest wait for one answer, whatever the other side does: connecting, silence, a dripping body."""
USER_AGENT = f"dryhold/{__version__} (open-source grain drying planner; see the project's DEVELOPERS.md)"
LARGEST_ANSWER = 20_000_000
"""Bytes after unpacking; a full 50-member ensemble is below 2 million."""
CHUNK = 65_536
LONGEST_PAUSE_MINUTES = 24 * 60


@dataclass(frozen=True)
class Answer:
    """What a service answered: code and reason, headers, and the text of the body, unpacked."""

    status_code: int
    reason: str
    headers: Mapping[str, str]
    text: str


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
    seconds: float = TOTAL_SECONDS,
) -> Answer:
    """Return the answer of a service, 200 or 304.

    Parameters
    ----------
    seconds : float
        How long the whole may take. The asking runs beside the caller, who waits no longer than this.

    Raises
    ------
    WeatherError
        Where the service cannot be reached, is too slow, sends too much, sends us elsewhere, refuses or is out of
        order. After "too many questions" the value `minutes` says how long to leave it alone.
    """
    late = threading.Event()
    found: list[Answer | WeatherError] = []
    question = (session, url, dict(parameters), dict(headers or {}), service, late)
    asking = threading.Thread(target=lambda: found.append(_asked(*question)), daemon=True, name="weather")
    asking.start()
    asking.join(max(seconds, 0.1))
    if not found:
        late.set()
        raise WeatherError("{service} did not answer in time", service=service)
    if isinstance(found[0], WeatherError):
        raise found[0]
    return _accepted(found[0], service)


def _asked(
    session: requests.Session,
    url: str,
    parameters: dict[str, Any],
    headers: dict[str, str],
    service: str,
    late: threading.Event,
) -> Answer | WeatherError:
    """Return the answer, its body read piece by piece up to a bound, or what went wrong."""
    try:
        with session.get(
            url,
            params=parameters,
            headers=headers,
            timeout=(CONNECT_SECONDS, SILENT_SECONDS),
            stream=True,
            allow_redirects=False,
        ) as answer:
            pieces: list[bytes] = []
            size = 0
            while not late.is_set():
                piece = answer.raw.read1(CHUNK, decode_content=True)
                if not piece:
                    text = b"".join(pieces).decode("utf-8", errors="replace")
                    return Answer(answer.status_code, str(answer.reason or ""), dict(answer.headers), text)
                size += len(piece)
                if size > LARGEST_ANSWER:
                    return WeatherError("the answer of {service} is too long to be a forecast", service=service)
                pieces.append(piece)
            return WeatherError("{service} did not answer in time", service=service)
    except (requests.Timeout, ReadTimeoutError):
        return WeatherError("{service} did not answer in time", service=service)
    except (requests.RequestException, HTTPError, OSError, ValueError):
        return WeatherError("{service} cannot be reached: no network?", service=service)


def _accepted(answer: Answer, service: str) -> Answer:
    """Return an answer that can be used."""
    if answer.status_code in (200, 203, 304):
        return answer
    if answer.status_code == 429:
        minutes = _pause_minutes(answer)
        if minutes is None:
            raise WeatherError("{service} has had too many questions from here; try again later", service=service)
        raise WeatherError(
            "{service} has had too many questions from here; try again in {minutes} minutes",
            service=service,
            minutes=minutes,
        )
    if 300 <= answer.status_code < 400:
        raise WeatherError(
            "{service} sends us to another address, which is not followed: this network may want a log-in first",
            service=service,
        )
    raise WeatherError(
        "{service} refused (code {code}): {reason}", service=service, code=answer.status_code, reason=_reason(answer)
    )


def _pause_minutes(answer: Answer) -> int | None:
    """Return the minutes that the service asks to be left alone (RFC 9110, section 10.2.3: seconds), at most a day."""
    wanted = {name.lower(): value for name, value in answer.headers.items()}.get("retry-after", "").strip()
    if not (wanted.isascii() and wanted.isdigit()) or len(wanted) > 9:
        return None
    return min(max(1, -(-int(wanted) // 60)), LONGEST_PAUSE_MINUTES)


def read_json(answer: Answer, service: str) -> Any:
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


def _reason(answer: Answer) -> str:
    try:
        content = json.loads(answer.text[:10_000])
        for name in ("reason", "message", "detail"):
            if isinstance(content, dict) and content.get(name):
                return str(content[name])[:200]
    except (ValueError, RecursionError):
        pass
    return answer.reason[:200] or "no reason given"
