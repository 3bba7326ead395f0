"""Where each lot stands: moisture, verdict, limit, mass and doubts, from the records alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import mass_after_drying
from core.group.limits import LimitChoice, choose_limit
from core.group.meter_checks import MeterError, meter_error
from core.group.own_crops import own_crops
from core.group.reading_flags import Flag, flag_readings
from core.group.reading_moisture import MeterSettings, moisture_of_readings
from core.group.records import Fact, Lot
from core.group.sampling import (
    DRY,
    UNSURE,
    WET,
    LotMoisture,
    bags_to_dry_again,
    bags_to_probe,
    estimate_lot,
    judge_bags,
    judge_dryness,
    more_bags_to_settle,
    risk_by_cost,
    share_above,
)
from core.group.selling import buyer_book, crop_prices, own_prices
from core.group.store import Store
from core.group.treatment import Treatment, earlier_treatments, free_from, is_treated
from core.messages import Message, plural
from core.storage.keeping import humidity_when_warm

NOT_TESTED = "not tested"
URGENCY = (WET, NOT_TESTED, UNSURE, DRY)
"""Verdicts, the most urgent first."""
ROUND_HOURS = 36
DRIED_TEST = "after drying"
"""Name of the bags tested when a lot came off its drying space: no earlier test says anything of it any more."""
# Humidity varies between bags by about six times as many % as moisture does in points near dryness (slope of the sets).
USUAL_BAG_HUMIDITY_SD = 4.5
UNTESTED_PCT = 15.0  # of a lot that was never tested nor weighed with a moisture (judgement)
SUN_WARM_SD = 0.5


@dataclass(frozen=True, kw_only=True)
class LotState:
    """Where a lot stands.

    Parameters
    ----------
    moisture : LotMoisture or None
        Mean moisture and how sure it is; None where nothing was ever measured.
    humidity : LotMoisture or None
        The same for the humidity between the grains at the store's warmest temperature, %, where it was measured.
    decision : str
        "dry enough", "too wet", "cannot tell" or "not tested".
    mass_now_kg, dry_matter_kg, grain_kg : float
        Mass at the present moisture, its dry matter, and the grain that will come of it after shelling.
    flags : tuple of Flag
        Doubts about the last round of tests.
    share_wet : float
        Expected share of the bags above the limit that binds.
    more_bags : int or None
        More bags that would settle a doubt; None where none would.
    tested_at : datetime or None
        The last test, UTC.
    mass_is_weighed : bool
        False where the mass rests on the bag's nominal size.
    label_days : float
        Waiting days on the label of the group's protectant, 0 where nobody entered them.
    earlier : tuple of Treatment
        Protectants that it carries from stores that it was taken out of.
    """

    lot: Lot
    moisture: LotMoisture | None
    decision: str
    limit: LimitChoice
    risk: float
    bags: int
    mass_now_kg: float
    dry_matter_kg: float
    grain_kg: float
    humidity: LotMoisture | None = None
    flags: tuple[Flag, ...] = ()
    reasons: tuple[Message, ...] = ()
    again: tuple[str, ...] = ()
    share_wet: float = 0.0
    more_bags: int | None = 0
    tested_at: datetime | None = None
    mass_is_weighed: bool = False
    label_days: float = 0.0
    earlier: tuple[Treatment, ...] = ()

    def free_from(self, today: date) -> date | None:
        """Return the first day on which it may be eaten or sold where it is treated, None where it is not."""
        return free_from(self.lot, today, self.label_days, self.earlier)

    @property
    def treated(self) -> bool:
        """Whether it carries a protectant, from its store or from an earlier one."""
        return bool(self.earlier) or is_treated(self.lot)

    @property
    def urgency(self) -> tuple[int, float]:
        """What lots are sorted by, the most urgent first: the verdict, then the points above the limit."""
        return URGENCY.index(self.decision), self.limit.moisture_pct - (self.moisture.mean_pct if self.moisture else 0)


@dataclass(frozen=True, kw_only=True)
class JudgingRules:
    """What a lot is judged by: the meter, the keeping wanted, the standard, and the costs of being wrong."""

    meter: MeterSettings = field(default_factory=MeterSettings)
    months: float = 6.0
    warmest_c: float = 32.0
    standard: str = "codex"
    own_limits: Sequence[Mapping[str, Any]] = ()
    contracts: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    short_pct: float = 70.0
    long_pct: float = 65.0
    refusal_share: float = 0.15
    drying_day_cost_per_tonne: float = 3.0
    price_per_kg: float = 0.3
    prices: Mapping[str, float] = field(default_factory=dict)
    turnout: Mapping[str, float] = field(default_factory=dict)
    own_crops: Mapping[str, Commodity] = field(default_factory=dict)
    label_days: float = 0.0

    def crop(self, code: str) -> Commodity:
        """Return a published crop or one of the group's own."""
        return self.own_crops.get(code) or get_commodity(code)


def current_lot_states(store: Store, group_id: int, now: datetime) -> list[LotState]:
    """Return where each lot of a group stands that is not sold or used."""
    rules = judging_rules(store, group_id)
    readings = store.readings(group_id)
    readings = readings[readings["taken_at"] <= pd.Timestamp(now)]
    sales = store.sales(group_id)
    sold = sales.groupby("lot_id")["bags"].sum().to_dict() if not sales.empty else {}
    by_lot = dict(tuple(readings.groupby("lot_id"))) if not readings.empty else {}
    nothing, lots = readings.iloc[0:0], store.lots(group_id, open_only=True)
    carried = earlier_treatments(lots, store.changes(group_id, "lot"))
    return [
        replace(
            lot_state(lot, by_lot.get(lot.id, nothing), rules, int(sold.get(lot.id, 0))),
            earlier=carried.get(lot.id, ()),
        )
        for lot in lots
    ]


def meter_settings(store: Store, group_id: int, facts: Mapping[str, Fact]) -> MeterSettings:
    """Return what the group's meter is and what its checks tell of its error."""
    error = meter_error(
        [event for event in store.events(group_id, "diary") if event.kind == "meter_check"],
        moisture_sd=float(facts["meter_bias_sd"].value),
        humidity_sd=float(facts["humidity_sensor_sd"].value),
    )
    return MeterSettings(
        kind=str(facts["meter_kind"].value), error=error, temperature_sd=float(facts["temperature_sensor_sd"].value)
    )


PRICED = ("commodity", "market", "price_type", "quoted_on", "price_per_kg")
PRICED_AT_GATE = ("on", "price_per_kg")


def judging_rules(store: Store, group_id: int) -> JudgingRules:
    """Return the rules by which a group's lots are judged, from its facts and its meter checks."""
    facts = store.facts(group_id)

    def value(key: str) -> Any:
        return facts[key].value

    return JudgingRules(
        own_crops=own_crops(store, group_id),
        label_days=float(value("protectant_waiting_days")),
        meter=meter_settings(store, group_id, facts),
        months=float(value("keeping_months")),
        warmest_c=float(value("store_warmest_c")),
        standard=str(value("limit_standard")),
        own_limits=(store.documents.read("limits", str(group_id)) or {}).get("rows", ()),
        contracts=_contracts(facts),
        short_pct=float(value("keeping_humidity.short")),
        long_pct=float(value("keeping_humidity.long")),
        refusal_share=float(value("refusal_cost_share")),
        drying_day_cost_per_tonne=float(value("drying_day_cost")),
        price_per_kg=float(value("maize_price_kg")),
        prices=_last_prices(store, group_id, float(value("plan.gate_factor")), str(value("plan.market"))),
        turnout={
            key.removeprefix("shelling_turnout."): float(fact.value)
            for key, fact in facts.items()
            if key.startswith("shelling_turnout.")
        },
    )


def _last_prices(store: Store, group_id: int, gate_factor: float, market: str) -> dict[str, float]:
    """Return each crop's price today at its reference market: the one that the plan and the prices page start from."""
    book, found = buyer_book(store, group_id), {}
    for crop, rows in store.price_quotes(group_id).groupby("commodity"):
        own = own_prices(store, group_id, str(crop), book)
        price = _price_of(_columns(rows, PRICED), _columns(own, PRICED_AT_GATE), gate_factor, market)
        if price is not None:
            found[str(crop)] = price
    return found


def _columns(frame: pd.DataFrame, names: Sequence[str]) -> tuple[tuple[Any, ...], ...]:
    return tuple(tuple(frame[name]) for name in names)


@lru_cache(maxsize=128)
def _price_of(
    quotes: tuple[tuple[Any, ...], ...], gate: tuple[tuple[Any, ...], ...], gate_factor: float, market: str
) -> float | None:
    """Return the price of a crop's quotes given by column: the same quotes, on every page, are worked out once."""
    rows, own = (
        pd.DataFrame(dict(zip(names, columns, strict=True)))
        for names, columns in ((PRICED, quotes), (PRICED_AT_GATE, gate))
    )
    known = crop_prices(rows, gate_factor, market, gate=own)
    return None if known is None else known.price_now


def _contracts(facts: Mapping[str, Fact]) -> dict[str, tuple[float, str]]:
    """Return the buyers' limits by crop: facts "buyer_limit.maize" = 13.5, with "buyer_name.maize" if given."""
    found = {}
    for key, fact in facts.items():
        if key.startswith("buyer_limit.") and fact.value is not None:
            crop = key.removeprefix("buyer_limit.")
            name = facts.get(f"buyer_name.{crop}")
            found[crop] = (float(fact.value), str(name.value) if name else "")
    return found


def last_round(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the tests of the last round: up to `ROUND_HOURS` before the last one, none from before its drying."""
    if readings.empty:
        return readings
    tests = readings[readings["taken_at"] >= readings["taken_at"].max() - timedelta(hours=ROUND_HOURS)]
    dried = tests.loc[tests["bag"].str.startswith(DRIED_TEST, na=False), "taken_at"]
    return tests if dried.empty else tests[tests["taken_at"] >= dried.max()]


def lot_state(lot: Lot, readings: pd.DataFrame, rules: JudgingRules, bags_sold: int = 0) -> LotState:
    """Return where one lot stands."""
    crop = rules.crop(lot.commodity)
    bags = max(0, lot.bags - bags_sold)
    contract = rules.contracts.get(crop.code)
    limit = choose_limit(
        crop,
        months=rules.months,
        warmest_c=rules.warmest_c,
        use=lot.use,
        contract_pct=contract[0] if contract and lot.use == "sale" else None,
        buyer=contract[1] if contract else "",
        standard=rules.standard,
        own=rules.own_limits,
        short_pct=rules.short_pct,
        long_pct=rules.long_pct,
    )
    tests = last_round(readings)
    flags = flag_readings(crop, tests, rules.meter)
    left_out = {flag.reading_id for flag in flags if flag.left_out}
    counted = tests[~tests["id"].isin(left_out)]
    moisture, humidity = estimate_from_tests(
        lot, counted, rules, any(flag.key == "warm from the sun" for flag in flags)
    )
    mass, dry_matter, grain = _masses(lot, bags, moisture, _first_moisture(lot, readings, rules), rules)
    risk = risk_by_cost(cost_if_refused(lot, 1.0, rules), cost_of_a_day(1.0, rules))  # of a kg: of any mass the same
    common: dict[str, Any] = {
        "lot": lot,
        "limit": limit,
        "risk": risk,
        "bags": bags,
        "mass_now_kg": mass,
        "dry_matter_kg": dry_matter,
        "grain_kg": grain,
        "flags": flags,
        "mass_is_weighed": lot.bag_mass_kg is not None,
        "label_days": rules.label_days,
        "tested_at": tests["taken_at"].max().to_pydatetime() if not tests.empty else None,
    }
    if moisture is None:
        why = plural(
            "bags",
            "no test yet: probe the bag",
            "no test yet: probe {count} of the {bags} bags",
            count=bags_to_probe(max(1, bags)),
            bags=bags,
        )
        return LotState(moisture=None, decision=NOT_TESTED, reasons=(why,), **common)
    verdict, reasons, more = _judge(moisture, humidity, limit, risk, rules.meter.error)
    binding = limit.moisture_pct
    return LotState(
        moisture=moisture,
        humidity=humidity,
        decision=verdict,
        reasons=reasons,
        again=bags_to_dry_again(moisture, binding) if verdict != DRY else (),
        share_wet=share_above(moisture, binding),
        more_bags=more,
        **common,
    )


def cost_if_refused(lot: Lot, mass_kg: float, rules: JudgingRules) -> float:
    """Return what is lost when the lot is refused or spoils in part, in the group's currency."""
    return rules.refusal_share * rules.prices.get(lot.commodity, rules.price_per_kg) * mass_kg


def cost_of_a_day(mass_kg: float, rules: JudgingRules) -> float:
    """Return what one more day of drying costs, in the group's currency."""
    return rules.drying_day_cost_per_tonne * mass_kg / 1000


def estimate_from_tests(
    lot: Lot, tests: pd.DataFrame, rules: JudgingRules, sun_warm: bool = False
) -> tuple[LotMoisture | None, LotMoisture | None]:
    """Return a lot's moisture, and its humidity at the store's warmest temperature, from the tests that count."""
    bags = max(1, lot.bags)
    said = moisture_of_readings(rules.crop(lot.commodity), tests, rules.meter)
    said["bag"] = [str(bag) or f"test {order + 1}" for order, bag in enumerate(tests["bag"])]
    known = said.dropna(subset=["moisture_pct"])
    known = known[(known["moisture_pct"] >= 0) & (known["moisture_pct"] < 100)]
    if known.empty:
        if lot.weighed_moisture_pct is None:
            return None, None
        alone = estimate_lot([lot.weighed_moisture_pct], bags, rules.meter.error.moisture_sd)
        return alone, None
    common = float(np.sqrt(np.mean(known["common_sd"] ** 2)))
    moisture = estimate_lot(
        known["moisture_pct"], bags, common, isotherm_sd=SUN_WARM_SD if sun_warm else 0.0, bag_names=list(known["bag"])
    )
    air = known.dropna(subset=["humidity_pct"])
    if air.empty or (air["basis"] == "humidity alone").all():
        return moisture, None
    measured = np.clip(air["humidity_pct"].to_numpy(dtype=float), 0.5, 99.5)
    warm = humidity_when_warm(rules.crop(lot.commodity), air["grain_temperature_c"], measured, rules.warmest_c)
    humidity = estimate_lot(
        np.clip(warm, 0.1, 99.9),
        bags,
        rules.meter.error.humidity_sd,
        reading_sd=1.0,
        bag_names=list(air["bag"]),
        usual_bag_sd=USUAL_BAG_HUMIDITY_SD,
    )
    return moisture, humidity


def _judge(
    moisture: LotMoisture, humidity: LotMoisture | None, limit: LimitChoice, risk: float, error: MeterError
) -> tuple[str, tuple[Message, ...], int | None]:
    """Return the verdict over all limits, the reasons, and how many more bags would settle it."""
    verdicts: list[str] = []
    reasons: list[Message] = []
    more: int | None = 0
    for one in limit.applying:
        judged, bound = moisture, one.moisture_pct
        if one.kind == "keeping" and humidity is not None and one.humidity_pct is not None:
            judged, bound = humidity, one.humidity_pct
        elif one.kind == "contract":
            judged = as_buyer_reads(moisture, error)
        verdict = judge_bags(judged, bound, risk) if one.kind == "keeping" else judge_dryness(judged, bound, risk)
        verdicts.append(verdict)
        reasons.append(Message(_VERDICT_WORDS[verdict], {"limit": one.reason}))
        if verdict == UNSURE:
            needed = more_bags_to_settle(judged, bound, risk)
            reasons.append(_settling(needed))
            more = None if needed is None or more is None else max(more, needed)
    if WET in verdicts:
        return WET, tuple(reasons), 0
    return (UNSURE if UNSURE in verdicts else DRY), tuple(reasons), more


def as_buyer_reads(moisture: LotMoisture, error: MeterError) -> LotMoisture:
    """Return the estimate as the buyer's meter would give it, where the two meters met: the buyer's reading decides.

    The meter shows ``moisture_bias`` above the truth and ``buyer_bias`` above the buyer's meter, so that the buyer
    reads the truth plus the first less the second; the error common to all bags becomes that of the comparison.
    """
    if error.buyer_bias is None or error.buyer_sd is None:
        return moisture
    sampled = max(moisture.standard_error_pct**2 - moisture.common_sd_pct**2, 0.0)
    return replace(
        moisture,
        mean_pct=moisture.mean_pct + error.moisture_bias - error.buyer_bias,
        standard_error_pct=math.hypot(math.sqrt(sampled), error.buyer_sd),
        common_sd_pct=error.buyer_sd,
    )


_VERDICT_WORDS = {DRY: "dry enough for: {limit}", WET: "too wet for: {limit}", UNSURE: "cannot tell for: {limit}"}


def _settling(needed: int | None) -> Message:
    if needed is None:
        return Message(
            "more bags would not settle it: the meter's own error is too large; check the meter (oven sample, salt "
            "jar, "
            "or beside the buyer's), or dry one more day"
        )
    if needed == 0:
        return Message(
            "the average is clear, single bags are not: dry or keep apart the bags named, then test the rest"
        )
    return Message("testing {count} more bags would settle it, if they are like those tested", {"count": needed})


def _first_moisture(lot: Lot, readings: pd.DataFrame, rules: JudgingRules) -> float | None:
    """Return the moisture of a lot's first round of tests, % wet basis; None where it was never tested."""
    if readings.empty or lot.bag_mass_kg is not None:
        return None
    first = readings["taken_at"].min() + timedelta(hours=ROUND_HOURS)
    found, _humidity = estimate_from_tests(lot, readings[readings["taken_at"] <= first], rules)
    return None if found is None else found.mean_pct


def _masses(
    lot: Lot, bags: int, moisture: LotMoisture | None, first_pct: float | None, rules: JudgingRules
) -> tuple[float, float, float]:
    """Return the mass now, its dry matter, and the grain that will come of it, kg.

    A bag that nobody weighed held its nominal mass at the moisture of the first tests (`first_pct`): what is dried away
    since is missing, and its dry matter never grows.
    """
    filled = bags * lot.bag_kg
    weighed_pct = lot.weighed_moisture_pct if lot.bag_mass_kg is not None else None
    mean = moisture.mean_pct if moisture is not None else None
    start = weighed_pct if weighed_pct is not None else first_pct if first_pct is not None else mean
    if start is None:
        start = UNTESTED_PCT
    now = mean if mean is not None else start
    mass = float(mass_after_drying(filled, start, now))
    dry_matter = mass * (1 - now / 100)
    unthreshed = lot.form in ("cob", "panicle", "pod") and lot.commodity != "groundnut_pod"
    turnout = rules.turnout.get(lot.commodity, rules.turnout.get("other", 0.7)) if unthreshed else 1.0
    return mass, dry_matter, mass * turnout
