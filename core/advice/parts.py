"""The parts of a group's situation: lots, weather, prices, loads to dry, and what was not entered."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from core.group.lot_state import LotState
from core.market.waiting import WaitingAdvice
from core.messages import Message

FORECAST, OLD_FORECAST, USUAL, EXAMPLE = "forecast", "old forecast", "usual", "example"


@dataclass(frozen=True)
class LotNow:
    """A lot today.

    Parameters
    ----------
    label, owner, crop : str
        What it is called, whose it is (empty: the group's), crop code.
    verdict : str
        "dry enough", "too wet", "cannot tell" or "not tested".
    moisture_pct : float or None
        Mean moisture, % wet basis; None where it was never tested.
    """

    id: int
    label: str
    owner: str
    crop: str
    bags: int
    mass_kg: float
    verdict: str
    moisture_pct: float | None
    limit_pct: float
    state: LotState

    @property
    def moisture(self) -> Any:
        """Return the moisture with how sure it is, None where it was never tested."""
        return self.state.moisture

    @property
    def limit(self) -> Any:
        """Return the limits that apply, the strictest named."""
        return self.state.limit


@dataclass(frozen=True)
class WeatherNow:
    """The weather that the answers rest on.

    Parameters
    ----------
    origin : str
        "forecast", "old forecast", "usual" (the usual weather of the month) or "example" (an invented valley's).
    forecast, normals : objects
        Hours ahead, and the usual weather of each month.
    issued_at : datetime or None
        When a forecast was issued, None where there is none.
    """

    origin: str
    forecast: Any
    normals: Any
    issued_at: datetime | None
    said: Message

    @property
    def is_forecast(self) -> bool:
        """Return whether days ahead may be spoken of: with the usual weather only, no day is known."""
        return self.origin in (FORECAST, OLD_FORECAST)


@dataclass(frozen=True)
class PriceNow:
    """A crop's price today.

    Parameters
    ----------
    per_kg : float
        Money per kg at the reference market.
    on : date or None
        Day of the quote; None where the price is assumed.
    assumed : bool
        Whether nobody has entered a price of this crop.
    waiting : WaitingAdvice or None
        Whether past prices support waiting; None where there are too few to say.
    """

    crop: str
    per_kg: float
    on: date | None
    assumed: bool
    waiting: WaitingAdvice | None


@dataclass(frozen=True)
class Assumed:
    """Something that nobody entered and that an answer rests on.

    Parameters
    ----------
    subject : str
        "weather", "price", "space", "store", "truck", "meter", "lot" or "money".
    important : bool
        Whether it belongs at the top of every page that rests on it.
    """

    subject: str
    said: Message
    source: str = ""
    important: bool = False


@dataclass(frozen=True)
class AtRisk:
    """A lot that is not safely dry: its verdict, what threatens it and what to do, the most urgent first."""

    lot: str
    owner: str
    bags: int
    verdict: str
    moisture_pct: float | None
    limit_pct: float
    do: Message
