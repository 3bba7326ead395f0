"""Plans kept ready for pages: worked out beside the page, once for each state of the records and each choice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import pandas as pd
import streamlit as st

from core.planning.allocation import Allocation
from core.planning.case import PlanningCase
from core.planning.case_from_records import BuiltCase, build_case
from core.planning.credit import credit_terms
from core.planning.group_seasons import group_seasons
from core.planning.outlook import Outlook, build_outlook
from core.planning.rolling import KeptPlan
from core.planning.rules import fresh_worths
from core.planning.sale import plan_sale
from core.planning.sale_plan import SalePlan
from core.planning.seasons import Seasons
from core.planning.why import joint_against_alone, value_of_more
from core.planning.worth import Worth, complete
from dashboard import state
from dashboard.background import Desk, Job, desk, wait_for

FRESH_SEED = 90_210
QUICK_SECONDS, QUICK_GAP = 1.0, 0.01
SOLVER_SECONDS, SOLVER_GAP = 6.0, 0.003


@dataclass(frozen=True)
class Choices:
    """What a person decides: horizon [weeks], weight of bad years, interest a month [fraction].

    None = as the settings say.

    `advances`: the group lends members what their own later sales will bring; `credit`: money may be borrowed on
    stored grain.
    """

    weeks: int | None = None
    risk_weight: float | None = None
    interest: float | None = None
    advances: bool = True
    credit: bool = False


@dataclass(frozen=True)
class MadePlan:
    """A plan with its outlook and the values of plan and rules on fresh scenarios.

    `without` is the best plan that borrows nothing on grain.

    `loan_gain` is what loans on grain would gain where it is too little to advise them [money].
    """

    built: BuiltCase
    outlook: Outlook
    plan: SalePlan
    fresh: dict[str, Worth]
    without: SalePlan | None = None
    loan_gain: float | None = None


@dataclass(frozen=True)
class _Scenes:
    """A case as its records give it, with two sets of scenarios (to plan on, and fresh) and its outlook: no choice about money changes them."""

    built: BuiltCase
    fresh: Seasons
    outlook: Outlook


def _scenes(job: Job, store: Any, group_id: int, today: date, weeks: int | None) -> _Scenes:
    """Return the scenarios of a group's records."""
    job.say("Reading lots, prices and wishes …", 0.05)
    built = build_case(store, group_id, today, **({} if weeks is None else {"weeks": weeks}))
    job.say("Drawing weather, pests and prices …", 0.15)
    seasons = group_seasons(built.case, built.case.seed, built.data)
    job.say("Drying and storing every lot in hundreds of possible seasons …", 0.25)
    return _Scenes(
        built, group_seasons(built.case, FRESH_SEED, built.data), build_outlook(built.case, built.case.seed, seasons)
    )


def _with_choices(case: PlanningCase, choices: Choices) -> PlanningCase:
    """Return the case with what a person decided."""
    changes: dict[str, Any] = {"advances": choices.advances}
    if choices.risk_weight is not None:
        changes["risk_weight"] = choices.risk_weight
    if choices.interest is not None:
        changes["interest_monthly"] = choices.interest
    return case.with_changes(**changes)


def _plan(
    job: Job, kept: Desk, records: tuple[Any, ...], store: Any, group_id: int, today: date, choices: Choices
) -> MadePlan:
    """Return the plan, having shown first a plan by simple placing and then one found in a second."""
    scenes: _Scenes = kept.keep(
        ("scenes", *records, choices.weeks), lambda: _scenes(job, store, group_id, today, choices.weeks)
    )
    case = _with_choices(scenes.built.case, choices)
    # the reserves' value is brought to today at the interest of the case: only then are the options built again
    outlook = (
        replace(scenes.outlook, case=case)
        if case.interest_monthly == scenes.built.case.interest_monthly
        else build_outlook(case, case.seed, scenes.outlook.seasons)
    )
    words = "Looking for the best plan: none can be more than {detail} better than what is found …"

    def watch(_method: str, gap: float) -> bool:
        job.step, job.detail = (words, gap) if gap < 1.0 else ("Placing bags one by one …", 0.0)
        job.share = max(job.share, 0.6)
        return job.stop()

    def shown(plan: SalePlan) -> MadePlan:
        fresh = fresh_worths(case, plan, FRESH_SEED, outlook, lambda _case, _seed: scenes.fresh)
        return MadePlan(replace(scenes.built, case=case), outlook, plan, fresh, without)

    job.share = 0.5
    without = None
    if choices.credit:
        bare, bare_outlook = case, outlook
        case = bare.with_changes(credit=credit_terms(store.facts(group_id)))
        without = plan_sale(bare, bare_outlook, QUICK_SECONDS, SOLVER_GAP, None, watch)
        outlook = replace(outlook, case=case)
    last: Allocation | None = kept.kept.get(("last", *records, choices.weeks))
    last = without.allocation if without is not None else last
    begun = None if last is None else complete(outlook, last.lot, last.option, last.bags)
    plan = plan_sale(case, outlook, QUICK_SECONDS, QUICK_GAP, begun, watch)
    if plan.gap > SOLVER_GAP and not job.stop():
        job.show(shown(plan))
        job.share = 0.8
        plan = plan_sale(case, outlook, SOLVER_SECONDS, SOLVER_GAP, plan.allocation, watch)
    if without is not None:
        # what was found with loans serves without them too: only what the loans themselves bring is to count as their
        # gain
        bags = complete(bare_outlook, plan.allocation.lot, plan.allocation.option, plan.allocation.bags)
        without = plan_sale(bare, bare_outlook, 0.0, SOLVER_GAP, bags) if not without.unmet else without
        least = float(store.fact(group_id, "plan.keep_below_gain").value)
        if not without.unmet and plan.objective - without.objective < least * abs(without.objective):
            case = case.with_changes(credit=None)
            gained = (plan.objective - without.objective) / (1.0 + case.risk_weight)
            plan, outlook = without, bare_outlook
            return replace(shown(plan), loan_gain=max(0.0, gained))
    kept.put(("last", *records, choices.weeks), plan.allocation, 12)
    job.step, job.share = "Holding the plan against simple rules on fresh seasons …", 0.95
    return shown(plan)


def _records(group_id: int) -> tuple[Any, ...]:
    store = state.store()
    return str(store.engine.url), group_id, store.version(group_id), state.today()


def made_plan(group_id: int, choices: Choices) -> MadePlan | None:
    """Return the plan for the present records and choices, the best so far.

    None while there is none yet (the page shows how far it is).

    Raises
    ------
    PlanError
        Where there is nothing to plan.
    """
    store, today, records, kept = state.store(), state.today(), _records(group_id), desk()
    made: MadePlan | None = wait_for(
        ("plan", *records, choices), lambda job: _plan(job, kept, records, store, group_id, today, choices), "plan_work"
    )
    return made


def made_worths(group_id: int, choices: Choices, made: MadePlan) -> pd.DataFrame | None:
    """Return what one more of each limit would be worth, None while it is being worked out."""

    def work(job: Job) -> pd.DataFrame:
        def heard(done: float) -> bool:
            job.step, job.share = "Planning again with one limit moved at a time …", done
            return job.stop()

        return value_of_more(made.outlook, made.plan, watch=heard)

    key = ("worths", *_records(group_id), choices, round(made.plan.objective, 4))
    found: pd.DataFrame | None = wait_for(key, work, "plan_more_work")
    return found


def made_alone(group_id: int, choices: Choices, made: MadePlan) -> pd.DataFrame | None:
    """Return how members fare together and alone, None while it is being worked out."""

    def work(job: Job) -> pd.DataFrame:
        job.step, job.share = "Planning for each member alone …", 0.3
        return joint_against_alone(made.outlook, made.plan)

    key = ("alone", *_records(group_id), choices, round(made.plan.objective, 4))
    found: pd.DataFrame | None = wait_for(key, work, "plan_alone_work")
    return found


def chosen() -> Choices:
    """Return the choices made on the plan's page in this session."""
    kept = st.session_state.get("plan_choices")
    return kept if isinstance(kept, Choices) else Choices()


def last_plan(group_id: int) -> KeptPlan | None:
    """Return the last plan that the group kept."""
    from core.planning.rolling import last_kept

    return last_kept(state.store(), group_id)
