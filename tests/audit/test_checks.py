"""Every outside check of the audit holds, says who says so, and can fail."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.audit.__main__ import main
from core.audit.checks import OUTSIDE, all_checks, run
from core.audit.coefficients import collect_provenance
from core.audit.page import coefficients_by_basis, limits, outcomes_table, validation_page
from tests.benchmarks import drying_trials, storage_trials

CHECKS = all_checks()
NAMES = [f"{check.room}-{number}-{check.what}".replace(" ", "_")[:70] for number, check in enumerate(CHECKS)]


@pytest.mark.parametrize("check", CHECKS, ids=NAMES)
def test_outside_check(check):
    outcome = run(check)
    assert outcome.holds, f"{check.what} ({check.given}): expected {check.expected}, computed {outcome.computed}"


def test_there_are_at_least_two_hundred_and_each_names_its_source():
    assert len(CHECKS) >= 200
    assert all(check.source.strip() and check.kind in OUTSIDE for check in CHECKS)
    assert len({check.room for check in CHECKS}) >= 8


@pytest.mark.parametrize("number", range(0, len(CHECKS), 17))
def test_a_value_moved_beyond_its_tolerance_does_not_hold(number):
    check = CHECKS[number]
    moved = replace(check, expected=check.expected + 3 * check.tolerance + 1e-6 + abs(check.expected) * 0.2)
    assert not run(moved).holds


def test_no_tolerance_is_wide_enough_to_be_empty():
    """Whole numbers are held exactly; measured values that scatter may be a twentieth off, rounded days half a day."""
    loose = [
        check
        for check in CHECKS
        if check.tolerance > 0.06 * abs(check.expected) + 0.6 and check.tolerance > 0.1 * abs(check.expected)
    ]
    assert not loose


def test_the_command_prints_every_check_and_ends_well(capsys, tmp_path):
    page = tmp_path / "validation.md"
    assert main(["--page", str(page)]) == 0
    lines = capsys.readouterr().out.strip().splitlines()
    assert len(lines) == len(CHECKS) + 1
    assert all("expected" in line and "allowed" in line for line in lines[:-1])
    assert "must not be believed" in page.read_text(encoding="utf-8")


def test_the_page_tells_the_worst_difference_and_the_known_limits():
    outcomes = [run(check) for check in CHECKS[:40]]
    page = validation_page(outcomes)
    assert "40 of 40 outside checks hold" in page
    assert all(entry["about"] in page for entry in limits())
    assert set(outcomes_table(outcomes)["kind"]) <= set(OUTSIDE)
    assert sum(coefficients_by_basis().values()) > 100


def test_what_the_limits_say_of_trials_is_what_the_benchmarks_find():
    found = {entry["about"]: entry["found"] for entry in limits()}
    rows = drying_trials.published(drying_trials.all_compared())
    bias, spread = drying_trials.error(rows)
    assert len(rows) == 10
    assert found["Drying time"].startswith(f"Ten published trials took up to {np.exp(spread):.1f} times")
    assert f"{100 * (1 - np.exp(bias)):.0f} % too fast, with another it is right" in found["Drying time"]
    kept = {row.name: row.off for row in storage_trials.all_compared() if row.use == "predict"}
    worst = max(kept, key=lambda name: abs(kept[name]))
    assert (len(kept), worst) == (6, "india_wheat_jute")
    assert kept[worst] < 0
    assert (
        f"Of six trials that set nothing, the program is off by {-kept[worst]:.0f} points at most"
        in (found["Storage losses by insects"])
    )


def test_a_coefficient_read_in_a_library_only_is_not_called_published():
    frame = collect_provenance()
    library = frame[frame["source"].str.contains("open librar")]
    assert len(library) >= 12
    assert set(library["basis"]) == {"memory"}
    assert not frame["source"].str.contains(r"\bread in (?:\w+ )*code\b|citing code").any()
