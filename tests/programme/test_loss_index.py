"""The programme's losses with the weights of SDG 12.3.1.a, by hand and against a bootstrap."""

from __future__ import annotations

import numpy as np
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
