"""A crop, a drying method and a storage method that only TOML files know run through import, drying, storage and plan.

The rows are invented for the test: a small grain called 'trial grain', a roof terrace and a clay jar.
"""

from __future__ import annotations

import functools
import gc
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.dashboard.conftest import NOW, demo_file, demo_store  # noqa: F401 (fixtures)
from tests.dashboard.pages import open_page
from tests.drying.drying_cases import plain_days

CROP = """
[trial_grain]
name = "trial grain"
kind = "cereal"
default_isotherm = "trial"
names = ["trial grain", "zuzu"]
pests = ["rice_weevil"]
standing = "open"
isotherm_sd_points = { value = 0.6, source = "invented", basis = "judgement" }
oil_fraction = { value = 0.04, source = "invented", basis = "judgement" }
bulk_density_kg_m3 = { value = 700, source = "invented", basis = "judgement" }
porosity = { value = 0.42, source = "invented", basis = "judgement" }
specific_heat = { intercept = 1.4, per_moisture_point = 0.035, source = "invented", basis = "judgement" }
limits.trade = { moisture_pct = 12.5, product = "trial grain", source = "invented", basis = "judgement" }

[trial_grain.isotherms.trial]
label = "invented"
form = "henderson"
a = 2.0e-5
b = 2.2
c = 80.0
temperature_range_c = [5.0, 50.0]
humidity_range_pct = [10.0, 90.0]
compared = true
source = "invented"
basis = "judgement"
"""
STORE = """
[clay_jar]
name = "sealed clay jar"
unit = "silo"
unit_capacity_kg = 150.0
unit_cost_usd = 8.0
seasons = 6
cost_per_month_usd = 0.0
sealed = true
sealed_oxygen_days = 25.0
leak_share = 0.03
leak_share_borer = 0.03
roof_offset_c = 0.0
start_factor = 1.0
seal_below_pct = 12.5
insect_water_share = 0.4
breaks = ["a crack"]
source = "invented"
basis = "judgement"
positions = [{ name = "jar", share = 1.0, half_thickness_m = 0.0 }]
"""


def _clear_caches() -> None:
    """Empty every function cache of the core: tables are read once a process."""
    for one in gc.get_objects():
        if isinstance(one, functools._lru_cache_wrapper) and (one.__module__ or "").startswith("core."):
            one.cache_clear()


@pytest.fixture
def added_tables(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Name a folder of added rows; the tables of this process are read anew before and after."""
    import tomllib

    own = Path(__file__).resolve().parents[1] / "core" / "drying" / "setups.toml"
    rack = tomllib.loads(own.read_text(encoding="utf-8"))["raised_rack"]
    rows = {
        **rack,
        "label": "roof terrace",
        "load_kg_m2": 12.0,
        "area_m2": 30.0,
        "sky_share": 0.8,
        "source": "invented",
    }
    words = {str: lambda value: f'"{value}"', bool: lambda value: str(value).lower()}
    terrace = "[roof_terrace]\n" + "".join(f"{key} = {words.get(type(v), str)(v)}\n" for key, v in rows.items())
    for room, name, text in (
        ("grain", "commodities.toml", CROP),
        ("drying", "setups.toml", terrace),
        ("storage", "methods.toml", STORE),
    ):
        (tmp_path / "added" / room).mkdir(parents=True)
        (tmp_path / "added" / room / name).write_text(text, encoding="utf-8")
    monkeypatch.setenv("DRYHOLD_TABLES", str(tmp_path / "added"))
    _clear_caches()
    yield
    monkeypatch.delenv("DRYHOLD_TABLES")
    _clear_caches()


def test_physics_knows_what_only_toml_knows(added_tables):
    from core.drying import DryingSetup, simulate_drying
    from core.grain.commodities import commodity_codes
    from core.group.limits import standard_limit
    from core.storage import dry_matter_loss, simulate_storage
    from core.storage.safety import sealing_limit, storage_refusal

    assert "trial_grain" in commodity_codes()
    assert standard_limit("trial_grain").moisture_pct == 12.5
    run = simulate_drying("trial_grain", 18.0, plain_days(days=6), DryingSetup("roof_terrace"), 12.0)
    assert run.rates.stand_in
    assert 1 <= run.days_to_target[0] <= 6
    climate = pd.DataFrame({"temperature_c": [26.0] * 90, "relative_humidity_pct": [70.0] * 90})
    kept = simulate_storage("trial_grain", 11.0, "clay_jar", climate, 80)
    assert np.ptp(kept.moisture_pct) < 1.0, "sealed"
    assert 0 < dry_matter_loss("trial_grain", 60, 27, 14) < 100
    assert sealing_limit("maize", "clay_jar") == 12.5
    assert storage_refusal("trial_grain", "clay_jar", [16.0], 12.5, 60) is not None


def test_import_plan_and_pages_know_what_only_toml_knows(added_tables, demo_store):  # noqa: F811
    from core.group.possessions import keep_spaces, keep_stores, possessions, space_from, store_from
    from core.group.reading_tables import import_preview, open_table, preview_table
    from core.planning.case_from_records import build_case

    group = demo_store.groups()[0]
    taken = (NOW - timedelta(days=1)).date().isoformat()
    rows = [f"Z1,zuzu,{bag},{taken},26,{humidity}" for bag, humidity in enumerate((84, 85, 86, 85), 1)]
    data = ("Lot,Crop,Bag,Date,Temperature °C,Humidity %\n" + "\n".join(rows) + "\n").encode()
    opened = open_table(data, "tests.csv", demo_store, group.id)
    import_preview(preview_table(opened, opened.options, demo_store, group.id, NOW), demo_store, group.id, "Ada", NOW)
    lot = next(one for one in demo_store.lots(group.id) if one.label == "Z1")
    assert lot.commodity == "trial_grain"
    has = possessions(demo_store, group.id)
    rate = demo_store.currency_per_usd(group.id)
    keep_spaces(demo_store, group.id, [*has.spaces, space_from({"method": "roof_terrace"}, rate)], "Ada", NOW)
    jar = store_from({"method": "clay_jar", "access": "buy", "units": 5}, rate)
    keep_stores(demo_store, group.id, [*has.stores, jar], "Ada", NOW)
    case = build_case(demo_store, group.id, NOW.date()).case
    assert "roof_terrace" in {choice.method for choice in case.drying}
    assert "clay_jar" in {choice.method for choice in case.storage}
    drying = open_page("drying")
    assert not drying.exception
    drying.selectbox(key="drying_lot").set_value(lot.id).run()
    drying.selectbox(key="drying_space").set_value("roof terrace").run()
    assert not drying.exception
    assert not drying.error
    assert any("Dry in" in item.value or "Probably not dry" in item.value for item in drying.info)
    storage = open_page("storage")
    storage.selectbox(key="storage_lot").set_value(lot.id).run()
    assert not storage.exception
    assert not storage.error
    assert "sealed clay jar" in set(storage.dataframe[0].value.iloc[:, 0])


def test_a_whole_plan_dries_and_keeps_what_only_toml_knows(added_tables, tmp_path):
    """A wet lot of the added crop, the added space and store alone: dried there, food kept there, the rest sold."""
    from core.advice import situation
    from core.group.possessions import keep_spaces, keep_stores, space_from, store_from
    from core.planning.wishes import write_wishes
    from tests.advice.groups import NOW as PLANNED
    from tests.advice.groups import Heap, small_group

    store = small_group(f"sqlite:///{tmp_path / 'x.sqlite3'}", (Heap("trial_grain", 12, (16.8, 17.0, 17.2, 17.1)),))
    rate = store.currency_per_usd(1)
    keep_spaces(store, 1, [space_from({"method": "roof_terrace"}, rate)], "Ada", PLANNED)
    keep_stores(store, 1, [store_from({"method": "clay_jar", "units": 8}, rate)], "Ada", PLANNED)
    food = {"commodity": "trial_grain", "kg": 250, "label": "home use", "evenly": True}
    write_wishes(store, 1, {"reserves": [food]}, PLANNED)
    now = situation(store, 1, PLANNED)
    plan = now.plan
    assert {line.commodity for line in plan.sales} == {"trial_grain"}
    eaten = [line for line in plan.sales if line.reserve]
    assert sum(line.bags for line in eaten) >= 3
    assert {(line.setup, line.storage) for line in eaten} == {("roof terrace", "sealed clay jar")}
    assert any(line.buyer for line in plan.sales)
    assert {load.space for load in now.schedule} == {"roof terrace"}
    assert [str(found) for found in now.contradictions()] == []
    store.engine.dispose()
