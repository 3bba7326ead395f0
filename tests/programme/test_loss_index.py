"""The programme's losses with the weights of SDG 12.3.1.a, by hand and against a bootstrap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from core.programme.loss_index import CropLoss, crop_losses, loss_index
from tests.programme.test_indicators import small


def test_losses_of_a_crop_by_hand():
    found = crop_losses(small())["maize"]
    assert (found.dry_in_kg, found.dry_out_kg, found.worth) == pytest.approx((800, 774, 2700))


def test_index_by_hand():
    # maize 10 % then 5 %, worth 300; beans 4 % then 8 %, worth 100 in the base season:
    # 100 x (0.05 x 300 + 0.08 x 100) / (0.10 x 300 + 0.04 x 100) = 100 x 23 / 34
    base = {"maize": CropLoss(1000, 900, 300), "bean": CropLoss(500, 480, 100), "millet": CropLoss(10, 9, 5)}
    later = {"maize": CropLoss(1000, 950, 999), "bean": CropLoss(500, 460, 999)}
    found = loss_index([(base, later, 1.0)])
    assert found.value == pytest.approx(100 * 23 / 34)
    assert (found.crops, found.groups) == (("bean", "maize"), 1)
    assert np.isnan(found.low)


def test_money_of_another_currency_is_turned_before_it_weighs():
    base = {"maize": CropLoss(1000, 900, 300)}, {"bean": CropLoss(500, 480, 100_000)}
    later = {"maize": CropLoss(1000, 950, 1)}, {"bean": CropLoss(500, 460, 1)}
    found = loss_index([(base[0], later[0], 1.0), (base[1], later[1], 0.001)])
    assert found.value == pytest.approx(100 * 23 / 34)


def test_grain_that_gained_lost_nothing_and_a_group_of_one_season_does_not_count():
    """Maize as above; beans came in at 500 and went out at 510 in the base season: its loss is 0, not below.

    100 x (0.05 x 300 + 0.08 x 100) / (0.10 x 300 + 0) = 76.67. A group without a base, or without a later season,
    weighs nothing.
    """
    base = {"maize": CropLoss(1000, 900, 300), "bean": CropLoss(500, 510, 100)}
    later = {"maize": CropLoss(1000, 950, 999), "bean": CropLoss(500, 460, 999)}
    other = {"maize": CropLoss(400, 100, 700)}
    found = loss_index([(base, later, 1.0), (other, {}, 1.0), ({}, other, 1.0)])
    assert (found.value, found.groups) == (pytest.approx(100 * 23 / 30), 1)


def test_only_lots_sold_whole_with_mass_and_moisture_at_both_ends_are_counted():
    """Two lots of maize, 800 kg dry matter each, the second all sold at 12.5 %: 880 x 0.875 = 770 kg for 2,200."""
    record = small()
    first = record.sales.iloc[0].to_dict()
    lot = next(lot for lot in record.lots if lot.id == first["lot_id"])
    second = first | {"lot_id": 77, "mass_kg": 880.0, "moisture_pct": 12.5, "price_per_kg": 2.5}

    def found(row, **changes):
        lots = [*record.lots, replace(lot, **{"id": 77} | changes)]
        return crop_losses(replace(record, lots=lots, sales=pd.DataFrame([first, row])))["maize"]

    both = found(second)
    assert (both.dry_in_kg, both.dry_out_kg, both.worth) == pytest.approx((1600, 774 + 770, 2700 + 2200))
    alone = crop_losses(record)["maize"]
    for changes in ({"id": 78}, {"nominal_bag_kg": None}, {"weighed_moisture_pct": None}, {"bags": lot.bags + 1}):
        assert found(second, **changes) == alone
    assert found(second | {"moisture_pct": None}) == alone
    assert crop_losses(replace(record, sales=record.sales.iloc[:0])) == {}


def test_nothing_lost_or_nothing_in_both_has_no_index():
    none = {"maize": CropLoss(100, 100, 50)}
    assert loss_index([(none, none, 1.0)]) is None
    assert loss_index([({"maize": CropLoss(100, 90, 50)}, {"bean": CropLoss(100, 90, 50)}, 1.0)]) is None
    assert loss_index([]) is None


def test_interval_against_a_bootstrap_over_groups():
    random = np.random.default_rng(21)

    def season(rate):
        mass = random.uniform(800, 1200)
        return {"maize": CropLoss(mass, mass * (1 - rate * random.uniform(0.6, 1.4)), mass * 0.3)}

    groups = [(season(0.08), season(0.06), 1.0) for _group in range(30)]
    found = loss_index(groups)
    drawn = [loss_index([groups[at] for at in random.integers(0, 30, 30)]).value for _run in range(300)]
    assert found.high - found.low == pytest.approx(4.09 * np.std(drawn), rel=0.2)  # 2 x t(0.975, 29)
    assert found.low < 75 < found.high
