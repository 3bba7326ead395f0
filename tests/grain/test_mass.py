"""Mass balance against published shrink examples, and conservation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.grain.mass import dry_basis, dry_matter, mass_after_drying, shrink_pct, water_removed, wet_basis


@pytest.mark.parametrize(
    ("before", "after", "handling", "published", "allowed"),
    [
        (25.0, 15.5, 0.0, 11.24, 0.005),  # extension column, South Dakota State University
        (25.5, 15.5, 0.0, 11.83, 0.005),  # a seed firm's agronomy note
        (25.5, 15.5, 0.5, 12.33, 0.005),  # the same, with 0.5 % handling loss
    ],
)
def test_published_shrink(before, after, handling, published, allowed):
    assert shrink_pct(before, after, handling) == pytest.approx(published, abs=allowed)


def test_published_mass_after_shrink_and_handling():
    # The same agronomy note: 1000 lb at 25.5 % dried to 15.5 % with 0.5 % handling leave 876.7 lb.
    assert mass_after_drying(1000, 25.5, 15.5) - 5 == pytest.approx(876.7, abs=0.05)


def test_published_water_in_bushels():
    # Farm Progress: 56,000 lb (1000 bushels) from 26 to 15 %; exact 870.59 bushels left (its 129.6 is a misprint).
    assert mass_after_drying(56000, 26, 15) / 56 == pytest.approx(870.59, abs=0.005)


@pytest.mark.parametrize(
    ("final", "factor"),
    [(15.5, 1.1834), (15, 1.1765), (14, 1.1628), (13.5, 1.1561), (13, 1.1494), (12, 1.1364), (10, 1.1111)],
)
def test_published_factor_per_point(final, factor):
    # Extension tables: shrink per point taken out is 100 / (100 - final).
    assert shrink_pct(final + 1, final) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize(("sold_at", "loss"), [(12, 1.14), (11, 2.25), (10, 3.3), (9, 4.4), (8, 5.43)])
def test_published_over_dry_soybean(sold_at, loss):
    # Nebraska CropWatch: sold below the 13 % base, % of the weight is lost; it prints two figures for some.
    assert 100 - mass_after_drying(100, 13, sold_at) == pytest.approx(loss, abs=0.05)


@given(st.floats(0, 1e6), st.floats(0, 60), st.floats(0, 60))
def test_dry_matter_stays_and_water_adds_up(mass, before, after):
    later = mass_after_drying(mass, before, after)
    assert dry_matter(later, after) == pytest.approx(dry_matter(mass, before), rel=1e-12)
    assert later + water_removed(mass, before, after) == pytest.approx(mass, rel=1e-12)
    assert mass_after_drying(later, after, before) == pytest.approx(mass, rel=1e-12)


@given(st.floats(0, 95))
def test_basis_round_trip(moisture):
    assert wet_basis(dry_basis(moisture)) == pytest.approx(moisture, abs=1e-9)


def test_arrays_broadcast():
    assert np.shape(mass_after_drying([100, 200], 20, [[13], [14]])) == (2, 2)


@pytest.mark.parametrize("values", [(-1, 20, 13), (100, 100, 13), (100, 20, -1), (100, float("nan"), 13)])
def test_impossible_is_an_error(values):
    with pytest.raises(InputError):
        mass_after_drying(*values)
