"""The form of a lot: added, or corrected from what was seen when it was opened."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from core.errors import InputError
from core.group.bounds import MOST_BAG_KG
from core.group.own_crops import crops_of_group
from core.group.records import FORMS, STATUSES, USES, Lot, Member
from core.storage.methods import method_codes
from dashboard import state
from dashboard.forms.edits import choose_row, opened, save_edit
from dashboard.forms.fields import Field, draw_fields
from dashboard.names import method_name
from dashboard.text import _, literal


def lot(group: Any) -> None:
    """Add a lot, or correct one."""
    store = state.store()
    lots = {one.id: one for one in store.lots(group.id)}
    members = store.members(group.id)
    chosen = choose_row("lot", {key: one.label for key, one in lots.items()}, _("(a new lot)"), _("Which lot?"))
    form = f"lot_{chosen or 'new'}"
    blank = Lot(group_id=group.id, label="", commodity="maize", bags=1, form="threshed")
    seen = opened(form, lots.get(chosen) or blank)
    crops = {code: _(crop.name) for code, crop in crops_of_group(store, group.id).items()}
    filled = draw_fields(form, lot_fields(seen, crops, members))

    def write(values: Mapping[str, Any], token: str) -> str:
        new = lot_from(seen, values, members)
        if any(one.label == new.label and one.id != new.id for one in lots.values()):
            raise InputError("the group has a lot called {label} already", label=new.label)
        if seen.id:
            store.update_lot(new, token)
        else:
            store.add_lot(new, token)
        return _("The lot {label} is saved.").format(label=literal(new.label))

    save_edit(form, filled, write, [seen.revision, len(lots)], _("Save the lot"))


def member_names(members: list[Member]) -> dict[int, str]:
    """Return the members by number, each named so that two of one name are told apart."""
    return {one.id: _("{name}, member {number}").format(name=one.name, number=one.id) for one in members}


def lot_fields(seen: Lot, crops: Mapping[str, str], members: list[Member]) -> list[Field]:
    """Return what is asked of a lot."""

    def words(listed: tuple[str, ...]) -> dict[str, str]:
        return {word: _(word) for word in listed}

    names = {one.id: one.name for one in members}
    pool = ", ".join(f"{names.get(key, key)} {share * 100:g}" for key, share in seen.shares)
    return [
        Field("label", _("Label, as on its heap"), value=seen.label),
        Field("commodity", _("Crop"), "choice", options=crops, value=seen.commodity),
        Field("variety", _("Variety, if known"), value=seen.variety, required=False),
        Field("form", _("Form"), "choice", options=words(FORMS), value=seen.form),
        *_weight_fields(seen),
        Field(
            "harvested_on",
            _("Harvested on"),
            "day",
            value=seen.harvested_on,
            required=False,
            help=_("A day to come means that it still stands: the sale plan then finds the week to cut it."),
        ),
        Field(
            "owner_id",
            _("Owner (empty: nobody, or a pool)"),
            "choice",
            options=member_names(members),
            value=seen.owner_id,
            required=False,
        ),
        Field("pool", _("Pool: names and shares, such as Asha 40, Odo 60"), value=pool, required=False),
        Field("place", _("Where it lies"), value=seen.place, required=False),
        Field("use", _("Use"), "choice", options=words(USES), value=seen.use),
        Field("status", _("State"), "choice", options=words(STATUSES), value=seen.status),
        Field(
            "storage_method",
            _("Kept in"),
            "choice",
            options=_stores_of(seen),
            value=seen.storage_method,
            required=False,
        ),
        Field("stored_on", _("In this store since"), "day", value=seen.stored_on, required=False),
        Field("note", _("Note"), value=seen.note, required=False),
    ]


def _weight_fields(seen: Lot) -> list[Field]:
    """Return what is asked of how much a lot is, and when and how wet it was weighed."""

    def kg(name: str, label: str, value: float | None) -> Field:
        return Field(name, label, "number", unit="kg", low=0.1, high=MOST_BAG_KG, value=value, required=False)

    return [
        Field("bags", _("Bags"), "whole", low=1, high=100_000, value=max(1, seen.bags)),
        kg("nominal_bag_kg", _("A bag is called"), seen.nominal_bag_kg),
        kg("bag_mass_kg", _("Weighed average of a bag (empty: never weighed)"), seen.bag_mass_kg),
        Field(
            "weighed_moisture_pct",
            _("Moisture when it was weighed"),
            "number",
            unit="%",
            low=0,
            high=60,
            value=seen.weighed_moisture_pct,
            required=False,
        ),
        Field("weighed_on", _("Weighed on"), "day", value=seen.weighed_on, required=False),
    ]


def _stores_of(seen: Lot) -> dict[str, str]:
    """Return the ways of keeping by code, with one of a lot from a file that the tables do not know."""
    known = {code: method_name(code) for code in method_codes()}
    return known if seen.storage_method is None else {seen.storage_method: seen.storage_method, **known}


def lot_from(seen: Lot, values: Mapping[str, Any], members: list[Member]) -> Lot:
    """Return the lot that a form describes.

    Raises
    ------
    InputError
        The shares of the pool cannot be read.
    """
    given = {name: value.strip() if isinstance(value, str) else value for name, value in values.items()}
    shares = pool_shares(given.pop("pool"), members)
    return replace(seen, **{**given, "label": " ".join(given["label"].split()), "shares": shares})


def pool_shares(text: str, members: list[Member]) -> tuple[tuple[int, float], ...]:
    """Return shares that add up to 1 from "Asha 40, Odo 60"; a member's number may stand for the name.

    Raises
    ------
    InputError
        A name is unknown or that of two members, or a share is no number above 0.
    """
    counts = Counter(one.name.casefold() for one in members)
    known = {one.name.casefold(): one.id for one in members} | {str(one.id): one.id for one in members}
    shares: dict[int, float] = {}
    for part in [part.strip() for part in text.replace(";", ",").split(",") if part.strip()]:
        name, _space, share = part.removesuffix("%").strip().rpartition(" ")
        name = name.strip().casefold()
        if counts[name] > 1:
            raise InputError("two members are called '{name}': write the member's number instead", name=name)
        try:
            weight = float(share)
        except ValueError:
            weight = 0.0
        if name not in known or not 0 < weight < 1e6:
            raise InputError("'{part}' is not a member and a share, such as Asha 40", part=part)
        shares[known[name]] = shares.get(known[name], 0.0) + weight
    total = sum(shares.values())
    return tuple((key, share / total) for key, share in shares.items())
