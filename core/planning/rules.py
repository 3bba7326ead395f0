"""The plan held against simple rules, on scenarios that it has not seen."""

from __future__ import annotations

import pandas as pd

from core.given import check_kind
from core.planning.case import PlanningCase
from core.planning.invented_seasons import invented_seasons
from core.planning.outlook import Outlook, build_outlook
from core.planning.sale_plan import SalePlan
from core.planning.simple_rules import RULES, rule_allocation
from core.planning.worth import Worth, evaluate


def compare_with_rules(case: PlanningCase, plan: SalePlan, seed: int) -> pd.DataFrame:
    """Hold the plan against simple rules on FRESH scenarios (the ones it was made on would flatter it).

    Parameters
    ----------
    case : PlanningCase
        The case that was planned.
    seed : int
        Seed of the fresh scenarios.

    Returns
    -------
    pd.DataFrame
        Indexed "plan" and by rule: mean, worst_tenth_mean [money today], chance_below_selling_now (fraction of
        scenarios), cash_needs_missed (mean number of need dates not covered by sales).
    """
    check_kind("case", case, PlanningCase)
    check_kind("plan", plan, SalePlan)
    worths = fresh_worths(case, plan, seed)
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


def fresh_worths(case: PlanningCase, plan: SalePlan, seed: int, outlook: Outlook | None = None) -> dict[str, Worth]:
    """Return what the plan and every rule bring on fresh invented seasons, by name ("plan" first).

    The `outlook` on which the plan was made is built again if left out.
    """
    decided = outlook if outlook is not None else build_outlook(case, seasons=invented_seasons(case, case.seed))
    fresh = build_outlook(case, seed, invented_seasons(case, seed), like=decided)
    worths = {"plan": evaluate(fresh, plan.allocation)}
    for rule in RULES:
        worths[rule] = evaluate(fresh, rule_allocation(decided, rule))
    return worths
