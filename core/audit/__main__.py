"""Print every outside check: source, expected, computed, tolerance.

``python -m core.audit`` ends with 1 when one does not hold; ``--coefficients`` lists every coefficient with its source
and basis, ``--page FILE`` writes the validation page.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from core.audit.checks import Outcome, run_all
from core.audit.coefficients import collect_provenance
from core.audit.page import validation_page


def line(outcome: Outcome) -> str:
    """Return one check as a line of text."""
    check = outcome.check
    expected, computed = (
        value if isinstance(value, str) else f"{value:.6g}" for value in (check.expected, outcome.computed)
    )
    verdict = "holds" if outcome.holds else "DOES NOT HOLD"
    return (
        f"{verdict:13} {check.room:10} {check.what} ({check.given}): expected {expected} {check.unit}, "
        f"computed {computed}, allowed ±{check.tolerance:.3g}. {check.kind}: {check.source}"
        + (f" ({check.reliance})" if check.reliance else "")
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the checks, the coefficients or the page; return 1 when a check does not hold."""
    parser = argparse.ArgumentParser(prog="python -m core.audit", description=__doc__)
    parser.add_argument("--coefficients", action="store_true", help="list every coefficient with its source")
    parser.add_argument("--page", metavar="FILE", help="write the validation page, in Markdown")
    chosen = parser.parse_args(arguments)
    if chosen.coefficients:
        for row in collect_provenance().itertuples():
            print(f"{row.table}: {row.entry}: {row.values} {row.unit} [{row.basis}] {row.source} {row.note}".rstrip())
        return 0
    outcomes = run_all()
    if chosen.page:
        Path(chosen.page).write_text(validation_page(outcomes), encoding="utf-8")
    for outcome in outcomes:
        print(line(outcome))
    failed = [outcome for outcome in outcomes if not outcome.holds]
    print(f"{len(outcomes) - len(failed)} of {len(outcomes)} outside checks hold.")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
