"""The validation page: what is checked against what, how well it holds, where the tool must not be believed."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import pandas as pd

from core.audit.checks import Outcome
from core.audit.coefficients import collect_provenance
from core.group.facts import BASES

COLUMNS = ("about", "what", "given", "expected", "computed", "unit", "allowed", "holds", "kind", "source", "reliance")


def outcomes_table(outcomes: Sequence[Outcome]) -> pd.DataFrame:
    """Return the outcomes as a table, a row each, with the columns of `COLUMNS`."""
    rows = [
        (
            outcome.check.room,
            outcome.check.what,
            outcome.check.given,
            outcome.check.expected,
            outcome.computed,
            outcome.check.unit,
            outcome.check.tolerance,
            outcome.holds,
            outcome.check.kind,
            outcome.check.source,
            outcome.check.reliance,
        )
        for outcome in outcomes
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def limits() -> list[dict[str, Any]]:
    """Return what holds only roughly or not at all: about what, what was found, and what to do about it."""
    return list(tomllib.loads((files("core.audit") / "limits.toml").read_text(encoding="utf-8"))["limit"])


def coefficients_by_basis() -> dict[str, int]:
    """Return how many entries of the tables rest on each basis."""
    counts = collect_provenance()["basis"].value_counts()
    return {basis: int(counts.get(basis, 0)) for basis in BASES}


def validation_page(outcomes: Sequence[Outcome]) -> str:
    """Return the page as Markdown: totals, a row for each table of checks with its worst difference, known limits."""
    table = outcomes_table(outcomes)
    lines = [
        "# What the numbers are checked against",
        "",
        f"{int(table['holds'].sum())} of {len(table)} outside checks hold. A check compares what the program computes "
        "with a value that somebody else published, that another library computes, or that is worked by hand.",
        "",
        "| about | what | checks | worst difference | allowed | unit | source |",
        "|---|---|---|---|---|---|---|",
    ]
    for (about, what, source, unit), group in table.groupby(["about", "what", "source", "unit"], sort=False):
        numbers = group[group["expected"].map(lambda value: not isinstance(value, str))]
        worst = (numbers["expected"].astype(float) - numbers["computed"].astype(float)).abs().max()
        shown = "–" if numbers.empty else f"{worst:.3g}"
        cells = (about, what, len(group), shown, f"{group['allowed'].max():.3g}", unit, source)
        lines.append("| " + " | ".join(str(cell).replace("|", "/") for cell in cells) + " |")
    bases = coefficients_by_basis()
    lines += [
        "",
        "## Where the coefficients come from",
        "",
        ", ".join(f"{count} {basis}" for basis, count in bases.items()) + ".",
        "",
        "## Where the tool must not be believed",
        "",
    ]
    lines += [f"- **{entry['about']}**: {entry['found']} {entry['advice']}" for entry in limits()]
    return "\n".join(lines) + "\n"
