"""Limits: each standard's figure by its source, keeping by humidity, and which one binds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from core.errors import InputError
from core.grain.commodities import commodity_codes
from core.grain.sorption import equilibrium_humidity, equilibrium_moisture
from core.group.limits import choose_limit, keeping_humidity, keeping_limit, standard_limit, standard_table
from core.storage.keeping import humidity_when_warm


@pytest.mark.parametrize(
    ("crop", "limit"),
    [
        ("maize", 15.5),  # CXS 153-1985, from memory
        ("paddy", 15.0),  # CXS 198-1995 (rice), from memory
        ("sorghum", 14.5),  # CXS 172-1989, from memory
        ("pearl_millet", 13.0),  # CXS 169-1989, from memory
        ("wheat", 14.5),  # CXS 199-1995, looked up
        ("common_bean", 15.0),  # CXS 171-1989, tropical, from memory
        ("cowpea", 15.0),  # CXS 171-1989, tropical, from memory
        ("chickpea", 14.0),  # CXS 171-1989, tropical, from memory
        ("groundnut_kernel", 9.0),  # CXS 200-1995, from memory
        ("groundnut_pod", 10.0),  # CXS 200-1995, from memory
    ],
)
def test_codex_limits(crop: str, limit: float) -> None:
    found = standard_limit(crop, "codex")
    assert found is not None
    assert found.moisture_pct == limit
    assert "Codex Standard CXS" in found.source


def test_other_standards() -> None:
    """EAS 2 maize 13.5 (from memory); EU 1272/2009 Annex I Part II maize 13.5, sorghum 13.5, wheat 14.5 (looked up)."""
    assert standard_limit("maize", "eac").moisture_pct == 13.5  # type: ignore[union-attr]
    for crop, limit in (("maize", 13.5), ("sorghum", 13.5), ("wheat", 14.5)):
        assert standard_limit(crop, "eu_intervention").moisture_pct == limit  # type: ignore[union-attr]
    # A national table that is silent on a crop: Codex stands in.
    assert standard_limit("chickpea", "eac").moisture_pct == 14.0  # type: ignore[union-attr]


def test_every_row_has_source_and_basis_and_every_crop_a_limit() -> None:
    for row in standard_table():
        assert row["source"]
        assert row["basis"] in ("published", "practice", "memory", "judgement")
        assert row["commodity"] in commodity_codes()
    assert all(standard_limit(code) is not None for code in commodity_codes())


def test_keeping_is_by_humidity_65_to_70() -> None:
    """65 to 70 % equilibrium humidity: common practice, no single source."""
    assert keeping_humidity(2) == 70
    assert keeping_humidity(9) == 65
    assert keeping_humidity(2, "seed") == 65
    assert 65 < keeping_humidity(4.5) < 70


def test_the_keeping_limit_is_the_isotherm_at_the_warmest_temperature() -> None:
    for crop in commodity_codes():
        limit = keeping_limit(crop, 6, 30)
        assert float(equilibrium_humidity(crop, 30, limit.moisture_pct)) == pytest.approx(65, abs=0.2)
        assert keeping_limit(crop, 6, 35).moisture_pct < limit.moisture_pct


def test_common_practice_maize_keeps_below_13() -> None:
    """Common practice, no source: maize below 13 % keeps in a warm store."""
    assert 12.0 < keeping_limit("maize", 6, 30).moisture_pct < 13.5


def test_the_strictest_binds_and_says_so() -> None:
    assert choose_limit("maize", months=1, warmest_c=15, standard="eac").binding.kind == "standard"
    assert choose_limit("maize", months=6, warmest_c=35).binding.kind == "keeping"
    contract = choose_limit("maize", months=1, warmest_c=20, contract_pct=12.0, buyer="Mill & Sons")
    assert contract.binding.kind == "contract"
    assert "Mill & Sons" in str(contract.binding.reason)
    own = [
        {
            "commodity": "maize",
            "standard": "codex",
            "moisture_pct": 11,
            "product": "ours",
            "source": "us",
            "basis": "judgement",
        }
    ]
    assert choose_limit("maize", months=1, warmest_c=15, own=own).moisture_pct == 11


def test_a_contract_and_a_standard_at_their_edges() -> None:
    """A contract between 0 and 50 %; seed is bound by keeping, and by a contract, never by the standard of food."""

    def kinds(**said: Any) -> list[str]:
        return [limit.kind for limit in choose_limit("maize", months=4, warmest_c=27, **said).applying]

    assert kinds() == kinds(use="food") == ["keeping", "standard"]
    assert kinds(contract_pct=0.1) == kinds(contract_pct=49.9) == ["keeping", "contract", "standard"]
    assert kinds(use="seed") == ["keeping"]
    for wrong in (0.0, 50.0, -3.0):
        with pytest.raises(InputError):
            choose_limit("maize", months=4, warmest_c=27, contract_pct=wrong)
    choice = choose_limit("maize", months=4, warmest_c=27, contract_pct=14.0)
    by_kind = {limit.kind: limit.moisture_pct for limit in choice.applying}
    assert choice.moisture_pct == min(by_kind.values())
    assert choice.of_kind("contract").moisture_pct == 14.0  # type: ignore[union-attr]
    strictest = replace(choice, applying=(*choice.applying, replace(choice.applying[0], moisture_pct=9.0)))
    assert strictest.of_kind("keeping").moisture_pct == 9.0  # type: ignore[union-attr]
    # what a sorption set says beyond the air that it was measured in is marked, what it says within is not
    assert choice.applying[0].outside_range is choice.applying[1].outside_range is False
    assert keeping_limit("maize", 4, 65).outside_range is True


def test_keeping_of_seed_and_of_long_months_is_asked_at_the_stricter_figure() -> None:
    """After 4.5 months half way from 68 to 62 %: 65 %; from six months on, and for seed, 62 %."""
    for months, use, humidity in ((3, "food", 68), (4.5, "sale", 65), (6, "sale", 62), (1, "seed", 62)):
        found = keeping_limit("maize", months, 30, use, 68, 62)
        assert (found.humidity_pct, found.temperature_c) == (humidity, 30)
        assert found.moisture_pct == pytest.approx(float(equilibrium_moisture("maize", 30, humidity)), abs=0.005)


def test_humidity_when_warm_rises_a_little_with_temperature() -> None:
    assert float(humidity_when_warm("maize", 30, 66, 30)) == pytest.approx(66, abs=0.01)
    assert 66 < float(humidity_when_warm("maize", 20, 66, 32)) < 76
