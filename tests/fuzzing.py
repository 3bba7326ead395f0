"""How many hostile inputs each reader gets: some hundreds in the fast run, many thousands in the slow one."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

FEW = 300
MANY = int(os.environ.get("DRYHOLD_FUZZ", "20000"))


def inputs(count: int) -> settings:
    """Return the settings of a fuzz test of so many inputs."""
    return settings(max_examples=count, deadline=None, suppress_health_check=list(HealthCheck))


ODD_NUMBERS = st.sampled_from([10**30, -(10**400), 2**63, 1e308, -1e308, float("nan"), float("inf"), 1e-320, -0.0])
ODD_TEXT = (
    st.sampled_from(["", " ", "\x00", "x" * 10_000, "\u202e\u0627\u0644", "\ud800", "\u0661\u0662", "{value}", "%s"])
    | st.sampled_from(["=1+1", "<b>x</b>", "'; DROP TABLE lots; --", "../../etc/passwd"])
    | st.sampled_from(["0001-01-01", "9999-12-31", "2026-02-30", "24:61", "NaN", "Infinity", "1e400"])
)
ODD = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | ODD_NUMBERS | ODD_TEXT | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=4,
)
"""Anything that JSON can hold, and what it cannot."""
