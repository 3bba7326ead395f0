"""Hold the price forecasts and the plan against their bars on open price series.

Each series is planned at its harvest month (the trough known at that date) with 2 % interest and 1 % loss a month. Printed by country, and
without each country in turn, with the two reference forecasts of the same run: a random walk and last year's price of the same month.

Run: ``python -m tests.benchmarks.price_bars [every nth series, default 4] [country]``; the folder of open data from DRYHOLD_OPEN_DATA.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pandas as pd

from core.errors import PriceDataError
from core.market.hindcast import FORESIGHT, PLAN, hindcast
from core.market.prices import mend_slips
from core.market.season import fit_season

LEVELS = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
NORMAL = np.array([NormalDist().inv_cdf(level) for level in LEVELS])
AHEAD = (1, 3, 6, 9)


def load(folder: Path, every: int, country: str | None) -> list[tuple[str, str, pd.Series]]:
    """Return (country, crop, prices) of every nth series; a unit of unknown weight keeps its own price."""
    table = pd.read_csv(folder / "prices_dev.csv")
    table["value"] = table["price_per_kg"].fillna(table["price"])
    found = []
    for number, (_, rows) in enumerate(table.groupby("series_id")):
        if number % every or (country and rows["country"].iloc[0] != country):
            continue
        series = pd.Series(rows["value"].to_numpy(), index=pd.PeriodIndex(rows["date"], freq="M")).sort_index()
        found.append((rows["country"].iloc[0], rows["crop"].iloc[0], mend_slips(series)[0]))
    return found


def loss(quantiles: np.ndarray, truth: float) -> float:
    """Return the mean quantile loss of log price."""
    error = truth - quantiles
    return float(np.maximum(LEVELS * error, (LEVELS - 1) * error).mean())


def forecast_errors(series: pd.Series, harvests: pd.PeriodIndex) -> list[dict[str, float]]:
    """Return coverage and quantile losses of our forecast and of both references at each harvest."""
    rows = []
    for origin in harvests:
        known = np.log(series[:origin])
        paths = np.log(fit_season(series[:origin]).sample_paths(max(AHEAD), 2000, 3))
        monthly = known.reindex(pd.period_range(known.index[0], origin, freq="M"))
        walk = float(monthly.diff().std())
        yearly = float((monthly - monthly.shift(12)).std())
        for ahead in AHEAD:
            if origin + ahead not in series.index:
                continue
            truth = float(np.log(series[origin + ahead]))
            ours = np.quantile(paths[:, ahead], LEVELS)
            last_year = monthly.get(origin + ahead - 12, np.nan)
            last_year = known.iloc[-1] if np.isnan(last_year) else last_year
            rows.append(
                {
                    "ahead": ahead,
                    "inside": ours[0] <= truth <= ours[-1],
                    "ours": loss(ours, truth),
                    "random walk": loss(known.iloc[-1] + NORMAL * walk * np.sqrt(ahead), truth),
                    "last year": loss(last_year + NORMAL * yearly, truth),
                }
            )
    return rows


def summary(table: pd.DataFrame) -> pd.Series:
    """Return the figures that the bars are about."""
    return pd.Series(
        {
            "years": len(table),
            "plan gain %": 100 * (table[PLAN].mean() - 1),
            "foresight gain %": 100 * (table[FORESIGHT].mean() - 1),
            "captured": (table[PLAN].mean() - 1) / (table[FORESIGHT].mean() - 1),
            "years lost": (table[PLAN] < 1 - 1e-12).mean(),
            "wait 5 gain %": 100 * (table["wait 5 months"].mean() - 1),
            "wait 5 lost": (table["wait 5 months"] < 1).mean(),
        }
    )


def main() -> None:
    """Print the bars."""
    default = Path(__file__).resolve().parents[3] / "shared" / "data"
    folder = Path(os.environ.get("DRYHOLD_OPEN_DATA", default))
    if not (folder / "prices_dev.csv").exists():
        print("open price data are not on this machine: skipped")
        return
    every = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    country = sys.argv[2] if len(sys.argv) > 2 else None
    start = time.process_time()
    years, errors = [], []
    for place, crop, series in load(folder, every, country):
        try:
            report = hindcast(series, 0.01, 0.02, 11, least_history=60)
        except PriceDataError:
            continue
        years.append(report.years.assign(country=place, crop=crop))
        errors += [row | {"country": place} for row in forecast_errors(series, pd.PeriodIndex(report.years.index))]
    table, misses = pd.concat(years), pd.DataFrame(errors)
    print(f"{len(years)} series, {len(table)} harvests, {time.process_time() - start:.0f} s of processor time")
    print("Bars: captured >= 0.25, years lost <= 0.20, inside 0.74-0.86, ours below both references")
    print(summary(table).round(3).to_string())
    print(misses.groupby("ahead")[["inside", "ours", "random walk", "last year"]].mean().round(4).to_string())
    print(pd.DataFrame({place: summary(rows) for place, rows in table.groupby("country")}).T.round(3).to_string())
    print("by crop")
    print(pd.DataFrame({crop: summary(rows) for crop, rows in table.groupby("crop")}).T.round(3).to_string())
    print("without one country")
    left = {
        place: summary(table[table["country"] != place])
        for place in table["country"].unique()
        if table["country"].nunique() > 1
    }
    print(pd.DataFrame(left).T.round(3).to_string())


if __name__ == "__main__":
    main()
