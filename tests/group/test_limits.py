"""Limits: each standard's figure by its source, keeping by humidity, and which one binds."""

from __future__ import annotations

import pytest

from core.errors import InputError
from core.grain.commodities import commodity_codes
from core.grain.sorption import equilibrium_humidity
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
    with pytest.raises(InputError):
        choose_limit("maize", contract_pct=130)


def test_humidity_when_warm_rises_a_little_with_temperature() -> None:
    assert float(humidity_when_warm("maize", 30, 66, 30)) == pytest.approx(66, abs=0.01)
    assert 66 < float(humidity_when_warm("maize", 20, 66, 32)) < 76
