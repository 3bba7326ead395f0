"""Where weather is wanted: a point with its altitude and its time zone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from core.errors import InputError, WeatherError


def place_key(latitude: float, longitude: float) -> str:
    """Return the name under which the weather of a point in decimal degrees is kept, rounded to about a kilometre."""
    return f"{latitude:.2f},{longitude:.2f}"


@dataclass(frozen=True)
class Place:
    """A point on the ground.

    Parameters
    ----------
    latitude, longitude : float
        Decimal degrees (WGS 84), north and east positive.
    altitude_m : float
        Height above sea level, m.
    time_zone : str
        Name in the IANA time zone database, such as ``"Africa/Blantyre"``.
    invented : bool
        Whether it is the example's: only there may invented weather that is kept for a place be read.

    Raises
    ------
    InputError
        Where a value is off the globe or the zone is not known.
    """

    latitude: float
    longitude: float
    altitude_m: float = 0.0
    time_zone: str = "UTC"
    invented: bool = False

    def __post_init__(self) -> None:
        if not -90.0 <= self.latitude <= 90.0:
            raise InputError("latitude {value} is outside -90 to 90 degrees", value=self.latitude)
        if not -180.0 <= self.longitude <= 180.0:
            raise InputError("longitude {value} is outside -180 to 180 degrees", value=self.longitude)
        if not -500.0 <= self.altitude_m <= 6000.0:
            raise InputError("altitude {value} m is outside -500 to 6000 m", value=self.altitude_m)
        try:
            ZoneInfo(self.time_zone)
        except (ValueError, OSError, KeyError) as error:
            raise InputError(
                "time zone {value} is not known; an example is Africa/Blantyre", value=self.time_zone
            ) from error

    @property
    def zone(self) -> ZoneInfo:
        """The time zone as the standard library knows it."""
        return ZoneInfo(self.time_zone)

    @property
    def key(self) -> str:
        """The name under which weather for this place is kept."""
        return place_key(self.latitude, self.longitude)

    def check_answer(self, latitude: Any, longitude: Any, farthest_degrees: float, service: str) -> None:
        """Refuse a service's answer that is for another place, or does not say for which.

        Raises
        ------
        WeatherError
            Where a coordinate is no number, or lies farther away than that.
        """
        if not all(isinstance(value, int | float) and not isinstance(value, bool) for value in (latitude, longitude)):
            raise WeatherError("the answer of {service} does not say for which place it is", service=service)
        away = abs((float(longitude) - self.longitude + 180) % 360 - 180)
        if not (abs(float(latitude) - self.latitude) <= farthest_degrees and away <= farthest_degrees):
            raise WeatherError("the answer of {service} is for another place", service=service)
