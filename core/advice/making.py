"""The group's plan made: seasons, the search, whether borrowing on stored grain is advised, its worth on fresh ones."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import pandas as pd

from core.planning.case import PlanningCase
from core.planning.case_from_records import BuiltCase, build_case
from core.planning.credit import credit_terms
from core.planning.group_seasons import group_seasons, runs_key
from core.planning.outlook import Outlook, build_outlook
from core.planning.plan_tables import plan_deductions
from core.planning.rolling import kept_bags, last_kept
from core.planning.sale import plan_sale
from core.planning.sale_plan import SalePlan
from core.planning.seasons import Seasons
from core.planning.simple_rules import RULES, rule_allocation
from core.planning.worth import Worth, complete, evaluate

FRESH_SEED = 90_210
SEARCH_GAP = 0.003

Tell = Callable[[str, float, float], bool]
"""Told words (a template that may hold {detail}), the share done (0-1) and a figure; True = stop the search."""

Keep = Callable[[Hashable, Callable[[], Any]], Any]
"""Returns what is kept under a key, made where it is not."""

READING = "Reading lots, prices and wishes …"
DRAWING = "Drying and storing every lot in hundreds of possible seasons …"
SEARCHING = "Looking for the best plan: none can be more than {detail} better than what is found …"
PLACING = "Placing bags one by one …"
COMPARING = "Comparing the plan with simple rules on fresh seasons …"


@dataclass(frozen=True)
class Choices:
    """What a person decides beside the records; None = as the settings say.

    Parameters
    ----------
    risk_weight : float or None
        What the group would give up in an average year for one more in a bad year.
    interest : float or None
        Interest a month, fraction.
    advances : bool
        Whether the group lends members what their own later sales bring.
    credit : bool
        Whether money may be borrowed on stored grain.
    """

    weeks: int | None = None
    risk_weight: float | None = None
    interest: float | None = None
    advances: bool = True
    credit: bool = False

    def beside(self, facts: Mapping[str, Any]) -> Choices:
        """Return the choices without those that only repeat a group's settings.

        So a form that shows the settings asks for the same situation, worked out once, as a page that asks nothing.
        """
        standing = {"weeks": "plan.weeks", "risk_weight": "plan.risk_weight", "interest": "interest_monthly"}
        same: dict[str, Any] = {
            name: None
            for name, key in standing.items()
            if getattr(self, name) is not None and abs(getattr(self, name) - float(facts[key].value)) < 5e-5
        }
        return replace(self, **same)


@dataclass(frozen=True)
class MadePlan:
    """A plan with the seasons that it was made on, and its worth and that of simple rules on fresh ones.

    Parameters
    ----------
    built : BuiltCase
        The case, and what could not be taken in.
    fresh : dict
        Worth by name on the fresh seasons, "plan" first, then the rules.
    net : Series
        From gross to net on the fresh seasons, money; its last entry is the plan's one net value.
    without : SalePlan or None
        The best plan that borrows nothing, where borrowing was asked for.
    loan_gain : float or None
        What borrowing would gain where it is too little to advise it, money.
    """

    built: BuiltCase
    outlook: Outlook
    plan: SalePlan
    fresh: dict[str, Worth]
    net: pd.Series
    without: SalePlan | None = None
    loan_gain: float | None = None


@dataclass(frozen=True)
class Scenes:
    """A case as its records give it, with two outlooks (to plan on, and fresh): no choice about money changes them."""

    built: BuiltCase
    outlook: Outlook
    fresh: Any


def silent(_words: str, _share: float, _detail: float) -> bool:
    """Tell nobody, and go on."""
    return False


def draw_scenes(
    store: Any, group_id: int, today: date, weeks: int | None, tell: Tell = silent, keep: Keep | None = None
) -> Scenes:
    """Return the case of a group's records with its seasons.

    Parameters
    ----------
    keep : callable, optional
        Keeps the runs of drying and storing, which an entry about money, a buyer or a wish does not change.
    """
    tell(READING, 0.05, 0.0)
    built = build_case(store, group_id, today, **({} if weeks is None else {"weeks": weeks}))
    tell(DRAWING, 0.2, 0.0)
    case = built.case

    def seasons(seed: int) -> Seasons:
        made = None if keep is None else keep((f"runs {seed}", runs_key(case, seed, built.data)), dict)
        return group_seasons(case, seed, built.data, made)

    return Scenes(built, build_outlook(case, case.seed, seasons(case.seed)), seasons(FRESH_SEED))


def _with_choices(case: PlanningCase, choices: Choices) -> PlanningCase:
    """Return the case with what a person decided."""
    changes: dict[str, Any] = {"advances": choices.advances}
    if choices.risk_weight is not None:
        changes["risk_weight"] = choices.risk_weight
    if choices.interest is not None:
        changes["interest_monthly"] = choices.interest
    return case.with_changes(**changes)


def make_plan(store: Any, scenes: Scenes, group_id: int, choices: Choices, tell: Tell = silent) -> MadePlan:
    """Return the best plan under a person's choices.

    Parameters
    ----------
    store : Store
        The records (terms of a loan, the gain from which advice is changed).
    tell : callable
        Told how far the work is; its answer True ends the search.
    """
    case = _with_choices(scenes.built.case, choices)
    # the reserves' value is brought to today at the interest of the case: only then are the options built again
    outlook = (
        replace(scenes.outlook, case=case)
        if case.interest_monthly == scenes.built.case.interest_monthly
        else build_outlook(case, case.seed, scenes.outlook.seasons)
    )

    def watch(_method: str, gap: float) -> bool:
        return tell(SEARCHING, 0.6, gap) if gap < 1.0 else tell(PLACING, 0.5, 0.0)

    tell(PLACING, 0.5, 0.0)
    if not choices.credit:
        # a lot does otherwise than in the plan that the group keeps only where that pays
        last = last_kept(store, group_id)
        kept = None if last is None else kept_bags(outlook, last.lines)
        least = float(store.fact(group_id, "plan.keep_below_gain").value)
        plan = plan_sale(case, outlook, mip_gap=SEARCH_GAP, watch=watch, kept=kept, change_price=least)
        return _finished(scenes, outlook, plan, tell)
    bare = plan_sale(case, outlook, mip_gap=SEARCH_GAP, watch=watch)
    with_terms = case.with_changes(credit=credit_terms(store.facts(group_id)))
    open_outlook = replace(outlook, case=with_terms)
    begun = complete(open_outlook, bare.allocation.lot, bare.allocation.option, bare.allocation.bags)
    plan = plan_sale(with_terms, open_outlook, mip_gap=SEARCH_GAP, start=begun, watch=watch)
    # what was found with loans serves without them too: only what the loans themselves bring counts as their gain
    bags = complete(outlook, plan.allocation.lot, plan.allocation.option, plan.allocation.bags)
    bare = plan_sale(case, outlook, 0.0, SEARCH_GAP, bags) if not bare.unmet else bare
    least = float(store.fact(group_id, "plan.keep_below_gain").value)
    gained = plan.objective - bare.objective
    if not bare.unmet and gained < least * abs(bare.objective):
        made = _finished(scenes, outlook, bare, tell)
        return replace(made, without=bare, loan_gain=max(0.0, gained / (1.0 + case.risk_weight)))
    return replace(_finished(scenes, open_outlook, plan, tell), without=bare)


def _finished(scenes: Scenes, outlook: Outlook, plan: SalePlan, tell: Tell) -> MadePlan:
    """Return a plan with its worth, and that of the simple rules, on the fresh seasons."""
    tell(COMPARING, 0.95, 0.0)
    case = outlook.case
    fresh = build_outlook(case, FRESH_SEED, scenes.fresh, like=outlook)
    worths = {"plan": evaluate(fresh, plan.allocation)}
    for rule in RULES:
        worths[rule] = evaluate(fresh, rule_allocation(outlook, rule))
    net = plan_deductions(fresh, plan.allocation)
    return MadePlan(replace(scenes.built, case=case), outlook, plan, worths, net)
