"""Edges of a table of earlier deliveries and of what the plan learns from a pool, by hand."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal as D
from types import SimpleNamespace

import pytest

from core.market.deductions import flat_deductions
from core.messages import message
from core.pool import buyers_side
from core.pool.buyers_side import differences, give_to_plan
from core.pool.contracts import Contract
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


def test_what_a_buyer_pays_less_than_our_own_scale_and_meter_say_in_three_parts():
    """1,000 kg at 14 % by us, 990 kg at 15 % by the buyer, 2 a kg, 1 % a point above 13, and 50 taken off.

    Ours: 20 off 2,000. By our meter and his scale 19.80 off 1,980; by his own 39.60. So 19.80 by the scale, 19.80 by
    the meter, 10.40 beyond the contract: 50 in all, which is (2,000 - 20) - (1,980 - 50).
    """
    sold = SimpleNamespace(
        number=7,
        buyer="Mill",
        loaded_kg=D(1000),
        buyer_kg=D(990),
        loaded_moisture_pct=D(14),
        buyer_moisture_pct=D(15),
        price_per_kg=D(2),
        buyer_deductions=D(50),
    )
    contract = Contract("Mill", flat_deductions(D(13), D("0.01")), "entered", message("by hand"))
    (row,) = differences(SimpleNamespace(sales=[sold]), lambda _sale: contract)
    assert (row.sale, row.buyer, row.mass_kg, row.moisture_points) == (7, "Mill", D(-10), D(1))
    assert (row.expected_deductions, row.on_his_readings, row.charged_deductions) == (D(20), D("39.6"), D(50))
    assert (row.by_scale, row.by_meter, row.beyond_contract) == (D("19.8"), D("19.8"), D("10.4"))
    assert row.money_short == 50
