"""Fill an empty database with the invented example, its calendar moved so that harvest was about two weeks ago."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from core.group.records import Group, Lot, Member, PriceQuote, Reading, Sale
from core.group.store import Store
from core.weather.normals import Normals
from core.weather.place import Place
from core.weather.usual import bundled_normals, bundled_years, to_payload
from demo_data.books import add_pool_book
from demo_data.buyers import add_buyer_book
from demo_data.meter_book import add_meter_book

FOLDER = Path(__file__).parent
TIME_ZONE = "Africa/Blantyre"
CURRENCY = "MWK"
SOURCE = "invented example"
UTC_OFFSET_HOURS = 2
HARVEST_MONTH = 5  # of the files' own calendar: day 0 lies in May, at the end of the rains


def _table(name: str) -> pd.DataFrame:
    return pd.read_csv(FOLDER / f"{name}.csv")


def _or_none(value: Any) -> Any:
    return None if pd.isna(value) else value


def _month_back(today: date, months: int) -> date:
    if months == 0:
        return today - timedelta(days=2)  # the latest quote is two days old
    first = today.year * 12 + today.month - 1 + months
    return date(first // 12, first % 12 + 1, 15)


def fill_with_demo(store: Store, now: datetime) -> None:
    """Write the example's groups, members, lots, readings, sales, prices and settings.

    Parameters
    ----------
    store : Store
        An empty database.
    now : datetime
        Aware; day 0 of the example's calendar.
    """
    today = now.astimezone(UTC).date()
    lots, readings, sales, prices = (_table(name) for name in ("lots", "readings", "sales", "prices"))
    names = _table("members").set_index("member")["name"]
    readings["tester"] = readings["tester"].map(names)  # people are recorded by name
    for group in _table("groups").itertuples():
        group_id = store.add_group(
            Group(
                name=group.name,
                district="Nowhere Valley (invented)",
                latitude=float(group.latitude),
                longitude=float(group.longitude),
                altitude_m=float(group.altitude_m),
                time_zone=TIME_ZONE,
                currency=CURRENCY,
                demo=True,
            )
        )
        _add_weather(store, group, now)
        members = _add_members(store, group_id, group.group, today)
        own = lots[lots["group"] == group.group]
        numbers = {row.lot: store.add_lot(_lot(row, group_id, members, today)) for row in own.itertuples()}
        store.add_readings(
            [_reading(row, numbers[row.lot], today) for row in readings[readings["lot"].isin(numbers)].itertuples()]
        )
        for row in sales[sales["lot"].isin(numbers)].itertuples():
            store.add_sale(_sale(row, numbers[row.lot], today, prices))
        add_pool_book(store, group_id, store.lots(group_id), now)
        add_buyer_book(store, group_id, now)
        store.add_price_quotes(
            [
                PriceQuote(
                    group_id=group_id,
                    quoted_on=_month_back(today, int(row.month)),
                    market=row.market,
                    commodity=row.commodity,
                    price_per_kg=float(row.price_per_kg),
                    price_type="wholesale",
                    source=SOURCE,
                )
                for row in prices.itertuples()
            ]
        )
        add_meter_book(store, group_id, now)


def _add_weather(store: Store, group: Any, now: datetime) -> None:
    """Keep the valley's normals and years with their calendar moved too, so that rains end at harvest."""
    place = Place(float(group.latitude), float(group.longitude), float(group.altitude_m), TIME_ZONE, invented=True)
    shift = now.month - HARVEST_MONTH
    table = bundled_normals().table
    moved = table.loc[[(month - 1 - shift) % 12 + 1 for month in range(1, 13)]].set_axis(range(1, 13))
    normals = Normals(moved, source="invented example, its calendar moved to begin at harvest", status="bundled")
    store.documents.write("normals", place.key, to_payload(normals, now), now)
    years = bundled_years()
    start = years.index[0] + pd.DateOffset(months=shift)
    columns = {name: [round(float(value), 2) for value in years[name]] for name in years}
    payload = {"start": start.date().isoformat(), "days": len(years), "columns": columns, "status": "bundled"}
    store.documents.write("climate_years", place.key, payload, now)


def _add_members(store: Store, group_id: int, key: str, today: date) -> dict[str, int]:
    table = _table("members")
    return {
        row.member: store.add_member(
            Member(
                group_id=group_id,
                name=row.name,
                sex=row.sex,
                birth_year=int(row.birth_year),
                consent=bool(row.consent),
                joined_on=date(today.year - 2, 1, 15),
            )
        )
        for row in table[table["group"] == key].itertuples(name="Row", index=False)
    }


def _lot(row: Any, group_id: int, members: dict[str, int], today: date) -> Lot:
    weighed = _or_none(row.bag_mass_kg)
    harvested = today + timedelta(days=int(row.harvested_day))
    stored = _or_none(row.stored_day)
    return Lot(
        group_id=group_id,
        label=row.label,
        commodity=row.commodity,
        form=row.form,
        bags=int(row.bags),
        bag_mass_kg=None if weighed is None else float(weighed),
        nominal_bag_kg=float(row.nominal_bag_kg),
        weighed_moisture_pct=float(row.weighed_moisture_pct),
        weighed_on=harvested + timedelta(days=1),
        owner_id=members[row.owner],
        place=row.place,
        harvested_on=harvested,
        use=row.use,
        status=row.status,
        storage_method=_or_none(row.storage_method),
        stored_on=None if stored is None else min(today, today + timedelta(days=int(stored))),
        demo=True,
    )


def _reading(row: Any, lot_id: int, today: date) -> Reading:
    local = datetime.combine(today + timedelta(days=int(row.day)), time(int(row.hour)), UTC)
    settled = _or_none(row.settled)
    numbers = {
        name: None if pd.isna(getattr(row, name)) else float(getattr(row, name))
        for name in ("temperature_c", "relative_humidity_pct", "meter_moisture_pct")
    }
    return Reading(
        lot_id=lot_id,
        taken_at=local - timedelta(hours=UTC_OFFSET_HOURS),
        bag=str(row.bag),
        tester=str(row.tester),
        settled=None if settled is None else settled == "yes",
        **numbers,
    )


def _sale(row: Any, lot_id: int, today: date, prices: pd.DataFrame) -> Sale:
    sold = today + timedelta(days=int(row.sold_day))
    back = (sold.year - today.year) * 12 + sold.month - today.month
    quotes = prices[(prices["commodity"] == row.commodity) & (prices["market"] == "Nowhere market")]
    nearest = quotes.iloc[(quotes["month"] - back).abs().argmin()]
    return Sale(
        lot_id=lot_id,
        sold_on=sold,
        bags=int(row.bags),
        mass_kg=float(row.mass_kg),
        moisture_pct=float(row.moisture_pct),
        price_per_kg=round(float(nearest["price_per_kg"]) * 0.93, 0),
        buyer=row.buyer,
        paid_on=sold + timedelta(days=3),
        note=SOURCE,
    )
