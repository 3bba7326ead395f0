"""The reader's language of a report: sentences through a catalogue, numbers, dates and money through Babel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from gettext import NullTranslations
from typing import Any

from babel.dates import format_date
from babel.lists import format_list
from babel.numbers import format_currency, format_decimal, get_currency_precision, get_decimal_symbol, get_group_symbol

from core.messages import Figure, Message, Money


def _exact(value: Decimal, currency: str) -> str:
    given = -int(value.normalize().as_tuple().exponent)
    digits = max(get_currency_precision(currency), given) if given > 0 else 0
    return "#,##0" + ("." + "0" * digits if digits else "")


@dataclass(frozen=True)
class Tongue:
    """A language: its code, its catalogue (left out: English as written), and what is done with others' own words."""

    language: str = "en"
    catalogue: NullTranslations = field(default_factory=NullTranslations)
    own_words: Callable[[str], str] = str

    @property
    def region(self) -> str:
        """The locale by which days are written: English as most of its readers here write it, the day first."""
        return "en_GB" if self.language == "en" else self.language

    def look_up(self, text: str) -> str:
        """Return a text in the reader's language (nothing stays nothing: a catalogue has its own head there)."""
        return self.catalogue.gettext(text) if text else text

    def say(self, text: Message | str, **values: Any) -> str:
        """Return a sentence in the reader's language, its own and the given values filled in."""
        if isinstance(text, str):
            text = Message(text)
        values = {**text.values, **values}
        filled = {name: self._filled(value) for name, value in values.items()}
        if text.one:
            words = self.catalogue.ngettext(text.one, text.template, values[text.by])
        else:
            words = self.look_up(text.template)
        return words.format(**filled) if filled else words

    def _filled(self, value: Any) -> Any:
        if isinstance(value, Message):
            return self.say(value)
        if isinstance(value, str):
            return self.own_words(value)
        if isinstance(value, tuple):
            return ", ".join(map(str, map(self._filled, value)))
        if isinstance(value, Money):
            return self.money(value.value, value.currency)
        if isinstance(value, Figure):
            return self.figure(value.value, value.digits)
        if isinstance(value, float | Decimal):
            return _Number(value, self)
        return self.day(value) if isinstance(value, date) else value

    @property
    def signs(self) -> tuple[str, str]:
        """What stands before decimals and between thousands."""
        return get_decimal_symbol(self.language), get_group_symbol(self.language)

    def figure(self, value: float | Decimal, digits: str) -> str:
        """Return a number in a format as of `format`, such as ``".1f"``, with the reader's signs."""
        return format(value, digits).translate(dict(zip((ord("."), ord(",")), self.signs, strict=True)))

    def number(self, value: float | Decimal, digits: int = 0) -> str:
        """Return a number with a fixed count of digits after the point."""
        pattern = "#,##0" + ("." + "0" * digits if digits else "")
        return format_decimal(value, format=pattern, locale=self.language)

    def money(self, value: float | Decimal, currency: str) -> str:
        """Return an amount with its currency, rounded to whole units above a hundred."""
        pattern = "¤¤ #,##0" if abs(float(value)) >= 100 else "¤¤ #,##0.00"
        return format_currency(value, currency, format=pattern, locale=self.language, currency_digits=False)

    def coins(self, value: Decimal, currency: str) -> str:
        """Return exact money with its currency: whole amounts without decimals, others with all that they have."""
        pattern = "¤¤ " + _exact(value, currency)
        return format_currency(value, currency, format=pattern, locale=self.language, currency_digits=False)

    def amount(self, value: Decimal, currency: str) -> str:
        """Return exact money as `coins` writes it, for a column or sentence that names the currency elsewhere."""
        return format_decimal(value, format=_exact(value, currency), locale=self.language)

    def plain(self, value: float | Decimal) -> str:
        """Return a number with the digits that it has, at most three after the point."""
        return format_decimal(value, format="#,##0.###", locale=self.language)

    def percent(self, value: float, digits: int = 0) -> str:
        """Return a fraction as a percentage, the sign apart as in every sentence of ours."""
        return self.number(100 * value, digits) + "\u00a0%"

    def listed(self, parts: Sequence[str]) -> str:
        """Return parts as a list in the language's way ("a, b and c")."""
        return format_list(list(parts), locale=self.language)

    def day(self, value: date) -> str:
        """Return a date with its year."""
        return format_date(value, format="medium", locale=self.region)

    def weekday(self, value: date) -> str:
        """Return a date of this season with its day of the week."""
        return format_date(value, format="EEE d MMM", locale=self.region)

    def month(self, value: date) -> str:
        """Return the short name of a month."""
        return format_date(value, format="LLL", locale=self.language)


@dataclass(frozen=True)
class _Number:
    """A number that a template writes in its own format, with the reader's signs."""

    value: float | Decimal
    tongue: Tongue

    def __format__(self, digits: str) -> str:
        return self.tongue.figure(self.value, digits)

    def __str__(self) -> str:
        return format(self)


ENGLISH = Tongue()
