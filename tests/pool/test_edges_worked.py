"""Edges of a table of earlier deliveries and of what the plan learns from a pool, by hand."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal as D
from types import SimpleNamespace

import pytest

from core.pool import buyers_side
from core.pool.buyers_side import give_to_plan
from core.pool.earlier import COLUMNS, DELIVERIES, PAYMENTS, EarlierPreview, _percent

NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)


@pytest.mark.parametrize(("written", "percent"), [(0.0, 0.0), (0.135, 13.5), (0.999, 99.9), (1.0, 1.0), (13.5, 13.5)])
def test_a_moisture_below_one_was_written_as_a_fraction(written, percent):
    assert _percent(written) == pytest.approx(percent)


def test_what_a_cell_of_an_earlier_table_may_hold():
    """Masses up to a thousand tonnes, 10 kg to 100 t without asking; whole bags; money above nothing."""
    deliveries = {column.name: column for column in COLUMNS[DELIVERIES]}
    for name in ("gross", "tare", "net"):
        assert (deliveries[name].low, deliveries[name].high, deliveries[name].usual) == (0, 1e6, (10.0, 1e5))
    assert (deliveries["moisture"].low, deliveries["moisture"].high) == (0, 99.9)
    assert (deliveries["bags"].low, deliveries["bags"].high) == (0, 100_000)
    amount = {column.name: column for column in COLUMNS[PAYMENTS]}["amount"]
    assert (amount.above, amount.high, amount.required) == (0, 1e12, True)
    needed = {column.name for columns in COLUMNS.values() for column in columns if column.required}
    assert needed == {"day", "member", "amount"}


def test_a_preview_adds_up_net_kilograms_or_money():
    def total(kind, *payloads):
        rows = tuple(SimpleNamespace(payload=payload) for payload in payloads)
        return EarlierPreview(SimpleNamespace(kind=kind), rows, (), (), ()).total

    assert total(DELIVERIES, {"gross_kg": "91.5", "tare_kg": "1.5"}, {"gross_kg": "50", "tare_kg": "0"}) == D("140")
    assert total(PAYMENTS, {"amount": "10.25"}, {"amount": "0.05"}) == D("10.30")
    assert total(DELIVERIES) == total(PAYMENTS) == 0


def test_only_facts_that_change_are_written(monkeypatch):
    """Learnt: A 0.4, B 0.5, C 0.6, D 0.7. Of A nothing is known; B stands as learnt; C stood otherwise; what a person
    entered of D stands; what was learnt of E, who bought nothing any more, goes, and what was entered of F stays.
    """
    learnt = {"A": 0.4, "B": 0.5, "C": 0.6, "D": 0.7}
    known = {
        "buyer_offset.B": (0.5, "file"),
        "buyer_offset.C": (0.2, "file"),
        "buyer_offset.D": (0.1, "entered"),
        "buyer_offset.E": (0.3, "file"),
        "buyer_offset.F": (0.3, "entered"),
        "another": (1.0, "file"),
    }
    facts = {key: SimpleNamespace(value=value, origin=origin) for key, (value, origin) in known.items()}
    written = []
    store = SimpleNamespace(
        facts=lambda _group: facts,
        set_fact=lambda group, key, value, origin, who, at: written.append((key, value, who)),
    )
    monkeypatch.setattr(buyers_side, "learn_offset", lambda sales, name: SimpleNamespace(meter=learnt[name], loads=2))
    season = SimpleNamespace(
        sales=[SimpleNamespace(buyer=f" {name}") for name in learnt] + [SimpleNamespace(buyer=" ")]
    )
    assert give_to_plan(store, 1, season, "Asha", NOW) == learnt
    assert written == [
        ("buyer_offset.A", 0.4, "Asha (2 loads)"),
        ("buyer_offset.C", 0.6, "Asha (2 loads)"),
        ("buyer_offset.E", None, "Asha"),
    ]
