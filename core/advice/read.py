"""A group's records read once: lots, weather, prices, plan, schedule, actions, what is assumed."""

from __future__ import annotations

import copy
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from typing import Any, Self
from zoneinfo import ZoneInfo

import pandas as pd

from core.advice.lot_outlooks import (
    DryingNow,
    KeepingNow,
    climate_said,
    drying_now,
    drying_weather,
    from_hour,
    keeping_now,
    keeping_settings,
    measured_lots,
    store_climates,
    urgent_first,
    usual_setup,
)
from core.advice.making import Choices, Keep, MadePlan, Tell, draw_scenes, make_plan, silent
from core.advice.origins import assumed_now, lots_at_risk, prices_now, weather_now
from core.advice.parts import Assumed, AtRisk, LotNow, PriceNow, WeatherNow
from core.advice.season import (
    Headline,
    MemberPart,
    MoneyLine,
    SeasonRow,
    headline,
    member_parts,
    money_lines,
    season_rows,
)
from core.drying.advice import DayHours, day_hours
from core.drying.setups import DryingSetup
from core.drying.weather import MendedWeather
from core.errors import NoPlaceError
from core.grain.mass import tenth_below
from core.group.lot_state import LotState, current_lot_states, judging_rules
from core.group.possessions import DryingSpace, possessions
from core.group.records import Group
from core.group.sampling import WET
from core.messages import Message
from core.planning.case import DryingChoice, StorageChoice
from core.planning.case_from_records import place_of
from core.planning.rolling import (
    KeptPlan,
    NextAction,
    PlanChange,
    Purchase,
    compare_plans,
    last_kept,
    next_actions,
    purchases,
)
from core.planning.sale_plan import SalePlan
from core.planning.schedule import Load
from core.planning.store_outlook import StoredLot
from core.planning.why import PartReason, part_reasons


@dataclass(frozen=True, eq=False)
class Reading:
    """What a group has, knows and plans at one moment; each part is worked out when it is first asked for.

    Parameters
    ----------
    keep : callable or None
        Keeps seasons that several choices share, and runs that several records do (see `making.Keep`).
    """

    store: Any
    group_id: int
    now: datetime
    choices: Choices = field(default_factory=Choices)
    tell: Tell = silent
    keep: Keep | None = None

    @cached_property
    def group(self) -> Group:
        """The group's record."""
        found: Group = self.store.group(self.group_id)
        return found

    @cached_property
    def today(self) -> date:
        """Today's date where the group lives."""
        return self.now.astimezone(ZoneInfo(self.group.time_zone or "UTC")).date()

    @cached_property
    def lots(self) -> tuple[LotNow, ...]:
        """The lots that are not sold or used."""
        members = {member.id: member.name for member in self.store.members(self.group_id)}
        return tuple(
            LotNow(
                item.lot.id,
                item.lot.label,
                members.get(item.lot.owner_id or 0, ""),
                item.lot.commodity,
                item.bags,
                item.mass_now_kg,
                item.decision,
                item.moisture.mean_pct if item.moisture is not None else None,
                item.limit.moisture_pct,
                item,
            )
            for item in current_lot_states(self.store, self.group_id, self.now)
            if item.bags > 0
        )

    @cached_property
    def judged_at(self) -> Mapping[str, float]:
        """The price a kg by crop at which the lots' verdicts weigh a mistake."""
        return judging_rules(self.store, self.group_id).prices

    @cached_property
    def weather(self) -> WeatherNow:
        """The weather that the answers rest on, with its origin."""
        return weather_now(self.store, self.group_id, self.now)

    @cached_property
    def drying_weather(self) -> MendedWeather:
        """The weathers in which the plan of today dries."""
        return drying_weather(self.store, self.group_id, self.today)

    @cached_property
    def _worked_out(self) -> dict[Hashable, Any]:
        """What was worked out for a lot."""
        return {}

    def _once(self, key: Hashable, make: Callable[[], Any]) -> Any:
        if key not in self._worked_out:
            self._worked_out[key] = make()
        return self._worked_out[key]

    def lot(self, lot_id: int) -> LotNow:
        """Return a lot of `lots`."""
        return next(one for one in self.lots if one.id == lot_id)

    def usual_drying(self, lot_id: int, space: DryingSpace) -> tuple[DryingSetup, float | None, float]:
        """Return how a lot is dried on a space, its moisture now (None: unknown) and the one aimed at [% w.b.]."""
        lot = self.lot(lot_id)
        known = lot.state.lot.weighed_moisture_pct if lot.moisture_pct is None else lot.moisture_pct
        setup = usual_setup(self.store, self.group_id, lot.state, space)
        return setup, None if known is None else round(float(known), 1), tenth_below(lot.limit_pct)

    def drying(
        self,
        lot_id: int,
        space: DryingSpace,
        at: datetime | None = None,
        other: tuple[DryingSetup, float, float] | None = None,
    ) -> DryingNow | None:
        """Return a lot's drying on a space, in the plan's weathers and at the rate that the plan believes in.

        Parameters
        ----------
        at : datetime, optional
            From which hour of today on; None = the whole day, as the plan.
        other : tuple, optional
            Set-up, moisture and target of a what-if, instead of `usual_drying`.

        Returns
        -------
        DryingNow or None
            None where nobody knows the lot's moisture.
        """
        setup, moisture, target = other or self.usual_drying(lot_id, space)
        if moisture is None:
            return None
        hour = None if at is None else at.replace(minute=0, second=0, microsecond=0)
        frames = self.drying_weather.frames

        def work() -> DryingNow:
            left = frames if hour is None else from_hour(frames, hour)
            return drying_now(self.store, self.group_id, self.lot(lot_id).state, setup, left, moisture, target)

        found: DryingNow = self._once(("drying", lot_id, setup, moisture, target, hour), work)
        return found

    def drying_hours(self, lot_id: int, chosen: tuple[DryingSetup, float, float], at: datetime) -> list[DayHours]:
        """Return the hours to spread, turn and cover a lot in, from an hour of today on.

        Parameters
        ----------
        chosen : tuple
            Set-up, moisture now and target [% w.b.].
        """
        hour = at.replace(minute=0, second=0, microsecond=0)
        setup, moisture, target = chosen

        def work() -> list[DayHours]:
            frames = from_hour(self.drying_weather.frames, hour)
            return day_hours(self.lot(lot_id).state.lot.commodity, moisture, frames, setup, target)

        found: list[DayHours] = self._once(("drying hours", lot_id, *chosen, hour), work)
        return found

    @cached_property
    def climates(self) -> list[pd.DataFrame]:
        """The weathers that stored grain meets, by day."""
        return store_climates(self.store, self.group_id, self.today)

    @cached_property
    def climate_said(self) -> Message:
        """What they were drawn from, in words."""
        return climate_said(self.store, self.group_id, self.now)

    @cached_property
    def measured(self) -> tuple[tuple[LotState, StoredLot | None], ...]:
        """The open lots as storage knows them; None where one was never tested."""
        return measured_lots(self.store, self.group_id, self.now, self.today)

    def keeping(self, lot: StoredLot) -> KeepingNow:
        """Return how long a lot keeps: one of `measured`, or one that a person describes."""
        states = {one.lot.id: one for one, stored in self.measured if stored == lot}

        def work() -> KeepingNow:
            settings = keeping_settings(self.store, self.group_id, [one for one, _stored in self.measured])
            return keeping_now(self.store, self.group_id, states.get(lot.lot_id), lot, self.climates, settings)

        found: KeepingNow = self._once(("keeping", lot), work)
        return found

    @cached_property
    def in_store(self) -> tuple[list[KeepingNow], list[tuple[StoredLot, Message]]]:
        """The tested lots in store, the most urgent first, and those that cannot be judged, with why."""
        return urgent_first([self.keeping(lot) for _one, lot in self.measured if lot is not None and lot.method])

    @cached_property
    def prices(self) -> tuple[PriceNow, ...]:
        """Each crop's price today, and whether its past supports waiting."""
        crops = sorted({lot.crop for lot in self.lots})
        return prices_now(self.store, self.group_id, crops, self.today)

    @cached_property
    def made(self) -> MadePlan:
        """The plan with its seasons, its worth and that of simple rules."""

        def scenes() -> Any:
            return draw_scenes(self.store, self.group_id, self.today, self.choices.weeks, self.tell, self.keep)

        key = ("scenes", *content_key(self.store, self.group_id, self.now), self.choices.weeks)
        drawn = scenes() if self.keep is None else self.keep(key, scenes)
        return make_plan(self.store, drawn, self.group_id, self.choices, self.tell)

    @property
    def is_planned(self) -> bool:
        """Whether the plan has been made: until then nothing that needs it is asked for by a page."""
        return "made" in self.__dict__

    @property
    def plan(self) -> SalePlan:
        """The sale plan."""
        return self.made.plan

    @cached_property
    def spaces(self) -> tuple[DryingChoice, ...]:
        """The drying spaces that the plan uses."""
        return self.made.built.case.drying

    @cached_property
    def stores(self) -> tuple[StorageChoice, ...]:
        """The ways to store that the plan uses."""
        return self.made.built.case.storage

    @cached_property
    def schedule(self) -> tuple[Load, ...]:
        """Drying by day: which bags lie on which space."""
        return self.plan.schedule

    @cached_property
    def purchases(self) -> tuple[Purchase, ...]:
        """What to buy and to book, with the last day to order it."""
        return tuple(purchases(self.plan))

    @cached_property
    def actions(self) -> tuple[NextAction, ...]:
        """What is to be done, in the order of dates."""
        return tuple(next_actions(self.plan, self.today))

    @cached_property
    def reasons(self) -> tuple[PartReason, ...]:
        """Why each part of a lot is planned as it is, in the order of the plan's merged lines."""
        return tuple(part_reasons(self.made.outlook, self.plan))

    @cached_property
    def season(self) -> tuple[SeasonRow, ...]:
        """The season as a calendar, one row a lot."""
        return season_rows(self.plan, self.schedule)

    @cached_property
    def headline(self) -> Headline:
        """The plan in numbers that add up."""
        worth = self.made.fresh
        here, now = worth["plan"].value.tolist(), worth["sell all now wet"].value.tolist()
        return headline(self.plan, self.season, self.today, here, now)

    @cached_property
    def money(self) -> tuple[MoneyLine, ...]:
        """The plan's money by date."""
        return money_lines(self.plan, self.purchases, self.today)

    @cached_property
    def members(self) -> tuple[MemberPart, ...]:
        """What concerns each member."""
        return member_parts(self.plan, self.season, self.reasons)

    @cached_property
    def at_risk(self) -> tuple[AtRisk, ...]:
        """The lots that are not safely dry, with what to do about them; needs no plan."""
        return lots_at_risk(self.lots)

    @cached_property
    def left_wet(self) -> tuple[AtRisk, ...]:
        """The lots known to be too wet of which the plan dries no bag."""
        dried = {load.lot for load in self.schedule}
        return tuple(item for item in self.at_risk if item.verdict == WET and item.lot not in dried)

    @cached_property
    def change(self) -> PlanChange | None:
        """How the plan differs from the last one that was kept, None where none was."""
        if self.last_kept is None:
            return None
        least = float(self.store.fact(self.group_id, "plan.keep_below_gain").value)
        return compare_plans(self.last_kept, self.plan, self.made.outlook, least)

    @cached_property
    def last_kept(self) -> KeptPlan | None:
        """The last plan that the group kept, None where there is none."""
        return last_kept(self.store, self.group_id)

    @cached_property
    def assumed(self) -> tuple[Assumed, ...]:
        """What was not entered, the important things first."""
        listed = "spaces" not in possessions(self.store, self.group_id).assumed
        return assumed_now(self.store, self.group_id, self.weather, self.prices, self.today, listed)

    def told_by(self, tell: Tell) -> Self:
        """Return a copy, with the parts worked out so far, that tells another how far the plan is."""
        other = copy.copy(self)
        object.__setattr__(other, "tell", tell)
        return other


def content_key(store: Any, group_id: int, now: datetime) -> tuple[Hashable, ...]:
    """Return what a situation depends on: the records' version, the stored weather, and the day."""
    group = store.group(group_id)
    try:
        place = place_of(group).key
    except NoPlaceError:
        place = ""
    kinds = ("forecast", "normals", "climate_years") if place else ()  # without a place there is no weather of it
    stamps = tuple(store.documents.stored_at(kind, place) for kind in kinds)
    today = now.astimezone(ZoneInfo(group.time_zone or "UTC")).date()
    return str(store.engine.url), group_id, store.version(group_id), *stamps, today
