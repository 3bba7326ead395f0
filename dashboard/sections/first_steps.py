"""The first minutes: a group's first entry in at most fifteen fields, and what to enter next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st
from babel import Locale
from babel.numbers import get_territory_currencies

from core.drying.setups import drying_method, drying_method_table
from core.errors import WeatherError
from core.grain.commodities import commodity_codes
from core.group.bounds import MOST_BAGS
from core.group.records import Group
from core.group.towns import ATTRIBUTION, get_town, towns
from core.planning.beginning import FirstEntry, begin, usual_bag
from core.storage.methods import method_codes
from core.weather.reference import reference_altitude_m
from dashboard import page, state
from dashboard.advice_parts import next_words
from dashboard.forms.confirm import confirm_once
from dashboard.forms.fields import Field, draw_fields
from dashboard.names import crop_name, method_name
from dashboard.text import _, language, ngettext, number

FORM = "first_entry"
ELSEWHERE = "-"


def show() -> None:
    page.start(_("How do you get a first plan in ten minutes?"))
    group = state.current_group()
    if group is not None and not group.demo:
        what_next(group)
        with page.details(_("Add another group")):
            _form()
    else:
        page.answer(_("Fill in these fields. What you leave empty is assumed, and every page says what is assumed."))
        _form()
    page.sources(ATTRIBUTION, _("Usual bag: by country, from memory (core/planning/beginning.toml)."))


def _form() -> None:
    confirm_once(FORM, draw_fields(FORM, fields()), sentence, write, button=_("Make the first plan"))


def fields() -> tuple[Any, ...]:
    """Return the fields of the first entry; later ones take their first value from earlier ones."""
    countries = Locale.parse(language()).territories
    named = {code: str(countries.get(code, code)) for code in towns()}
    crops = {code: crop_name(code) for code in commodity_codes()}
    dryers = {code: _(str(row["label"])) for code, row in drying_method_table().items()}
    keepers = {code: method_name(code) for code in method_codes()}
    return (
        Field("name", _("Name of the group")),
        Field("country", _("Country"), "choice", options=dict(sorted(named.items(), key=_by_words))),
        _town,
        lambda values: _degrees(values, "latitude", _("Latitude (south negative)"), 60),
        lambda values: _degrees(values, "longitude", _("Longitude (west negative)"), 180),
        _height,
        Field("crop", _("Crop"), "choice", options=crops, value="maize"),
        Field("bags", _("Bags of it"), "whole", low=1, high=MOST_BAGS),
        _bag,
        Field(
            "moisture",
            _("Moisture by the meter (empty: not tested yet)"),
            "number",
            unit="%",
            low=4,
            high=45,
            required=False,
        ),
        Field("dryer", _("Drying space"), "choice", options=dryers, value="tarpaulin"),
        _area,
        Field("keeper", _("Bags or store for keeping"), "choice", options=keepers, value="woven_bag"),
        lambda values: _money(values, "price", _("Price per kg at your market today (empty: not known)"), 0.0001, 1e7),
        lambda values: _money(values, "need", _("Money needed this season (empty: none)"), 0, 1e11),
        lambda values: Field("need_on", _("Needed by"), "day") if values.get("need") else None,
    )


def _by_words(item: tuple[str, str]) -> str:
    return item[1]


def currency_of(country: str | None) -> str:
    """Return a country's currency code."""
    found = get_territory_currencies(country) if country else []
    return str(found[0]) if found else "USD"


def _town(values: Mapping[str, Any]) -> Field:
    known = {name: name for name in towns().get(values.get("country") or "", {})}
    options = {**known, ELSEWHERE: _("not in the list: by coordinates")}
    return Field("town", _("Nearest town"), "choice", options=options, follows=("country",))


def _degrees(values: Mapping[str, Any], name: str, label: str, limit: float) -> Field | None:
    if values.get("town") != ELSEWHERE:
        return None
    return Field(name, label, "number", unit="°", low=-limit, high=limit)


def _bag(values: Mapping[str, Any]) -> Field:
    usual, _source = usual_bag(values.get("country") or "")
    follows = ("country",)
    return Field("bag_kg", _("One full bag weighs"), "number", unit="kg", low=5, high=200, value=usual, follows=follows)


def _area(values: Mapping[str, Any]) -> Field:
    usual = float(drying_method(values.get("dryer") or "tarpaulin")["area_m2"])
    return Field("area", _("Its area"), "number", unit="m²", low=1, high=100_000, value=usual, follows=("dryer",))


def _money(values: Mapping[str, Any], name: str, label: str, low: float, high: float) -> Field:
    unit = currency_of(values.get("country"))
    return Field(name, label, "number", unit=unit, low=low, high=high, required=False)


def _height(values: Mapping[str, Any]) -> Field:
    guess = None
    place = _where(values)
    if place is not None:
        try:
            guess = round(reference_altitude_m(*place), -1)
        except WeatherError:
            guess = None
    return Field(
        "altitude",
        _("Height above sea (first value: a guess from towns of the region)"),
        "number",
        unit="m",
        low=-400,
        high=5000,
        value=guess,
        follows=("country", "town"),
    )


def _where(values: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return latitude and longitude, where they are known."""
    if values.get("country") and values.get("town") not in (None, ELSEWHERE):
        town = get_town(values["country"], values["town"])
        return town.latitude, town.longitude
    if values.get("latitude") is not None and values.get("longitude") is not None:
        return float(values["latitude"]), float(values["longitude"])
    return None


def _named(values: Mapping[str, Any]) -> str:
    town = values.get("town")
    return "" if town in (None, ELSEWHERE) else str(town)


def sentence(values: Mapping[str, Any]) -> str:
    """Return what will be saved, in a sentence."""
    bags = ngettext("{count} bag", "{count} bags", values["bags"]).format(count=values["bags"])
    return _("The group {name} begins with {bags} of {crop}, {kg} kg each.").format(
        name=values["name"], bags=bags, crop=crop_name(values["crop"]), kg=number(values["bag_kg"], 0)
    )


def write(values: Mapping[str, Any], token: str) -> str:
    """Save the first entry, and make the new group the one that the pages show."""
    country = values["country"]
    known = list(towns()[country].values())
    place = _where(values) or (0.0, 0.0)
    near = min(known, key=lambda town: (town.latitude - place[0]) ** 2 + (town.longitude - place[1]) ** 2)
    group = Group(
        name=" ".join(str(values["name"]).split()),
        district=_named(values),
        latitude=place[0],
        longitude=place[1],
        altitude_m=values["altitude"],
        time_zone=near.time_zone,
        currency=currency_of(country),
        language=language(),
    )
    entry = FirstEntry(
        group=group,
        commodity=values["crop"],
        bags=int(values["bags"]),
        bag_kg=float(values["bag_kg"]),
        moisture_pct=values.get("moisture"),
        drying_method=values["dryer"],
        area_m2=float(values["area"]),
        storage_method=values["keeper"],
        store_units=int(values["bags"]),
        market=_named(values),
        price_per_kg=values.get("price"),
        need=float(values.get("need") or 0),
        need_on=values.get("need_on"),
        lot=f"{crop_name(values['crop'])} 1",
        need_label=_("cash need"),
    )
    state.choose_group(begin(state.store(), entry, state.today(), state.now(), state.who(), token))
    return _("Saved. Open 'Sale plan' to see the first plan.")


def what_next(group: Group) -> None:
    """List what to enter next, that which changes a plan most first (order: our judgement)."""
    store = state.store()
    lots = store.lots(group.id, open_only=True)
    tested = set(store.readings(group.id)["lot_id"]) if lots else set()
    steps = []
    untested = sum(lot.id not in tested for lot in lots)
    if untested:
        words = ngettext(
            "Test {count} lot: the plan leaves it out until then.",
            "Test {count} lots: the plan leaves them out until then.",
            untested,
        )
        steps.append(("lots", "lots_entry", words.format(count=untested)))
    if not len(store.price_quotes(group.id)):
        steps.append(("prices", "price_import", _("Enter a price of your market: the plan now assumes one.")))
    if any(lot.bag_mass_kg is None for lot in lots):
        steps.append(("lots", "lots_entry", _("Weigh some bags of each lot.")))
    steps.append(("our_things", "weather", _("Ask for a forecast, or enter the usual weather of your place.")))
    if not store.members(group.id):
        steps.append(("our_things", "members", _("Enter the members, so that each sees the own lots and money.")))
    st.subheader(next_words(group), anchor=False)
    for name, section, words in steps:
        page.link(name, words, section)
    page.link("plan", _("See the plan of today"))
