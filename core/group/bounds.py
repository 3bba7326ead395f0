"""What a record may hold: beyond these bounds a value is a slip or a broken file. One list for forms and for files.

The bounds are wide: they refuse what cannot be, not what is unusual (that is flagged, see `core.group.reading_flags`).
Basis: physics where a share or a temperature is meant, else judgement.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from core.errors import InputError
from core.given import check_kind
from core.group.records import FORMS, SEXES, STATUSES, USES, Lot, Member, PriceQuote, Reading, Sale
from core.messages import Figure, Message, message

FIRST_DAY, LAST_DAY = date(1950, 1, 1), date(2100, 12, 31)
FIRST_BIRTH, LAST_BIRTH = 1880, 2100
MOST_BAGS = 1_000_000
MOST_BAG_KG = 2000.0
MOST_KG = 1e9
MOST_PRICE = 1e8
"""Money for a kilogram, in any currency."""
COLDEST_C, HOTTEST_C = -40.0, 100.0
"""Of grain: above, it would be roasted."""
MOST_HUMIDITY = 105.0
"""A worn sensor shows a little more than 100 % in saturated air."""
ROOM_FOR_SCALES = 1.5
"""How many times its known mass may be sold of a lot: bags are rarely weighed one by one."""


def check_member(member: Member) -> None:
    """Refuse a member without a name, of another sex than the known ones, or born in a year that cannot be."""
    check_kind("member", member, Member)
    if not member.name.strip():
        raise InputError("a member needs a name")
    if member.sex not in SEXES:
        raise InputError("'{sex}' is not one of female, male or left out", sex=member.sex)
    _within(message("year of birth"), member.birth_year, FIRST_BIRTH, LAST_BIRTH)
    check_days(member)


def check_lot(lot: Lot) -> None:
    """Refuse a lot without a label, in a state that is not known, or with bags, masses or shares that cannot be."""
    check_kind("lot", lot, Lot)
    if not lot.label.strip():
        raise InputError("a lot needs a label, such as the name on its heap")
    for name, value, allowed in (("form", lot.form, FORMS), ("use", lot.use, USES), ("status", lot.status, STATUSES)):
        if value not in allowed:
            raise InputError(
                "the {name} '{value}' is not one of {allowed}", name=name, value=value, allowed=", ".join(allowed)
            )
    if lot.bags < 0:
        raise InputError("{bags} bags cannot be", bags=lot.bags)
    _within(message("number of bags"), lot.bags, 0, MOST_BAGS)
    for mass in (lot.bag_mass_kg, lot.nominal_bag_kg):
        if mass is not None and not 0 < mass <= MOST_BAG_KG:
            raise InputError("a bag of {mass} kg cannot be; a bag weighs between 0 and 2000 kg", mass=mass)
    if lot.weighed_moisture_pct is not None and not 0 <= lot.weighed_moisture_pct < 100:
        raise InputError("moisture {value} % is outside 0-100", value=lot.weighed_moisture_pct)
    shares = [share for _member, share in lot.shares]
    if shares and not abs(sum(shares) - 1) <= 1e-6:
        raise InputError("the shares of a pooled lot add up to {total}, not to 1", total=sum(shares))
    if any(not 0 <= share <= 1 for share in shares):
        raise InputError("a share of a pooled lot lies outside 0-1")
    check_days(lot)


def check_reading(reading: Reading) -> None:
    """Refuse a temperature, humidity or moisture that no grain and no meter can show."""
    check_kind("reading", reading, Reading)
    _within(message("temperature, °C"), reading.temperature_c, COLDEST_C, HOTTEST_C)
    _within(message("humidity, %"), reading.relative_humidity_pct, 0, MOST_HUMIDITY)
    _within(message("moisture, %"), reading.meter_moisture_pct, 0, 100)
    check_days(reading)


def check_sale(sale: Sale) -> None:
    """Refuse a sale below zero or beyond all that a group can sell."""
    check_kind("sale", sale, Sale)
    if sale.mass_kg < 0 or sale.price_per_kg < 0 or sale.bags < 0:
        raise InputError("bags, mass and price of a sale cannot be below zero")
    _within(message("number of bags"), sale.bags, 0, MOST_BAGS)
    _within(message("mass, kg"), sale.mass_kg, 0, MOST_KG)
    _within(message("price of 1 kg"), sale.price_per_kg, 0, MOST_PRICE)
    _within(message("moisture, %"), sale.moisture_pct, 0, 100)
    check_days(sale)


def check_sold(lot: Lot, sales: Iterable[tuple[int, float]], work: Iterable[Mapping[str, Any]] = ()) -> None:
    """Refuse sales that are together larger than the lot.

    Parameters
    ----------
    work : iterable of mapping
        Particulars of the work done on the lot: before shelling or bagging anew it may have had more bags.

    Raises
    ------
    InputError
        More bags than the lot ever had, or far more mass.
    """
    sold = list(sales)
    earlier = [dict(item) for item in work]
    bags = max([lot.bags, *(int(item.get("bags_in") or 0) for item in earlier)])
    if bags and sum(number for number, _mass in sold) > bags:
        raise InputError(
            "of lot {lot} {sold} bags are sold, but it has only {bags}",
            lot=lot.label,
            sold=sum(number for number, _mass in sold),
            bags=bags,
        )
    each = lot.known_bag_kg
    known = [float(item.get("mass_in_kg") or 0) for item in earlier] + ([lot.bags * each] if each else [])
    mass = sum(kg for _number, kg in sold)
    if known and max(known) > 0 and mass > ROOM_FOR_SCALES * max(known):
        raise InputError(
            "of lot {lot} {sold} kg are sold, but it weighs only {kg} kg",
            lot=lot.label,
            sold=Figure(mass, ".0f"),
            kg=Figure(max(known), ".0f"),
        )


def check_quote(quote: PriceQuote) -> None:
    """Refuse a price that is not above zero or that no grain costs."""
    check_kind("quote", quote, PriceQuote)
    if not quote.price_per_kg > 0:
        raise InputError("a price must be above zero")
    _within(message("price of 1 kg"), quote.price_per_kg, 0, MOST_PRICE)
    check_days(quote)


def check_days(record: Any) -> None:
    """Refuse a record with a day outside 1950 to 2100."""
    for field in fields(record):
        value = getattr(record, field.name)
        if isinstance(value, date):
            day = value.date() if isinstance(value, datetime) else value
            if not FIRST_DAY <= day <= LAST_DAY:
                raise InputError("the day {day} cannot be right", day=day)


def check_values(value: Any, depth: int = 0) -> None:
    """Refuse particulars with an infinite or missing number, one of too many digits, or that nest too deeply."""
    if depth > 40:
        raise InputError("an entry is nested too deeply")
    if is_dataclass(value) and not isinstance(value, type):
        value = vars(value)
    if isinstance(value, Mapping):
        for item in value.values():
            check_values(item, depth + 1)
    elif isinstance(value, list | tuple):
        for item in value:
            check_values(item, depth + 1)
    elif isinstance(value, float) and not math.isfinite(value):
        raise InputError("'{value}' is no number", value=value)
    elif isinstance(value, int) and abs(value) >= 2**63:
        raise InputError("a number has too many digits")


def check_lengths(table: sa.Table, record: Any) -> None:
    """Refuse text longer than its column, or with a character that no database keeps."""
    for name, value in vars(record).items():
        if not isinstance(value, str) or name not in table.c:
            continue
        most = getattr(table.c[name].type, "length", None)
        if "\x00" in value or (most is not None and len(value) > most):
            raise InputError("'{text}' is too long or no text", text=value.replace("\x00", "")[:40])


def _within(what: Message, value: float | None, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise InputError(
            "{what}: {value} cannot be right; it must be between {low} and {high}",
            what=what,
            value=Figure(value, ".6g") if abs(value) < 1e300 else "…",
            low=Figure(low, "g"),
            high=Figure(high, "g"),
        )
