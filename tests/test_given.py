"""What public names are given: nonsense gets an error of ours that names the value, sense passes untouched."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from core.accounts.finance import instalment
from core.accounts.splitting import split_exactly
from core.advice import situation
from core.drying.run import DryingSetup, simulate_drying
from core.errors import DryholdError, InputError
from core.given import check_number, takes_numbers
from core.grain.air import saturation_vapour_pressure
from core.grain.commodities import get_commodity
from core.grain.mass import mass_after_drying
from core.grain.sorption import equilibrium_humidity, equilibrium_moisture
from core.group.database import open_store
from core.group.sampling import bags_to_probe, estimate_lot, judge_dryness
from core.market.costs import breakeven_price
from core.market.hindcast import hindcast
from core.market.season import fit_season
from core.market.waiting import WaitingRule, decide
from core.meter.shares import airport_shares, nucleolus, shapley_values
from core.planning.case import make_case
from core.planning.rules import compare_with_rules
from core.planning.sale import plan_sale
from core.programme.comparison import funnel_limits, shrink_to_mean
from core.storage.loss import dry_matter_loss, safe_storage_days
from core.storage.simulate import simulate_storage
from tests.test_public_names import daily, hourly

PRICES = pd.Series(100 + 10 * np.sin(np.arange(60) / 6 * np.pi), index=pd.period_range("2020-01", periods=60, freq="M"))
NOW = datetime(2026, 5, 20, 7, tzinfo=UTC)
SETUP, HOURS, DAYS = DryingSetup("tarpaulin", 20.0, 15.0), hourly(1), daily(30)
LOT = estimate_lot([12.0, 13.0], 10)
NO_NUMBERS = ("abc", "12", None, ["a"], {}, 1j, math.nan, object())
TAKEN = {
    "crop": lambda bad: get_commodity(bad),
    "vapour": lambda bad: saturation_vapour_pressure(bad),
    "sorption temperature": lambda bad: equilibrium_moisture("maize", bad, 65),
    "sorption humidity": lambda bad: equilibrium_moisture("maize", 25, bad),
    "sorption moisture": lambda bad: equilibrium_humidity("maize", 25, bad),
    "mass": lambda bad: mass_after_drying(bad, 20, 13),
    "mass from": lambda bad: mass_after_drying(1, bad, 13),
    "setup": lambda bad: DryingSetup("tarpaulin", bad),
    "setup method": lambda bad: DryingSetup(bad),
    "dryness": lambda bad: simulate_drying("maize", bad, HOURS, SETUP, 13.5),
    "target": lambda bad: simulate_drying("maize", 18, HOURS, SETUP, bad),
    "weather": lambda bad: simulate_drying("maize", 18, bad, SETUP, 13.5),
    "loss days": lambda bad: dry_matter_loss("maize", bad, 25, 15),
    "loss temperature": lambda bad: dry_matter_loss("maize", 1, bad, 15),
    "safe moisture": lambda bad: safe_storage_days("maize", 25, bad),
    "safe limit": lambda bad: safe_storage_days("maize", 25, 15, bad),
    "store moisture": lambda bad: simulate_storage("maize", bad, "woven_bag", DAYS, 20),
    "store method": lambda bad: simulate_storage("maize", 13, bad, DAYS, 20),
    "store climate": lambda bad: simulate_storage("maize", 13, "woven_bag", bad, 20),
    "store days": lambda bad: simulate_storage("maize", 13, "woven_bag", DAYS, bad),
    "bags": lambda bad: bags_to_probe(bad),
    "tests": lambda bad: estimate_lot(bad, 10),
    "bags of a lot": lambda bad: estimate_lot([12.0], bad),
    "meter": lambda bad: estimate_lot([12.0], 10, bad),
    "limit": lambda bad: judge_dryness(LOT, bad),
    "risk": lambda bad: judge_dryness(LOT, 13.5, bad),
    "prices": lambda bad: fit_season(bad),
    "past prices": lambda bad: hindcast(bad, 0.01, 0.02, 3),
    "horizon": lambda bad: hindcast(PRICES, 0.01, 0.02, bad),
    "wait": lambda bad: WaitingRule(bad, 0.02, 0.01),
    "wait loss": lambda bad: WaitingRule(3, 0.02, bad),
    "price": lambda bad: breakeven_price(bad, 3, 0.02, 0.01),
    "months": lambda bad: breakeven_price(100, bad, 0.02, 0.01),
    "interest": lambda bad: breakeven_price(100, 3, bad, 0.01),
    "principal": lambda bad: instalment(bad, 0.02, 12),
    "periods": lambda bad: instalment(100.0, 0.02, bad),
    "weights": lambda bad: split_exactly(100, bad),
    "game": lambda bad: shapley_values(bad) or _nothing(),
    "least complaint": lambda bad: nucleolus(bad) or _nothing(),
    "runway": lambda bad: airport_shares(bad) or _nothing(),
    "benchmark": lambda bad: funnel_limits(bad, 40),
    "size": lambda bad: funnel_limits(0.1, bad),
    "rates": lambda bad: shrink_to_mean([0.1, 0.2, bad], [10, 10, 10]),
    "lots": lambda bad: make_case(bad, 8, 20, 1),
    "seed": lambda bad: make_case(2, 8, 20, bad),
}


def _nothing():
    """An empty table of costs has no shares: that is an answer."""
    raise InputError("nothing is shared")


@pytest.mark.parametrize("name", TAKEN)
def test_what_is_no_number_gets_an_error_of_ours(name):
    for bad in NO_NUMBERS:
        with pytest.raises(DryholdError) as caught:
            TAKEN[name](bad)
        assert "{" not in str(caught.value).replace("{}", ""), str(caught.value)


@pytest.mark.parametrize(
    "call",
    [
        lambda: equilibrium_moisture("maize", [1, 2], [60, 61, 62]),
        lambda: mass_after_drying([1, 2], [20, 20, 20], 13),
        lambda: dry_matter_loss("maize", [1, 2], [20, 20, 20], 15),
        lambda: breakeven_price([1, 2], [1, 2, 3], 0.02, 0.01),
        lambda: breakeven_price(-1, 3, 0.02, 0.01),
        lambda: breakeven_price(100, -1, 0.02, 0.01),
        lambda: WaitingRule(3, 0.02, -1.0),  # a loss below 0 would make waiting pay
        lambda: WaitingRule(3, 0.02, 0.01, -0.1),
        lambda: WaitingRule(3, -1.0, 0.01),
        lambda: WaitingRule(1.5, 0.02, 0.01),
        lambda: bags_to_probe(1.5),
        lambda: funnel_limits(0.1, math.inf),
        lambda: DryingSetup("tarpaulin", time_zone="Nowhere/Town"),
        lambda: DryingSetup("tarpaulin", grain_temperature_limit_c=math.nan),
        lambda: simulate_storage("maize", 13, "woven_bag", DAYS[::-1], 20),
        lambda: simulate_storage("maize", 13, "woven_bag", DAYS.assign(temperature_c="warm"), 20),
        lambda: simulate_drying("maize", 18, HOURS.assign(rain_mm="much"), SETUP, 13.5),
        lambda: simulate_drying("maize", 18, HOURS[::-1], SETUP, 13.5),
        lambda: hindcast(PRICES.iloc[:0], 0.01, 0.02, 3),
        lambda: hindcast(PRICES.to_timestamp(), 0.01, 0.02, 3),
    ],
)
def test_what_cannot_be_is_refused(call):
    with pytest.raises(DryholdError):
        call()


def test_numbers_of_every_kind_pass_and_the_error_names_the_argument():
    for good in (1, 1.5, np.float32(2), np.array([1, 2]), [1.0, 2.0], True):
        check_number("x", good)
    assert check_number("x", np.ones((2, 3))) == (2, 3)
    with pytest.raises(InputError, match=r"^moisture wet is not a number$"):
        check_number("moisture", "wet")

    @takes_numbers("a", "b", whole=("n",))
    def add(a, b, n=None):
        return a + b

    assert add(1, b=2) == 3
    assert add(np.ones(2), np.ones((3, 2)), None).shape == (3, 2)
    with pytest.raises(InputError, match=r"^n 1\.5 is not a whole number$"):
        add(1, 2, n=1.5)
    with pytest.raises(InputError, match="a, b differ in length"):
        add(np.ones(2), np.ones(3))


WRONG_KINDS = {
    "a situation of no records": lambda: situation(None, 1, NOW),
    "a situation on a day without its hour": lambda: situation(open_store("sqlite://"), 1, NOW.date()),
    "a database at a number": lambda: open_store(5),
    "a plan of words": lambda: plan_sale("maize"),
    "rules against a plan that is none": lambda: compare_with_rules(make_case(1, 4, 10, 1), "sell", 1),
    "dryness of a number": lambda: judge_dryness(13.0, 13.5),
    "waiting without a rule": lambda: decide(fit_season(PRICES), None),
    "a lot that is a word": lambda: open_store("sqlite://").add_lot("A"),
    "a group that is none": lambda: open_store("sqlite://").add_group(None),
    "readings that are words": lambda: open_store("sqlite://").add_readings(["13.5"]),
}


@pytest.mark.parametrize("given", WRONG_KINDS.values(), ids=WRONG_KINDS.keys())
def test_what_is_of_another_kind_gets_an_error_of_ours(given):
    with pytest.raises(InputError, match="must be a"):
        given()
