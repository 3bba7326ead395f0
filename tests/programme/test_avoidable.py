"""Avoidable losses by hand, and no blame where the records give none."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest

from core.programme.avoidable import avoidable_losses, dry_matter_lost_wet, expected_gain_of_waiting, visit_list
from core.programme.indicators import Records
from tests.programme.test_indicators import small


def test_dry_matter_on_wet_days_is_the_published_relation():
    # Bern et al. 2002: 0.5 % after 175 days at 15 %, 20 °C, 30 % damage; fewer days at 5 % damage lose less.
    assert 0.002 < dry_matter_lost_wet("maize", 175, 15, 20) < 0.005
    assert dry_matter_lost_wet("maize", 10, 20, 25) > dry_matter_lost_wet("maize", 5, 20, 25)


def test_over_drying_by_hand():
    record = small()
    # lot D: 1000 kg weighed at 20 %, last read at 11 %; paid for up to 15.5 - 0.5 = 15 %: 1000 x 80/85 - 1000 x 80/89
    # kg at 2.0
    readings = pd.concat(
        [
            record.readings,
            record.readings.iloc[[3]].assign(meter_moisture_pct=11.0, taken_at=datetime(2026, 5, 9, tzinfo=UTC)),
        ]
    )
    lots = [lot for lot in record.lots if lot.id == 4]
    alone = Records(
        record.group, record.members, lots, readings[readings["lot_id"] == 4], record.sales.iloc[:0], record.prices
    )
    found = {item.cause: item for item in avoidable_losses(alone, 0.02, 0.01)}
    assert found["over-drying"].money == pytest.approx(2 * 1000 * 80 * (1 / 85 - 1 / 89), rel=1e-6)


def test_a_price_without_season_blames_nobody_for_selling():
    random = np.random.default_rng(5)
    days = pd.date_range("2018-01-01", periods=84, freq="MS") + pd.Timedelta(days=14)
    prices = pd.DataFrame(
        {"quoted_on": days.date, "commodity": "maize", "price_per_kg": np.exp(random.normal(0, 0.05, 84).cumsum())}
    )
    assert expected_gain_of_waiting(prices, "maize", date(2024, 12, 15), 0.02, 0.01) == 0.0


def test_later_prices_do_not_change_the_judgement():
    month = np.arange(120)
    level = np.exp(0.25 * np.cos(2 * np.pi * (month % 12 - 1) / 12) + np.random.default_rng(2).normal(0, 0.03, 120))
    days = pd.date_range("2014-01-01", periods=120, freq="MS") + pd.Timedelta(days=14)
    prices = pd.DataFrame({"quoted_on": days.date, "commodity": "maize", "price_per_kg": level})
    early = expected_gain_of_waiting(prices[:91], "maize", date(2021, 7, 15), 0.02, 0.01)
    later = prices.copy()
    later.loc[91:, "price_per_kg"] *= 10
    assert expected_gain_of_waiting(later, "maize", date(2021, 7, 15), 0.02, 0.01) == early
    assert early > 0.1  # a planted season of about 65 % from July's low


def test_visits_name_their_reasons():
    visits = visit_list([small()], datetime(2026, 6, 20, tzinfo=UTC))
    assert len(visits) == 1
    text = "; ".join(str(reason) for reason in visits[0].reasons)
    assert "never tested" in text
    assert "no reading for" in text
    assert visit_list([], datetime(2026, 6, 20, tzinfo=UTC)) == []
