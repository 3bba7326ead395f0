"""Settings live: each is read by the page that it names, and another value gives another result."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pandas as pd
import pytest

from core.errors import InputError
from core.group.database import open_store
from core.group.facts import check_value, load_defaults
from core.group.lot_state import cost_if_refused, cost_of_a_day, current_lot_states, judging_rules
from core.group.possessions import possessions
from core.group.records import Group, Lot, Member, PriceQuote, Reading
from core.group.selling import assumed_terms, waiting_costs
from core.group.store import Store
from core.market.waiting import verdict
from core.planning.case_from_records import build_case
from core.planning.credit import credit_terms
from core.planning.wishes import add_harvest, write_wishes
from core.pool.book import assumed_terms as agreed_until_saved
from dashboard.contents import entries
from tests.test_structure import ROOT, _files, imported_modules

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)


modules_of = cache(imported_modules)


@cache
def read_from(page: str) -> str:
    """Return the text of all files that a page's sections are made of."""
    files = _files()
    sections = re.findall(r'"(\w+)": _\(', (ROOT / "dashboard" / "views" / f"{page}.py").read_text(encoding="utf-8"))
    wanted, seen = [f"dashboard.sections.{section}" for section in sections], set()
    while wanted:
        name = wanted.pop()
        if name in files and name not in seen and name != "core.group.older_records":
            seen.add(name)
            wanted += modules_of(files[name])
    return "\n".join(files[name].read_text(encoding="utf-8") for name in sorted(seen))


@pytest.mark.parametrize("key", load_defaults())
def test_a_setting_says_where_it_is_used_and_is_read_there(key):
    default = load_defaults()[key]
    titles = {entry.title: entry.name for entry in entries().values()}
    assert default.used_in, f"{key} says nothing of where it is used"
    parts = key.split(".")
    families = [".".join(parts[:number]) + "." for number in range(1, len(parts))]
    for title in default.used_in:
        text = read_from(titles[title])
        whole = f'"{key}"' in text
        assert whole or any(f'"{name}{{' in text or f'"{name}"' in text for name in families), f"{title}: {key}"


class Noted(dict):
    """Facts that note which of them are read."""

    def __init__(self, facts, read):
        super().__init__(facts)
        self.read = read

    def __getitem__(self, key):
        self.read.add(key)
        return super().__getitem__(key)

    def get(self, key, default=None):
        self.read.add(key)
        return super().get(key, default)


def _lots(store):
    rules = judging_rules(store, 1)
    return [
        (state, cost_if_refused(state.lot, 100.0, rules), cost_of_a_day(100.0, rules))
        for state in current_lot_states(store, 1, NOW)
    ]


def _plan(store):
    built = build_case(store, 1, NOW.date())
    data = built.data
    return built.case, data.borer_present, data.cover_in_rain, data.grain_limits_c, data.store_offset_c


def _waiting(store):
    """Return what waiting costs and whether it pays on ten years of one invented season (lowest in June, 40 %)."""
    months = pd.period_range("2016-06", periods=120, freq="M")
    turn = 2 * np.pi * (np.arange(120) % 12) / 12
    noise = np.random.default_rng(3).normal(0, 0.02, 120)
    prices = pd.Series(300 * np.exp(-0.17 * np.cos(turn) + noise), index=months)
    costs = waiting_costs(store.facts(1))
    return costs, verdict(prices, costs, float(prices.iloc[-1]), ())


RESULTS = {
    "possessions": lambda store: possessions(store, 1),
    "terms": lambda store: assumed_terms(store.facts(1)),
    "pool": lambda store: agreed_until_saved(store, 1),
    "credit": lambda store: credit_terms(store.facts(1)),
    "rules": lambda store: judging_rules(store, 1),
    "lots": _lots,
    "plan": _plan,
    "waiting": _waiting,
}


def small(fresh):
    """Write a group of which every part is there: tests, prices, grain kept back, a coming harvest, seed."""
    group = Group(name="x", latitude=-10.5, longitude=34.3, altitude_m=700, time_zone="Africa/Blantyre", currency="MWK")
    fresh.add_group(group)
    fresh.add_member(Member(group_id=1, name="Asha"))
    today = NOW.date()
    for label, use in (("A", "sale"), ("B", "seed"), ("C", "food")):
        lot = Lot(group_id=1, label=label, commodity="maize", bags=30, bag_mass_kg=90, weighed_moisture_pct=19, use=use)
        number = fresh.add_lot(replace(lot, owner_id=1, harvested_on=today, weighed_on=today))
        values = {"temperature_c": 25.0, "relative_humidity_pct": 82.0, "meter_moisture_pct": 18.0}
        fresh.add_readings([Reading(lot_id=number, taken_at=NOW, bag=str(bag), **values) for bag in range(5)])
    fresh.add_lot(Lot(group_id=1, label="D", commodity="maize", bags=9, bag_mass_kg=50, form="cob", harvested_on=today))
    fresh.add_price_quotes(
        [
            PriceQuote(group_id=1, quoted_on=today - timedelta(days=30 * n), commodity="maize", price_per_kg=300 + n)
            for n in range(48)
        ]
    )
    write_wishes(fresh, 1, {"reserves": [{"commodity": "maize", "kg": 100, "label": "home use", "evenly": True}]}, NOW)
    add_harvest(fresh, 1, NOW, commodity="maize", on=today + timedelta(days=9), kg=900)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    opened = open_store(str(tmp_path_factory.mktemp("x") / "x.sqlite"), small)
    yield opened
    opened.engine.dispose()


def _other(default):
    value = default.value
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        other = value * 1.37 + (1 if isinstance(value, int) else 0.011)
        return other if default.high is None or other <= default.high else value * 0.73
    if isinstance(value, list):
        return [{**row, "name": "another", "access": "hire"} for row in value[:1]]
    return next((word for word in default.options if word != value), None)


def test_another_value_gives_another_result(store, monkeypatch):
    real_facts, real_fact = Store.facts, Store.fact
    overlay, read = {}, set()

    def facts(self, group_id):
        found = real_facts(self, group_id)
        changed = {key: replace(found[key], value=value, origin="entered") for key, value in overlay.items()}
        return Noted({**found, **changed}, read)

    def fact(self, group_id, key):
        read.add(key)
        found = real_fact(self, group_id, key)
        return replace(found, value=overlay[key], origin="entered") if key in overlay else found

    monkeypatch.setattr(Store, "facts", facts)
    monkeypatch.setattr(Store, "fact", fact)
    defaults, usual, readers = load_defaults(), {}, {}
    for name, result in RESULTS.items():
        read.clear()
        usual[name] = repr(result(store))
        for key in read & defaults.keys():
            readers.setdefault(key, []).append(name)
    dead = []
    for key, names in readers.items():
        if key.startswith("currency_per_usd."):
            continue
        overlay.clear()
        overlay[key] = _other(defaults[key])
        if overlay[key] is not None and all(repr(RESULTS[name](store)) == usual[name] for name in names):
            dead.append(key)
    assert not dead, f"read, but nothing depends on them: {dead}"
    assert len(readers) > 50


def test_a_dollars_worth_changes_what_is_assumed_in_dollars(store):
    before = store.fact(1, "truck.trip_cost").value
    store.set_fact(1, "currency_per_usd.MWK", 2 * store.currency_per_usd(1), "entered", "A", NOW)
    assert store.fact(1, "truck.trip_cost").value == pytest.approx(2 * before)
    store.set_fact(1, "currency_per_usd.MWK", None, "entered", "A", NOW)


@pytest.mark.parametrize(
    ("key", "wrong"),
    [
        ("truck.capacity_kg", -5),
        ("truck.capacity_kg", "many"),
        ("truck.capacity_kg", float("nan")),
        ("truck.capacity_kg", True),
        ("interest_monthly", 0.31),
        ("plan.certainty", 1.2),
        ("drying_cover_in_rain", 1),
        ("borer_present", "perhaps"),
        ("drying_spaces", "two"),
    ],
)
def test_a_value_that_cannot_be_is_refused_wherever_it_is_written(store, key, wrong):
    with pytest.raises(InputError):
        check_value(key, wrong)
    with pytest.raises(InputError):
        store.set_fact(1, key, wrong, "entered", "A", NOW)
    assert store.fact(1, key).origin == "assumed"


def test_no_file_reads_a_setting_with_a_value_of_its_own_beside():
    """`facts.get("key", 0.3)`, `value("key", 0.3)`, `facts.get("key") or 0.3`: what is assumed stands in the table."""
    found = []
    for name, path in _files().items():
        if name == "core.group.older_records" or "migrations" in name:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            beside = isinstance(node, ast.Call) and len(node.args) == 2 and _reads_setting(node, "get", "value")
            instead = (
                isinstance(node, ast.BoolOp)
                and isinstance(node.op, ast.Or)
                and ast.unparse(node.values[1]) != "None"
                and any(_reads_setting(part) for part in ast.walk(node.values[0]))
            )
            if beside or instead:
                found.append(f"{path.relative_to(ROOT)}:{node.lineno} {ast.unparse(node)}")
    assert not found, "\n".join(found)


def _reads_setting(node, *ways):
    """Whether a node is a call that reads a known setting: `facts.get(...)`, `value(...)`, `store.fact(...)`."""
    if not isinstance(node, ast.Call) or not any(
        isinstance(given, ast.Constant) and given.value in load_defaults() for given in node.args
    ):
        return False
    called = ast.unparse(node.func)
    known = {"get": called.endswith("facts.get"), "value": called == "value", "fact": called.endswith(".fact")}
    return any(known[way] for way in ways or known)
