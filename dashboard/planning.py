"""Plans kept ready for pages: computed once for each state of the records and each choice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import streamlit as st

from core.planning.allocation import Worth
from core.planning.outlook import Outlook, build_outlook
from core.planning.physics import Physics
from core.planning.records import BuiltCase, build_case
from core.planning.rolling import KeptPlan
from core.planning.rooms import room_physics
from core.planning.rules import fresh_worths
from core.planning.sale import SalePlan, plan_sale
from dashboard import state

FRESH_SEED = 90_210
SOLVER_SECONDS = 5.0


@dataclass(frozen=True)
class Choices:
    """What a person decides: horizon [weeks], weight of bad years, interest a month [fraction]; None = as the settings say."""

    weeks: int | None = None
    risk_weight: float | None = None
    interest: float | None = None


@dataclass(frozen=True)
class MadePlan:
    """A plan with its outlook and the values of plan and rules on fresh scenarios."""

    built: BuiltCase
    outlook: Outlook
    plan: SalePlan
    fresh: dict[str, Worth]


@st.cache_resource(max_entries=4, show_spinner=False)
def _scenarios(
    database: str, group_id: int, version: int, today: date, weeks: int | None
) -> tuple[BuiltCase, Physics, Physics]:
    """Return the case and its two sets of scenarios (to plan on, and fresh), which no choice about money changes."""
    del database, version
    changes = {} if weeks is None else {"weeks": weeks}
    built = build_case(state.store(), group_id, today, **changes)
    return (
        built,
        room_physics(built.case, built.case.seed, built.data),
        room_physics(built.case, FRESH_SEED, built.data),
    )


@st.cache_resource(max_entries=8, show_spinner=False)
def _made(database: str, group_id: int, version: int, today: date, choices: Choices) -> MadePlan:
    built, physics, fresh_physics = _scenarios(database, group_id, version, today, choices.weeks)
    changes: dict[str, Any] = {}
    if choices.risk_weight is not None:
        changes["risk_weight"] = choices.risk_weight
    if choices.interest is not None:
        changes["interest_monthly"] = choices.interest
    case = built.case.with_changes(**changes) if changes else built.case
    outlook = build_outlook(case, case.seed, physics)
    plan = plan_sale(case, outlook, time_limit=SOLVER_SECONDS)
    fresh = fresh_worths(case, plan, FRESH_SEED, outlook, lambda _case, _seed: fresh_physics)
    return MadePlan(replace(built, case=case), outlook, plan, fresh)


def made_plan(group_id: int, choices: Choices) -> MadePlan:
    """Return the plan for the present records and choices, computed only where it is not kept.

    Raises
    ------
    PlanError
        Where there is nothing to plan.
    """
    store = state.store()
    return _made(str(store.engine.url), group_id, store.version(group_id), state.today(), choices)


def chosen() -> Choices:
    """Return the choices made on the plan's page in this session."""
    kept = st.session_state.get("plan_choices")
    return kept if isinstance(kept, Choices) else Choices()


def last_plan(group_id: int) -> KeptPlan | None:
    """Return the last plan that the group kept."""
    from core.planning.rolling import last_kept

    return last_kept(state.store(), group_id)
