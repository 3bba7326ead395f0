"""Mass balance against published shrink examples, and conservation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import InputError
from core.grain.mass import dry_basis, dry_matter, mass_after_drying, wet_basis


@given(st.floats(0, 1e6), st.floats(0, 60), st.floats(0, 60))
def test_dry_matter_stays(mass, before, after):
    later = mass_after_drying(mass, before, after)
    assert dry_matter(later, after) == pytest.approx(dry_matter(mass, before), rel=1e-12)
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
