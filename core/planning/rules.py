"""The plan held against simple rules, on scenarios that it has not seen."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from core.planning.case import PlanningCase
from core.planning.invented_seasons import invented_seasons
from core.planning.outlook import Outlook, build_outlook
from core.planning.sale_plan import SalePlan
from core.planning.seasons import Seasons
from core.planning.simple_rules import RULES, rule_allocation
from core.planning.worth import Worth, evaluate


def compare_with_rules(
    case: PlanningCase,
    plan: SalePlan,
    seed: int,
    outlook: Outlook | None = None,
    make_seasons: Callable[[PlanningCase, int], Seasons] | None = None,
) -> pd.DataFrame:
    """Hold the plan against simple rules on FRESH scenarios (the ones it was made on would flatter it).

    Parameters
    ----------
    case : PlanningCase
        The case that was planned.
    seed : int
        Seed of the fresh scenarios.
    outlook : Outlook, optional
        The outlook on which the plan was made (built again if left out).
    make_seasons : callable, optional
        (case, seed) -> Seasons from the records; the invented seasons if left out.

    Returns
    -------
    pd.DataFrame
        Indexed "plan" and by rule: mean, worst_tenth_mean [money today], chance_below_selling_now (fraction of
        scenarios), cash_needs_missed (mean number of need dates not covered by sales).
    """
    worths = fresh_worths(case, plan, seed, outlook, make_seasons)
    now = worths["sell all now wet"].value
    rows = {
        name: {
            "mean": worth.mean,
            "worst_tenth_mean": worth.worst_tenth_mean,
            "chance_below_selling_now": float((worth.value < now - 1e-9).mean()),
            "cash_needs_missed": float((worth.missed > 0.005).sum(axis=0).mean()) if worth.missed.size else 0.0,
        }
        for name, worth in worths.items()
    }
    return pd.DataFrame.from_dict(rows, orient="index")


def fresh_worths(
    case: PlanningCase,
    plan: SalePlan,
    seed: int,
    outlook: Outlook | None = None,
    make_seasons: Callable[[PlanningCase, int], Seasons] | None = None,
) -> dict[str, Worth]:
    """Return what the plan and every rule bring on fresh scenarios, by name ("plan" first)."""
    maker = make_seasons or invented_seasons
    decided = outlook if outlook is not None else build_outlook(case, seasons=maker(case, case.seed))
    fresh = build_outlook(case, seed, maker(case, seed), like=decided)
    worths = {"plan": evaluate(fresh, plan.allocation)}
    for rule in RULES:
        worths[rule] = evaluate(fresh, rule_allocation(decided, rule))
    return worths
