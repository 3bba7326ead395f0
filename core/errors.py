"""The project's own errors, by kind of fault, all under one base class.

Each carries a template and its values, so that a page can show it in the reader's language.
"""

from __future__ import annotations

from typing import Any

from core.messages import Message


class DryholdError(Exception):
    """Base of all errors that a person can be told about.

    Parameters
    ----------
    template : str or Message
        English text with named places (what was given, what is allowed, what to do), or a sentence with its values.
    """

    def __init__(self, template: str | Message, **values: Any) -> None:
        self.message = Message(template, values) if isinstance(template, str) else template
        super().__init__(str(self.message))


class InputError(DryholdError, ValueError):
    """A value that cannot be right: impossible, of the wrong kind, or missing."""


class OutOfRangeError(InputError):
    """A value outside the range in which a published relation holds."""


class NotFoundError(DryholdError, KeyError):
    """A name, code or record that does not exist."""

    def __str__(self) -> str:
        """Return the sentence (KeyError would quote it)."""
        return str(self.message)


class ImportRefusedError(DryholdError):
    """A file that cannot be taken in as a whole."""


class WeatherError(DryholdError):
    """A weather answer that is missing, broken or does not fit."""


class NoPlaceError(WeatherError):
    """A group that has not said where it is: no weather is read for it, least of all another place's."""

    def __init__(self) -> None:
        super().__init__("Nobody has said where this group is, so nothing is known of its weather")


class PriceDataError(DryholdError):
    """Prices that are too few, too gappy or not comparable."""


class BalanceError(DryholdError):
    """Mass or money that does not add up: a fault of the program or of its records."""


class PlanError(DryholdError):
    """A plan that cannot be made, with the need that cannot be met."""


class StoreError(DryholdError):
    """The database cannot be opened, read or written; `fault` names the fault, "" where it is an unknown one."""

    fault: str = ""


class LedgerError(DryholdError):
    """An entry that the books refuse: unbalanced, already reversed, or deleting."""


class AccessError(DryholdError):
    """Something that a person's role does not allow: nothing was read or written."""


class AlreadySavedError(DryholdError):
    """A form that was taken before: nothing was written a second time."""

    def __init__(self) -> None:
        super().__init__("This was saved already. Nothing was written a second time.")


class StaleError(DryholdError):
    """An edit of what somebody else changed meanwhile: nothing was overwritten.

    Parameters
    ----------
    mine, theirs : any
        What the edit would have written, and what is stored now.
    """

    def __init__(self, mine: Any, theirs: Any) -> None:
        super().__init__("Somebody changed this since you opened it. Nothing was overwritten.")
        self.mine, self.theirs = mine, theirs
