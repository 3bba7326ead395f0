"""Tables of physics live: each number that a domain person may correct is read, and another value changes a result."""

from __future__ import annotations

import functools
import gc
import tomllib
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from core.group.records import Fact, Group, Lot
from tests.drying.drying_cases import plain_days

CORE = Path(__file__).resolve().parents[1] / "core"
CROPS = ("maize", "paddy", "groundnut_pod", "sorghum", "common_bean")


PLACE = Group(name="x", altitude_m=500.0, time_zone="UTC")
LOT = Lot(group_id=1, label="A", commodity="maize", bags=1)
COVER = Fact(key="drying_cover_in_rain", value=True)
COOL = Fact(key="drying_temperature_limit.maize", value=43.0)


@functools.cache
def _climate() -> pd.DataFrame:
    turn = np.sin(np.arange(221) / 9.0)
    return pd.DataFrame({"temperature_c": 27.0 + 5.0 * turn, "relative_humidity_pct": 74.0 + 12.0 * turn})


@functools.cache
def _weather() -> pd.DataFrame:
    frame = plain_days(days=3)
    wet = frame.index.hour == 13
    return frame.assign(rain_mm=np.where(wet, 3.0, 0.0))


def _dried(method: str) -> object:
    from core.drying import DryingSetup, simulate_drying
    from core.drying.advice import care_without_spreading
    from core.drying.learning import prior_belief
    from core.drying.setups import drying_method
    from core.group.drying_records import drying_setup
    from core.group.possessions import space_from
    from core.planning.case_possessions import drying_choices

    ways = ((None, None), (60.0, None), (60.0, 8.0))
    runs = [
        simulate_drying("maize", 19.0, _weather(), DryingSetup(method, 10.0, load, turn_interval_h=turn), 8.0)
        for load, turn in ways
    ]
    told = [(run.moisture_pct[[5, -1], 0].tolist(), run.grain_temperature_c[[5, -1], 0].tolist()) for run in runs]
    belief = prior_belief(float(drying_method(method)["rate_sd"])).interval()
    space = space_from({"method": method, "access": "buy"}, 1.0)
    kept_cool = drying_setup(space, {"drying_cover_in_rain": COVER, "drying_temperature_limit.maize": COOL}, PLACE, LOT)
    return (
        told,
        belief,
        runs[0].setup.capacity_kg,
        drying_choices([space], 0.01),
        kept_cool,
        care_without_spreading(runs[0].setup),
    )


def _of_crop(crop: str) -> object:
    from core.drying import DryingSetup, simulate_drying
    from core.grain.commodities import get_commodity
    from core.grain.sorption import (
        equilibrium_with_flag,
        isotherm_curve,
        isotherm_parameters,
        isotherm_uncertainty,
        moisture_dry_basis,
    )
    from core.group.limits import standard_limit
    from core.storage.loss import ageing_rate
    from core.storage.safety import days_above_limit

    found = get_commodity(crop)
    run = simulate_drying(crop, 19.0, _weather(), DryingSetup("tarpaulin", 10.0, 30.0), 8.0)
    lines = [float(moisture_dry_basis(isotherm_parameters(found, name), 27.0, 0.7)) for name in found.isotherms]
    limits = [standard_limit(crop, standard) for standard in ("codex", "eac", "eu_intervention", "trade")]
    ageing = float(ageing_rate(crop, 28.0, 16.0))
    curve = isotherm_curve(crop, 27.0)
    sure = float(isotherm_uncertainty(crop, 27.0, 70.0)), curve.lowest_pct.tolist(), curve.highest_pct.tolist()
    flags = [
        bool(equilibrium_with_flag(crop, warm, damp, name).outside_range)
        for warm in np.arange(-2.0, 66.0, 0.5)
        for damp in (50.0,)
        for name in found.isotherms
    ]
    told = run.moisture_pct[[5, -1], 0].tolist(), run.rates.stand_in
    return told, lines, limits, ageing, days_above_limit(crop), sure, flags


def _stored(method: str) -> object:
    from core.group.possessions import store_from
    from core.storage import simulate_storage
    from core.storage.methods import get_method
    from core.storage.safety import sealing_limit, waiting_days

    crops = [("maize", True), ("common_bean", False)]
    runs = [simulate_storage(crop, 13.0, method, _climate(), 200, borer_present=borer) for crop, borer in crops]
    told = [(run.moisture_pct[-1].tolist(), run.weight_loss_pct[[30, -1]].tolist()) for run in runs]
    form = get_method(method)
    money = store_from({"method": method, "access": "buy"}, 1.0)
    return told, money, sealing_limit("paddy", method), waiting_days(method), form.unshelled, form.sealed


def _insects(pest: str) -> object:
    from core.storage import simulate_storage
    from core.storage.insects import pests_of, start_from_sieve
    from core.storage.simulate import draw_pests

    crop = {
        "cowpea_bruchid": "cowpea",
        "bean_bruchid": "common_bean",
        "rice_weevil": "sorghum",
        "grain_moth_in_husk": "paddy",
        "flour_beetle": "milled_rice",
    }.get(pest, "maize")
    try:
        draw, here = draw_pests(3, 1, None), draw_pests(2, 1, True)
        ways = ("woven_bag_protectant", "metal_silo")
        runs = [simulate_storage(crop, 13.5, way, [_climate()] * 2, 200, draw=here) for way in ways]
        seen = start_from_sieve(pests_of(crop)[0], [0.0, 3.0]).tolist()
    except Exception:
        return "refused"
    return (
        repr(draw),
        [(run.weight_loss_pct[[60, -1]].tolist(), run.damaged_kernels_pct[-1].tolist()) for run in runs],
        seen,
    )


def _field(_row: str) -> object:
    from core.drying.field import field_loss, field_moisture, field_value

    warm, damp, rain = np.full((9, 1), 26.0), np.full((9, 1), 70.0), np.tile([[0.0], [2.1], [2.1]], (3, 1))
    paths = [field_moisture(crop, 24.0, warm, damp, rain).tolist() for crop in ("maize", "sorghum")]
    return paths, field_loss(9, rain).tolist(), field_value("wettest_to_harvest_pct")


def _safety(_row: str) -> object:
    from core.storage.safety import days_above_limit, greatest_risk, sealing_limit

    crops = ("maize", "sorghum")
    return [
        (days_above_limit(crop), greatest_risk(crop, "woven_bag", 0.9), sealing_limit("paddy", "hermetic_bag"))
        for crop in crops
    ]


def _keeping(_row: str) -> object:
    from core.storage.keeping import check_lot, default_store_temperature, keeping_limit, keeping_table

    checks = [
        check_lot("maize", temperature, humidity)
        for temperature in (26.0, 39.0, 45.0)
        for humidity in (40.0, 47.0, 66.0)
    ]
    table = keeping_table("maize", 27.0)
    limits = keeping_limit("months"), keeping_limit("weeks"), default_store_temperature()
    return [repr(check) for check in checks], table.to_csv() if hasattr(table, "to_csv") else repr(table), limits


def _made_days(_row: str) -> object:
    from core.weather.day_to_day import make_days, make_hours
    from core.weather.normals import Normals
    from core.weather.place import Place

    spot = Place(9.5, -0.85, 180.0, "UTC")
    table = pd.DataFrame({"temperature_c": 27.0, "relative_humidity_pct": 60.0, "rain_mm": 90.0}, index=range(1, 13))
    first = date(2026, 5, 1)
    days = [first + timedelta(days=ahead) for ahead in range(40)]
    made = make_days(Normals(table, source="x", status="entered"), spot, days, 3, np.random.default_rng(1))
    hours = make_hours(days, made, spot, np.random.default_rng(2))
    return [getattr(made, name).tolist() for name in vars(made)], [frame.to_numpy().tolist() for frame in hours]


def _near_town(town: str) -> object:
    from core.weather.place import Place
    from core.weather.reference import reference_altitude_m, reference_normals, towns

    at = towns().names.index(town.replace("_", " "))
    latitude, longitude = 0.3 + float(towns().latitude[at]), 0.2 + float(towns().longitude[at])
    place = Place(latitude, longitude, 100.0, "UTC")
    return reference_normals(place).table.to_numpy().tolist(), reference_altitude_m(latitude, longitude)


def _in_kilograms(unit: str) -> object:
    from core.market.units import kilograms
    from core.reference_tables import reference_table

    return [kilograms(name) for name in reference_table("market", "units.toml")[unit]["names"]]


def _usual_bags(_row: str) -> object:
    from core.planning.beginning import usual_bag
    from core.reference_tables import reference_table

    return [usual_bag(country) for country in reference_table("planning", "beginning.toml")["bag_kg"]]


def _graded(_row: str) -> object:
    from core.group.lot_actions import FAULTS, grade

    return [str(grade("maize", {fault: share})) for fault in FAULTS for share in np.arange(0.0, 8.0, 0.01)]


def _safe_moistures(_row: str) -> object:
    from core.storage.comparison import safe_moistures

    return repr(safe_moistures())


TABLES: dict[tuple[str, str], Callable[[str], object]] = {
    ("weather", "day_to_day.toml"): _made_days,
    ("weather", "reference.toml"): _near_town,
    ("market", "units.toml"): _in_kilograms,
    ("planning", "beginning.toml"): _usual_bags,
    ("group", "grades.toml"): _graded,
    ("storage", "comparison.toml"): _safe_moistures,
    ("drying", "setups.toml"): _dried,
    ("drying", "field.toml"): _field,
    ("storage", "methods.toml"): _stored,
    ("storage", "insects.toml"): _insects,
    ("storage", "safety.toml"): _safety,
    ("storage", "keeping.toml"): _keeping,
    ("grain", "commodities.toml"): _of_crop,
}


def _other(value: Any) -> Any:
    """Return another value of the same kind; None for words."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return type(value)(value * 1.1 + (1 if isinstance(value, int) else 0.01))
    if isinstance(value, list) and value and all(isinstance(one, int | float) for one in value):
        return [one * 1.02 + 0.01 for one in value]
    return None


def _numbers(row: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield the place of each number of a row, with another value for it."""
    for key, value in row.items():
        if isinstance(value, dict):
            yield from _numbers(value, (*path, key))
        elif _other(value) is not None:
            yield (*path, key), _other(value)


def _written(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value)


def _rows_of(room: str, name: str) -> dict[str, Any]:
    rows = tomllib.loads((CORE / room / name).read_text(encoding="utf-8"))
    return {key: rows[key] for key in CROPS} if name == "commodities.toml" else rows


@pytest.mark.parametrize(("room", "name"), TABLES, ids=lambda part: str(part))
def test_every_number_of_a_table_changes_a_result(room, name, tmp_path, monkeypatch):
    result, rows, usual = TABLES[room, name], _rows_of(room, name), {}
    for row in rows:
        usual[row] = repr(result(row))
    caches = [
        one
        for one in gc.get_objects()
        if isinstance(one, functools._lru_cache_wrapper) and (one.__module__ or "").startswith("core.")
    ]
    (tmp_path / room).mkdir()
    monkeypatch.setenv("DRYHOLD_TABLES", str(tmp_path))
    live: set[tuple[str, ...]] = set()
    seen: set[tuple[str, ...]] = set()
    for row, values in rows.items():
        for path, other in _numbers(values):
            kind = path if name != "commodities.toml" else tuple(part for part in path if part not in _sets(values))
            kind = kind if kind not in {("value",), ("kg",)} else (row, *kind)
            seen.add(kind)
            if kind in live:
                continue
            text = f"[{'.'.join(_quoted(part) for part in (row, *path[:-1]))}]\n{path[-1]} = {_written(other)}\n"
            (tmp_path / room / name).write_text(text, encoding="utf-8")
            for cache in caches:
                cache.cache_clear()
            try:
                changed = repr(result(row)) != usual[row]
            except Exception:
                changed = True
            if changed:
                live.add(kind)
    monkeypatch.delenv("DRYHOLD_TABLES")
    for cache in caches:
        cache.cache_clear()
    assert len(seen) >= 5
    assert not seen - live, f"changed, but nothing depends on them: {sorted(seen - live)}"


def _sets(values: dict[str, Any]) -> set[str]:
    """Return the names of a crop's isotherm sets: each has the same numbers."""
    return set(values.get("isotherms", {}))


def _quoted(part: str) -> str:
    return part if part.replace("_", "").isalnum() else f'"{part}"'
