"""Make events of the book "pool" without a database."""

from __future__ import annotations

from datetime import UTC, date, datetime

from core.group.records import Event

DAY = date(2026, 5, 1)
AT = datetime(2026, 5, 1, 8, tzinfo=UTC)


def event(number: int, kind: str, payload: dict, on: date = DAY, reverses: int | None = None) -> Event:
    return Event(
        id=number,
        group_id=1,
        book="pool",
        kind=kind,
        on=on,
        who="Adiru",
        payload=payload,
        recorded_at=AT,
        reverses=reverses,
    )


def delivery(
    number: int, member: int, gross: str, moisture: str, grade: str = "1", pool: str = "maize", on: date = DAY
) -> Event:
    payload = {
        "member_id": member,
        "pool": pool,
        "commodity": "maize",
        "gross_kg": gross,
        "tare_kg": "0",
        "bags": 1,
        "moisture_pct": moisture,
        "grade": grade,
    }
    return event(number, "delivery", payload, on)


def sale(
    number: int, loaded: str, moisture: str, price: str, pool: str = "maize", on: date = DAY, **more: str
) -> Event:
    payload = {
        "pool": pool,
        "buyer": "Ridge Millers",
        "loaded_kg": loaded,
        "loaded_moisture_pct": moisture,
        "price_per_kg": price,
    }
    return event(number, "sale", payload | more, on)
