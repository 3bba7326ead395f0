"""Ways of drying: what a setup is, and the table of its parameters with their sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from core.errors import InputError, NotFoundError
from core.given import check_number
from core.reference_tables import reference_table


@dataclass(frozen=True)
class DryingSetup:
    """How and where a lot is dried.

    Parameters
    ----------
    method : str
        A row of setups.toml, such as "tarpaulin" or "mechanical".
    area_m2 : float
        Area covered by the lot, m² (crib: face that the wind meets).
    load_kg_m2 : float, optional
        Wet grain per m² when spread; None takes the method's own.
    spread_hour, cover_hour : float, optional
        Local clock hours between which the grain lies open; None takes the method's own.
    turn_interval_h : float, optional
        Hours between turnings; None takes the method's own, infinity means never turned.
    altitude_m : float
        Height above the sea, m.
    time_zone : str, optional
        Zone of the local hours, such as "Africa/Lusaka"; None takes the zone of the weather's index.
    cover_in_rain : bool
        True where people stand by and cover as soon as it rains.
    grain_temperature_limit_c : float, optional
        Cover while the grain is hotter (seed, paddy for milling, beans).
    rate_factor : float
        What this place's own rate is against the table, 1 = as the table.
    already_dried_from_pct : float, optional
        Moisture, % wet basis, with which drying began before this run; the rate goes on from there.
    """

    method: str
    area_m2: float = 10.0
    load_kg_m2: float | None = None
    spread_hour: float | None = None
    cover_hour: float | None = None
    turn_interval_h: float | None = None
    altitude_m: float = 0.0
    time_zone: str | None = None
    cover_in_rain: bool = False
    grain_temperature_limit_c: float | None = None
    rate_factor: float = 1.0
    already_dried_from_pct: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        drying_method(self.method)
        check_number("area_m2", self.area_m2)
        for name in ("load_kg_m2", "spread_hour", "cover_hour", "turn_interval_h"):
            if getattr(self, name) is not None:
                check_number(name, getattr(self, name))
        for name in ("grain_temperature_limit_c", "already_dried_from_pct"):
            if getattr(self, name) is not None:
                check_number(name, getattr(self, name), finite=True)
        if self.time_zone is not None:
            try:
                ZoneInfo(self.time_zone)
            except (TypeError, ValueError, ZoneInfoNotFoundError, OSError, AttributeError) as error:
                raise InputError("there is no time zone named {name}", name=str(self.time_zone)[:40]) from error
        for name, value, low, high in (
            ("area", self.area_m2, 1e-3, 1e6),
            ("load per m²", self.load, 0.1, 2000.0),
            ("hour to spread", self.hours_open[0], 0.0, 24.0),
            ("hour to cover", self.hours_open[1], 0.0, 24.0),
            ("altitude", self.altitude_m, -450.0, 6000.0),
            ("rate factor", self.rate_factor, 0.01, 100.0),
        ):
            if not low <= value <= high or np.isnan(value):
                raise InputError(
                    "{name} {value} is outside {low} to {high}", name=name, value=value, low=low, high=high
                )
        if not self.turning > 0:
            raise InputError("hours between turnings {value} must be above 0", value=self.turning)

    @property
    def table(self) -> Mapping[str, Any]:
        """The method's row of the parameter table."""
        return drying_method(self.method)

    @property
    def load(self) -> float:
        """Wet grain per m² when spread, kg/m²."""
        return float(self.table["load_kg_m2"] if self.load_kg_m2 is None else self.load_kg_m2)

    @property
    def hours_open(self) -> tuple[float, float]:
        """Local hours of spreading and of covering."""
        spread = self.table["spread_hour"] if self.spread_hour is None else self.spread_hour
        cover = self.table["cover_hour"] if self.cover_hour is None else self.cover_hour
        return float(spread), float(cover)

    @property
    def turning(self) -> float:
        """Hours between turnings."""
        return float(self.table["turn_interval_h"] if self.turn_interval_h is None else self.turn_interval_h)

    @property
    def capacity_kg(self) -> float:
        """Wet grain that the area takes at this load, kg."""
        return self.area_m2 * self.load


def drying_method_table() -> Mapping[str, Mapping[str, Any]]:
    """Return the parameters of every drying method, with their sources."""
    return reference_table("drying", "setups.toml")


def drying_methods() -> tuple[str, ...]:
    """Return the names of all drying methods, in the order of the table."""
    return tuple(drying_method_table())


def drying_method(method: str) -> Mapping[str, Any]:
    """Return the parameters of one drying method.

    Raises
    ------
    NotFoundError
        When there is no such method.
    """
    table = drying_method_table()
    if not isinstance(method, str) or method not in table:
        raise NotFoundError("no drying method named {method}; known: {known}", method=method, known=", ".join(table))
    return table[method]
