"""Words and numbers in the reader's language: gettext for sentences, Babel for numbers, dates and money."""

from __future__ import annotations

import gettext as gettext_module
import io
import re
from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from math import floor, log10
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import streamlit as st
from babel import Locale
from babel.dates import format_time
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_currency, format_decimal

from core.errors import DryholdError
from core.messages import Message
from core.reports.tongue import Tongue

LOCALE_FOLDER = Path(__file__).with_name("locale")


def languages() -> dict[str, str]:
    """Return the languages that there is a catalogue for: code to the language's own name."""
    found = {"en": "English"}
    for catalogue in sorted(LOCALE_FOLDER.glob("*/dryhold.po")):
        code = catalogue.parent.name
        found[code] = (Locale.parse(code).get_display_name(code) or code).capitalize()
    return found


@lru_cache(maxsize=8)
def _catalogue(language: str) -> gettext_module.NullTranslations:
    path = LOCALE_FOLDER / language / "dryhold.po"
    if not path.exists():
        return gettext_module.NullTranslations()
    compiled = io.BytesIO()
    with path.open("rb") as handle:
        write_mo(compiled, read_po(handle, locale=language))
    compiled.seek(0)
    return gettext_module.GNUTranslations(compiled)


def language() -> str:
    """Return the reader's language code."""
    return str(st.session_state.get("language", "en"))


def best_language(wanted: str | None) -> str:
    """Return the language that there is a catalogue for and that a browser's locale such as "fr-BF" asks for."""
    code = (wanted or "").replace("_", "-").split("-")[0].lower()
    return code if code in languages() else "en"


def _(text: str) -> str:
    """Return the text in the reader's language."""
    return tongue().look_up(text)


def tongue() -> Tongue:
    """Return the reader's language for a report."""
    return Tongue(language(), _catalogue(language()))


def ngettext(singular: str, plural: str, count: int) -> str:
    """Return the form that goes with a count, in the reader's language."""
    return _catalogue(language()).ngettext(singular, plural, count)


def say(message: Message | DryholdError | str, markdown: bool = False) -> str:
    """Return a sentence of core in the reader's language, its values filled in.

    With `markdown`, words that somebody wrote are made harmless for a place that reads Markdown.
    """
    if isinstance(message, DryholdError):
        message = message.message
    return (replace(tongue(), own_words=literal) if markdown else tongue()).say(message)


def literal(text: object) -> str:
    """Return what somebody wrote with the signs that Markdown would act on made harmless."""
    return re.sub(r"([\\`*_{}\[\]<>#+!|~$:^])", r"\\\1", str(text))


def number(value: float, digits: int = 1) -> str:
    """Return a number with a fixed count of digits after the point, grouped the reader's way."""
    if value is None or value != value:
        return "–"
    if value in (float("inf"), float("-inf")):
        return "∞"
    pattern = "#,##0" + ("." + "0" * digits if digits else "")
    return format_decimal(value, format=pattern, locale=language())


def money(value: float | Decimal, currency: str) -> str:
    """Return an amount with its currency, rounded to whole units above a hundred."""
    if value is None or value != value:
        return "–"
    whole = abs(value) >= 100
    pattern = "¤¤ #,##0" if whole else "¤¤ #,##0.00"
    return format_currency(value, currency, format=pattern, locale=language(), currency_digits=False)


def about(value: float, currency: str) -> str:
    """Return money to three figures: possible seasons do not carry more."""
    size = floor(log10(abs(value))) if value else 0
    return money(round(value, 2 - size), currency)


def percent(value: float, digits: int = 0) -> str:
    """Return a fraction as a percentage."""
    if value is None or value != value:
        return "–"
    return tongue().percent(value, digits)


def signed_percent(value: float, digits: int = 1) -> str:
    """Return a change (a fraction) as a percentage with its sign."""
    return ("+" if value >= 0 else "−") + percent(abs(float(value)), digits)


def day(value: date) -> str:
    """Return a date, medium length."""
    return tongue().day(value)


def weekday(value: date) -> str:
    """Return a date of this season with its day of the week."""
    return tongue().weekday(value)


def moment(value: datetime, time_zone: str) -> str:
    """Return a moment in the group's own time zone."""
    local = value.astimezone(ZoneInfo(time_zone))
    return f"{day(local.date())}, {format_time(local, 'HH:mm', locale=tongue().region)}"


def month_names() -> dict[int, str]:
    """Return the twelve months' short names."""
    names: dict[Any, Any] = dict(Locale.parse(language()).months["format"]["abbreviated"])
    return {int(index): str(name) for index, name in names.items()}
