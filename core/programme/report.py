"""The programme's table: each indicator with interval, baseline, target and rate; and its export with HXL tags."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from core.programme.counting import Indicator, ratio
from core.programme.currencies import ExchangeRate, in_one_currency, same_currency
from core.programme.definitions import DEFINITIONS
from core.programme.intervals import interval, wilson_interval
from core.programme.programme_book import Goal, ProgrammeBook, against_target

# column: (HXL tag, meaning); values stand in the unit named beside them
REPORT_COLUMNS: Mapping[str, tuple[str, str]] = {
    "group_id": ("#meta+id", "number in this database"),
    "group": ("#org+group+name", "group, or all groups together"),
    "key": ("#indicator+code", "indicator, see the sheet of definitions"),
    "label": ("#indicator+name", "indicator in words"),
    "value": ("#indicator+value+num", "in the unit"),
    "unit": ("#indicator+unit", "%, days, readings, times, bags, or money a tonne"),
    "currency": ("#currency+code", "ISO 4217, money indicators only"),
    "low": ("#indicator+low+num", "lower end of the 95 % interval"),
    "high": ("#indicator+high+num", "upper end of the 95 % interval"),
    "numerator": ("#indicator+numerator+num", "what was counted"),
    "denominator": ("#indicator+denominator+num", "over what"),
    "count": ("#indicator+count+num", "observations"),
    "missing": ("#indicator+missing+num", "records that could not be used"),
    "baseline": ("#indicator+baseline+num", "in the unit"),
    "baseline_on": ("#date+baseline", "ISO date"),
    "target": ("#indicator+target+num", "in the unit"),
    "target_on": ("#date+target", "ISO date by which"),
    "against_target": ("#indicator+target+verdict", "reached, not reached, not due yet, cannot tell yet"),
    "own_currency": ("#currency+own+code", "the group's currency"),
    "rate": ("#value+rate+num", "factor from the group's currency"),
    "rate_on": ("#date+rate", "day of the rate"),
}
ALL_GROUPS = "all groups together"


def _indicator(row: Mapping[str, Any]) -> Indicator:
    value = None if pd.isna(row["value"]) else float(row["value"])
    variance = None if pd.isna(row["variance"]) else float(row["variance"])
    return Indicator(
        row["key"], value, row["numerator"], row["denominator"], variance, row["missing"], count=row["count"]
    )


def _goal_in(goal: Goal | None, currency: str, money: bool) -> Goal | None:
    """Return a target or baseline, or None where it is in another currency than the value."""
    return None if goal is None or (money and goal.currency != currency) else goal


def _report_row(
    row: Mapping[str, Any], bounds: tuple[float, float] | None, book: ProgrammeBook, today: date
) -> dict[str, Any]:
    definition = DEFINITIONS[row["key"]]
    group_id = row["group_id"] if row["group_id"] else None
    scale = definition.scale
    target = _goal_in(book.goal("target", row["key"], group_id), row["currency"], definition.money)
    baseline = _goal_in(book.goal("baseline", row["key"], group_id), row["currency"], definition.money)
    low, high = bounds or (np.nan, np.nan)
    return {
        **{
            name: row.get(name)
            for name in ("group_id", "group", "key", "currency", "missing", "count", "own_currency", "rate", "rate_on")
        },
        "label": str(definition.label),
        "unit": definition.unit,
        "value": row["value"] * scale,
        "low": low * scale,
        "high": high * scale,
        "numerator": row["numerator"],
        "denominator": row["denominator"],
        "baseline": baseline.value * scale if baseline else np.nan,
        "baseline_on": baseline.on if baseline else None,
        "target": target.value * scale if target else np.nan,
        "target_on": target.on if target else None,
        "against_target": against_target(row["key"], low, high, target, today)
        if target and not pd.isna(row["value"])
        else "",
    }


def converted(table: pd.DataFrame, book: ProgrammeBook, own: str, today: date) -> tuple[pd.DataFrame, str, date]:
    """Return the indicator table in the programme's currency, that currency, and the day whose rates count.

    Parameters
    ----------
    book : ProgrammeBook
        With currency and rates; without a chosen currency, `own` and `today` stand in.
    today : date
        Stands in for the stated day.
    """
    currency, on = book.currency or own, book.rates_on or today
    return in_one_currency(table, currency, on, list(book.rates)), currency, on


def group_report(table: pd.DataFrame, book: ProgrammeBook, today: date) -> pd.DataFrame:
    """Return each group's indicators with interval, baseline and target: `REPORT_COLUMNS`, values in their unit.

    Values are in their unit. `table` comes from `converted`. Intervals: score for proportions, Student's t else (see
    `core.programme.intervals`).
    """
    rows = [
        _report_row(row, interval(_indicator(row), DEFINITIONS[row["key"]].proportion), book, today)
        for row in _records(table)
    ]
    return pd.DataFrame(rows, columns=list(REPORT_COLUMNS))


def _records(table: pd.DataFrame) -> list[Any]:
    return list(table.to_dict("records"))


def programme_report(table: pd.DataFrame, book: ProgrammeBook, currency: str, today: date) -> pd.DataFrame:
    """Return each indicator of all groups together, columns of `REPORT_COLUMNS` and ``groups`` with a value.

    The value is the sum of numerators over the sum of denominators; its interval takes the groups as clusters (ratio of
    sums, linearised over groups: Cochran 1977, chapter 6). Money that stands in another currency is left out.
    """
    compared, _own = same_currency(table, currency)
    rows = []
    for key, definition in DEFINITIONS.items():
        own = compared[(compared["key"] == key) & compared["value"].notna()]
        whole = ratio(key, list(zip(own["numerator"].astype(float), own["denominator"].astype(float), strict=True)))
        row = {
            "group_id": None,
            "group": ALL_GROUPS,
            "key": key,
            "value": np.nan if whole.value is None else whole.value,
            "numerator": whole.numerator,
            "denominator": whole.denominator,
            "count": int(own["count"].sum()),
            "missing": int(compared.loc[compared["key"] == key, "missing"].sum()),
            "currency": currency if definition.money else "",
            "own_currency": "",
            "rate": np.nan,
            "rate_on": None,
        }
        bounds = interval(whole, proportion=False) if whole.count >= 2 else None
        if bounds and definition.proportion:
            # where no group differs from another, the counts themselves say how sure the share is
            least = wilson_interval(whole.numerator, whole.denominator)
            bounds = max(0.0, min(bounds[0], least[0])), min(1.0, max(bounds[1], least[1]))
        rows.append(_report_row(row, bounds, book, today) | {"groups": whole.count})
    return pd.DataFrame(rows, columns=[*REPORT_COLUMNS, "groups"])


def definitions_table() -> pd.DataFrame:
    """Return what every indicator means, a row each."""
    return pd.DataFrame(
        [
            {
                "key": item.key,
                "label": str(item.label),
                "numerator": str(item.numerator),
                "denominator": str(item.denominator),
                "unit": item.unit,
                "better": item.better,
                "source": str(item.source),
            }
            for item in DEFINITIONS.values()
        ]
    )


DEFINITION_TAGS = {
    "key": "#indicator+code",
    "label": "#indicator+name",
    "numerator": "#indicator+numerator+text",
    "denominator": "#indicator+denominator+text",
    "unit": "#indicator+unit",
    "better": "#indicator+direction",
    "source": "#meta+source",
}
RATE_TAGS = {
    "from": "#currency+from+code",
    "to": "#currency+to+code",
    "rate": "#value+rate+num",
    "on": "#date+rate",
    "source": "#meta+source",
    "entered_by": "#meta+writer",
}


def rates_table(rates: Sequence[ExchangeRate]) -> pd.DataFrame:
    """Return the exchange rates entered, a row each."""
    rows = [
        {
            "from": r.source_currency,
            "to": r.target_currency,
            "rate": r.rate,
            "on": r.on,
            "source": r.source,
            "entered_by": r.entered_by,
        }
        for r in rates
    ]
    return pd.DataFrame(rows, columns=list(RATE_TAGS))


def report_tags() -> dict[str, str]:
    """Return the HXL tags of `REPORT_COLUMNS` and of ``groups``."""
    return {name: tag for name, (tag, _meaning) in REPORT_COLUMNS.items()} | {"groups": "#indicator+groups+num"}
