"""What the situation rests on: weather with its origin, prices with the rule on waiting, and what nobody entered."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from core.advice.parts import EXAMPLE, FORECAST, OLD_FORECAST, USUAL, Assumed, AtRisk, LotNow, PriceNow, WeatherNow
from core.grain.commodities import crop_words
from core.grain.mass import tenth_below
from core.group.facts import shown_scale, shown_unit
from core.group.lot_state import NOT_TESTED
from core.group.sampling import DRY, WET, bags_to_probe
from core.group.selling import OLD_QUOTE_DAYS, crop_verdict, group_prices
from core.messages import Figure, Message, message, plural
from core.planning.case_from_records import surroundings_of

PLAN_FACTS = ("plan.", "truck.")
NOT_ASSUMPTIONS = (
    "plan.scenarios",
    "plan.weeks",
    "plan.keep_below_gain",
    "plan.certainty",
    "plan.risk_weight",
    "plan.market",
)


def weather_now(store: Any, group_id: int, now: datetime) -> WeatherNow:
    """Return the weather of a group with its origin; no network is asked."""
    data = surroundings_of(store, store.group(group_id), now)
    forecast, normals = data.forecast, data.normals
    if forecast.is_forecast:
        issued = forecast.issued_at
        hours = forecast.age_hours(now)
        fresh = float(store.fact(group_id, "forecast_fresh_hours").value)
        origin = FORECAST if forecast.status == "fresh" or hours <= max(fresh, 24.0) else OLD_FORECAST
        return WeatherNow(
            origin, forecast, normals, issued, message("forecast of {day}", day=forecast.fetched_at.date())
        )
    if normals.status == "bundled":
        return WeatherNow(
            EXAMPLE, forecast, normals, None, message("weather of an invented example, not of this place")
        )
    said = message("no forecast: the usual weather of the month ({source})", source=message(normals.source))
    return WeatherNow(USUAL, forecast, normals, None, said)


def prices_now(store: Any, group_id: int, crops: Iterable[str], today: date) -> tuple[PriceNow, ...]:
    """Return each crop's price today and what its past says of waiting, in the order of crops."""
    found = []
    for crop in crops:
        known = group_prices(store, group_id, crop)
        if known is None:
            if crop == "maize":  # the one crop whose price has a default
                found.append(PriceNow(crop, float(store.fact(group_id, "maize_price_kg").value), None, True, None))
            continue
        judged = crop_verdict(store, group_id, crop, known)
        waiting = None if judged is None else judged.advice
        found.append(PriceNow(crop, known.price_now, known.on, False, waiting))
    return tuple(found)


def lots_at_risk(lots: Sequence[LotNow]) -> tuple[AtRisk, ...]:
    """Return the lots that are not safely dry, the furthest above their limit first, with what to do."""
    found = []
    for lot in sorted(lots, key=lambda one: one.state.urgency):
        if lot.verdict == DRY:
            continue
        found.append(
            AtRisk(lot.label, lot.owner, lot.bags, lot.verdict, lot.moisture_pct, lot.limit_pct, _what_to_do(lot))
        )
    return tuple(found)


def _what_to_do(lot: LotNow) -> Message:
    """Return what a lot that is not safely dry needs."""
    if lot.verdict == NOT_TESTED:
        return plural("count", "test {count} bag", "test {count} bags", count=bags_to_probe(max(1, lot.bags)))
    if lot.verdict == WET:
        return message("dry it to {limit} % or less, then test it again", limit=tenth_below(lot.limit_pct))
    more = lot.state.more_bags
    if more:
        return plural("count", "test {count} more bag", "test {count} more bags", count=more)
    return message("dry it one more day, or keep apart the bags that are too wet, then test again")


def assumed_now(
    store: Any, group_id: int, weather: WeatherNow, prices: Sequence[PriceNow], today: date, spaces_listed: bool
) -> tuple[Assumed, ...]:
    """Return what was not entered, the important things first."""
    found, currency = [], store.group(group_id).currency
    if not weather.is_forecast:
        found.append(Assumed("weather", weather.said, important=True))
    elif weather.issued_at is not None and (today - weather.issued_at.date()).days > 1:
        found.append(
            Assumed("weather", message("old forecast, of {day}", day=weather.issued_at.date()), important=True)
        )
    for price in prices:
        crop = message(crop_words(price.crop))
        if price.assumed:
            said = message("the price of {crop} is assumed: nobody has entered one", crop=crop)
            found.append(Assumed("price", said, important=True))
        elif price.on is not None and (today - price.on).days > OLD_QUOTE_DAYS:
            said = message("the last price of {crop} is of {day}", crop=crop, day=price.on)
            found.append(Assumed("price", said, important=True))
    if not spaces_listed:
        found.append(Assumed("space", message("the drying spaces are assumed: nobody has listed them"), important=True))
    for key, fact in store.facts(group_id).items():
        if key.startswith(PLAN_FACTS) and fact.origin == "assumed" and key not in NOT_ASSUMPTIONS:
            said = message(
                "{what}: {value} {unit}",
                what=Message(fact.label or key),
                value=Figure(fact.value * shown_scale(fact), ".10g")
                if isinstance(fact.value, int | float)
                else fact.value,
                unit=shown_unit(fact, currency),
            )
            found.append(Assumed("money" if "cost" in key or "fee" in key else "store", said, fact.source))
    return tuple(found)
