"""What is wrong or doubtful with a test, each with its reason in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from core.grain.commodities import Commodity, get_commodity
from core.group.reading_moisture import MeterSettings, moisture_of_readings
from core.messages import Figure, Message, message

SETTLED_RATE_PER_MINUTE = 0.3
SERIES_MINUTES = 40.0
SUN_WARM_C = 38.0
SUN_WARM_ABOVE_OTHERS_C = 6.0
CONDENSATION_HUMIDITY_PCT = 97.0
OUTLIER_DISTANCE = 3.5
OUTLIER_POINTS = 1.5
PLAUSIBLE_MOISTURE = (4.0, 40.0)
NOT_SETTLED, RANGE, DISAGREES, SUN, CONDENSED, OUTLIER = (
    "not settled",
    "out of range",
    "disagreement",
    "warm from the sun",
    "condensation",
    "outlier",
)


@dataclass(frozen=True, kw_only=True)
class Flag:
    """A doubt about one test; ``left_out`` says that it does not count in the lot's mean."""

    reading_id: int
    bag: str
    key: str
    reason: Message
    left_out: bool = False


def flag_readings(
    commodity: str | Commodity, readings: pd.DataFrame, meter: MeterSettings | None = None
) -> tuple[Flag, ...]:
    """Return the doubts about the tests of one lot.

    Parameters
    ----------
    readings : DataFrame
        Tests of one lot and one round, with the columns of `Store.readings`.

    Notes
    -----
    A test counts as settled when humidity changes by less than 0.3 % per minute; where only one test was made the
    tester's word counts (common practice: about five minutes in the bag). Grain above 38 °C, or 6 °C above the lot's
    other bags, comes from the sun: its surface is drier than its core for 6 to 8 hours. Outliers by the distance from
    the median in median absolute deviations (Iglewicz and Hoaglin 1993, above 3.5); a wet bag is real news, so that
    an outlier is named but not left out.
    """
    if readings.empty:
        return ()
    crop = get_commodity(commodity)
    rows = readings.reset_index(drop=True)
    said = moisture_of_readings(crop, rows, meter)
    flags: list[Flag] = []

    def add(position: int, key: str, reason: Message, left_out: bool = False) -> None:
        flags.append(
            Flag(
                reading_id=int(rows["id"].iloc[position]) if "id" in rows else position,
                bag=str(rows["bag"].iloc[position]),
                key=key,
                reason=reason,
                left_out=left_out,
            )
        )

    for position, (reason, left_out) in _unsettled(rows).items():
        add(position, NOT_SETTLED, reason, left_out)
    humidity = rows["relative_humidity_pct"].to_numpy(dtype=float)
    temperature = rows["temperature_c"].to_numpy(dtype=float)
    median_temperature = np.nanmedian(temperature) if np.isfinite(temperature).any() else np.nan
    for position in range(len(rows)):
        shown = float(rows["meter_moisture_pct"].iloc[position])
        for key, reason in _told_by_values(said.iloc[position], float(humidity[position]), shown, message(crop.name)):
            add(position, key, reason, left_out=key == CONDENSED)
        warm = temperature[position]
        if np.isfinite(warm) and (warm >= SUN_WARM_C or warm > median_temperature + SUN_WARM_ABOVE_OTHERS_C):
            words = (
                "at {temperature} °C the grain is still warm from the sun: its surface is drier than "
                "its core; test again after a night in the bag"
            )
            add(position, SUN, Message(words, {"temperature": Figure(warm, ".0f")}))
    for position, distance in _outliers(rows, said["moisture_pct"]).items():
        words = (
            "bag {bag} differs from the lot's other bags by {distance} points: test it again, and keep "
            "it apart if it is so"
        )
        add(
            position, OUTLIER, Message(words, {"bag": rows["bag"].iloc[position], "distance": Figure(distance, "+.1f")})
        )
    return tuple(flags)


def _told_by_values(said: pd.Series, humidity: float, shown: float, crop: Message) -> Iterator[tuple[str, Message]]:
    """Yield what one test's own values make doubtful: the humidity [%], what the meter showed [%], and both."""
    if humidity >= CONDENSATION_HUMIDITY_PCT:
        words = (
            "{humidity} % humidity: water has condensed on the probe, or the grain is very wet; "
            "let the probe warm up and test again"
        )
        yield CONDENSED, Message(words, {"humidity": Figure(humidity, ".0f")})
    elif said["outside_range"]:
        words = "{temperature} °C and {humidity} % lie outside the range in which the sorption relation of {crop} holds"
        air = {
            "temperature": Figure(said["grain_temperature_c"], ".0f"),
            "humidity": Figure(said["humidity_pct"], ".0f"),
        }
        yield RANGE, Message(words, {**air, "crop": crop})
    low, high = PLAUSIBLE_MOISTURE
    if np.isfinite(shown) and not low <= shown <= high:
        words = "the meter shows {shown} %, outside what meters can tell ({low} to {high} %)"
        yield RANGE, Message(words, {"shown": Figure(shown, ".1f"), "low": low, "high": high})
    if said["disagrees"]:
        words = (
            "the meter shows {shown} %, its temperature and humidity say {found} %: further apart than their "
            "errors allow. The wetter counts until the meter is checked. Is it set to {crop}?"
        )
        yield (
            DISAGREES,
            Message(
                words, {"shown": Figure(shown, ".1f"), "found": Figure(said["air_moisture_pct"], ".1f"), "crop": crop}
            ),
        )


def _unsettled(rows: pd.DataFrame) -> dict[int, tuple[Message, bool]]:
    """Return the tests that had not settled: by the series of a bag where there is one, else by the tester's word."""
    found: dict[int, tuple[Message, bool]] = {}
    said_unsettled = rows["settled"].map(lambda value: value is False or (value == 0 and value is not None)).to_numpy()
    word = Message("the tester noted that the reading was not steady; leave the probe in for about five minutes")
    for _, of_bag in rows.groupby("bag", sort=False):
        in_time = of_bag.sort_values("taken_at", kind="stable")
        minutes = in_time["taken_at"].diff().dt.total_seconds().to_numpy(dtype=float) / 60
        positions = in_time.index.to_numpy()
        values = in_time["relative_humidity_pct"].to_numpy(dtype=float)
        named = str(in_time["bag"].iloc[0]) != ""
        for order, position in enumerate(positions):
            follows = named and 0 < minutes[order] <= SERIES_MINUTES
            leads = named and order + 1 < len(positions) and 0 < minutes[order + 1] <= SERIES_MINUTES
            if leads and np.isfinite(values[order]) and np.isfinite(values[order + 1]):
                # What came afterwards tells best whether this test had settled.
                if abs(values[order + 1] - values[order]) / minutes[order + 1] > SETTLED_RATE_PER_MINUTE:
                    reason = Message("humidity still changed afterwards; the later test of this bag counts")
                    found[int(position)] = (reason, True)
                continue
            if follows and np.isfinite(values[order]) and np.isfinite(values[order - 1]):
                rate = abs(values[order] - values[order - 1]) / minutes[order]
                if rate > SETTLED_RATE_PER_MINUTE:
                    words = "humidity still changed by {rate} % per minute; leave the probe in longer and test again"
                    found[int(position)] = (Message(words, {"rate": Figure(rate, ".1f")}), False)
                continue
            if said_unsettled[position]:
                found[int(position)] = (word, False)
    return found


def _outliers(rows: pd.DataFrame, moisture: pd.Series) -> dict[int, float]:
    """Return the tests of bags far from the others, with the distance in points from the median."""
    by_bag = moisture.groupby(rows["bag"].where(rows["bag"] != "", rows.index.astype(str))).transform("mean")
    known = by_bag.dropna()
    if known.size < 5:
        return {}
    distance = known - known.median()
    spread = float(np.median(np.abs(distance)))
    limit = max(OUTLIER_POINTS, OUTLIER_DISTANCE * spread / 0.6745)
    far = distance[distance.abs() > limit]
    return dict(zip((int(position) for position in far.index.to_numpy()), far.astype(float), strict=True))
