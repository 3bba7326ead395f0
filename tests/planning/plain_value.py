"""A second, slow and plain reckoning of what a plan brings: bag by bag, week by week, scenario by scenario.

Written apart from `core.planning`: of it only the case (its numbers), what nature does (`Seasons.dry`, `keep`, prices)
and which way each bag goes (the columns that name an option) are read. No table of receipts, no shared function of
value, cash, discount, trips, deductions or interest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

MONTH_WEEKS = 365.25 / 12 / 7


@dataclass
class Reckoned:
    """Money by week and value today, of one scenario; needs are not in `cash`."""

    cash: dict[int, float] = field(default_factory=dict)
    value: float = 0.0
    balance: dict[int, float] = field(default_factory=dict)
    interest: float = 0.0
    parts: dict[str, float] = field(default_factory=dict)

    def part(self, name: str, amount: float) -> None:
        """Count what stands between gross and net, at its own day's money."""
        self.parts[name] = self.parts.get(name, 0.0) + amount

    def pay(self, week: int, amount: float, case) -> None:
        self.cash[week] = self.cash.get(week, 0.0) + amount
        self.value += amount / (1 + case.interest_monthly) ** (week / MONTH_WEEKS)


def trip_price(case, who) -> float:
    """There and back."""
    if who.distance_km <= 0:
        return 0.0
    if who.trip_cost is not None:
        return who.trip_cost
    return (
        case.truck.cost_per_trip + who.distance_km * case.truck.cost_per_km + who.distance_km * case.truck.cost_per_km
    )


def price_of(who, terms, market, moisture, damaged, draw, refusal):
    """What a buyer pays for a kg: factor, scale, broken offer, points, damage, refusal."""
    full = who.fixed_price if who.fixed_price is not None else market * who.price_factor
    full *= 1 + terms.scale_offset
    spot = market * who.refused_factor
    if draw < who.chance_failing:
        full = min(full, spot)
    reading, off = moisture + terms.meter_offset_pct, 0.0
    if terms.base_pct is not None:
        lower = terms.base_pct
        for upper, rate in terms.steps:
            off += rate * max(0.0, min(reading, upper) - lower)
            lower = upper
        off += terms.steps[-1][1] * max(0.0, reading - lower)
    paid = full * (1 - min(off, 1.0)) * (1 - terms.damage_per_pct) ** damaged
    chance = float(terms.refusal_pct is not None and reading > terms.refusal_pct)
    if who.inspects:
        chance = 1 - (1 - chance) * (1 - refusal)
    return paid - chance * max(paid - spot, 0.0)


def reckon(case, seasons, outlook, allocation, scenario: int) -> Reckoned:
    """One scenario of a plan."""
    made = Reckoned()
    delivered: dict[tuple[int, int], float] = {}
    stock: dict[tuple[int, int], int] = {}
    for lot_index, option, bags in zip(allocation.lot, allocation.option, allocation.bags, strict=True):
        lot, table = case.lots[lot_index], outlook.options(int(lot_index))
        setup, start, ready = (int(c[option]) for c in (table.setup, table.start_week, table.ready_week))
        storage, sale, buyer = (int(c[option]) for c in (table.storage, table.sale_week, table.buyer))
        way = (storage, sale, buyer, int(table.reserve[option]))
        target, days = float(table.target_pct[option]), float(table.days[option])
        mean_kg = float(table.kept_kg[option]) * lot.bag_mass_kg
        for _ in range(int(bags)):
            one_bag(case, seasons, lot, scenario, made, (setup, start, ready, target, days), way)
            if buyer >= 0:
                delivered[buyer, sale] = delivered.get((buyer, sale), 0.0) + mean_kg
            if storage >= 0:
                for week in range(ready, sale):
                    stock[storage, week] = stock.get((storage, week), 0) + 1
    for (buyer, week), kg in delivered.items():
        who = case.buyers[buyer]
        if who.distance_km > 0:
            road = math.ceil(kg / case.truck.capacity_kg - 1e-7) * trip_price(case, who)
            made.pay(week, -road, case)
            made.part("transport", road)
        if who.weekly_kg is not None and kg > who.weekly_kg:
            lost = (kg - who.weekly_kg) * who.price_fall * usual_price(case, seasons, who, week)
            made.value -= lost / (1 + case.interest_monthly) ** (week / MONTH_WEEKS)
    for number, way in enumerate(case.storage):
        peak = max((count for (storage, _), count in stock.items() if storage == number), default=0)
        units = max(0, math.ceil((peak - way.owned_bags) / way.bags_per_unit - 1e-9))
        made.pay(0, -units * way.bags_per_unit * way.cost_per_bag, case)
        made.part("bags", units * way.bags_per_unit * way.cost_per_bag)
    used = {
        int(outlook.options(int(lot)).setup[option])
        for lot, option in zip(allocation.lot, allocation.option, strict=True)
    }
    for number in used - {-1}:
        made.pay(0, -case.drying[number].price, case)
        made.part("drying", case.drying[number].price)
    for taken, repaid, amount in allocation.loans:
        made.pay(taken, amount * (1 - case.credit.fee_share), case)
        made.pay(repaid, -amount * (1 + case.credit.monthly_interest) ** ((repaid - taken) / MONTH_WEEKS), case)
    borrow(case, made)
    return made


def usual_price(case, seasons, who, week) -> float:
    """The expected price of the buyer's crops, by mass."""
    if who.fixed_price is not None:
        return who.fixed_price
    total, money = 0.0, 0.0
    for lot in case.lots:
        if not who.commodities or lot.commodity in who.commodities:
            mass = lot.bags * lot.bag_mass_kg
            total += mass
            money += mass * float(np.mean(seasons.prices[lot.commodity][week])) * who.price_factor
    return money / total


def one_bag(case, seasons, lot, k, made, drying, way) -> None:
    """Dry, keep and sell or eat one bag in scenario k."""
    (setup, start, ready, target, days), (storage, sale, buyer, reserve) = drying, way
    treated = paid_first = case.storage[storage].treatment_per_bag if storage >= 0 else 0.0
    if setup >= 0:
        choice = case.drying[setup]
        points = max(lot.moisture_pct - target, 0.0)
        paid_first += lot.bag_mass_kg * (choice.cost_per_kg + choice.fee_per_point_kg * points)
        paid_first += choice.hire_per_bag_day * days
    made.pay(start, -paid_first, case)
    later = 0.0
    if storage >= 0:
        later += case.storage[storage].cost_per_bag_month * (sale - ready) / MONTH_WEEKS
    made.part("drying", paid_first - treated)
    made.part("storage", treated + later)
    if reserve >= 0:
        made.part("gross", lot.bag_mass_kg * case.reserves[reserve].value_per_kg)
        made.pay(sale, -later, case)
        made.value += eaten(case, seasons, lot, k, (setup, start, ready, target), (storage, sale), reserve)
        return
    grain = kept_until(case, seasons, lot, k, (setup, start, ready, target), storage, sale)
    who = case.buyers[buyer]
    market = seasons.prices[lot.commodity][sale][k]
    terms = who.deductions
    for crop, of_crop in who.crop_deductions:
        terms = of_crop if crop == lot.commodity else terms
    price = price_of(who, terms, market, grain.moisture, grain.damaged, seasons.offer_draw[buyer][k], grain.refusal)
    money = grain.kg * (1 - grain.unfit) * price * (1 - who.fee_fraction)
    loading = case.truck.cost_per_bag if who.distance_km > 0 else 0.0
    made.part("gross", lot.bag_mass_kg * market)
    made.part("fees", grain.kg * (1 - grain.unfit) * price * who.fee_fraction)
    made.part("transport", loading)
    made.pay(sale + who.pay_delay_weeks, money, case)
    made.pay(sale, -later - loading, case)


def eaten(case, seasons, lot, k, drying, way, number) -> float:
    """What a bag kept back is worth today: a part each week from the first after it is ready, or all at the end."""
    reserve, (storage, until) = case.reserves[number], way
    first = drying[2] + 1 if reserve.evenly else until
    total = 0.0
    for week in range(first, until + 1):
        grain = kept_until(case, seasons, lot, k, drying, storage, week)
        worth = grain.kg * reserve.value_per_kg * (1 - reserve.damage_per_pct) ** grain.damaged * (1 - grain.unfit)
        worth *= grain.alive if reserve.use == "seed" else 1.0
        total += worth / (1 + case.interest_monthly) ** (week / MONTH_WEEKS) / (until + 1 - first)
    return total


@dataclass
class Grain:
    """What is left of a bag on a day: kg, moisture, damage, and how likely it is to be unfit, refused, alive."""

    kg: float
    moisture: float
    damaged: float = 0.0
    unfit: float = 0.0
    refusal: float = 0.0
    alive: float = 1.0


def kept_until(case, seasons, lot, k, drying, storage, week) -> Grain:
    """Dry and keep one bag until a week."""
    setup, start, ready, target = drying
    draws = np.clip(lot.moisture_pct + lot.moisture_se_pct * seasons.moisture_draw[lot.id], 2.0, 55.0)
    wet, held = draws[k], case.weeks - 1
    kg, bagged, still_wet = lot.bag_mass_kg, wet, 0.0
    if setup >= 0:
        choice = case.drying[setup]
        dried = seasons.dry(lot, choice, start, draws, target)
        since_ready = (week - ready) if storage >= 0 else 0
        had = max(1.0, 7.0 * (ready - start + 1 + since_ready))
        bagged = min(wet, target)
        still_wet = max(wet - target, 0.0) * (1 - min(1.0, had / max(dried.days[k], 1e-9)))
        kg *= (100 - wet) / (100 - bagged - still_wet)
        kg *= (1 - choice.handling_loss) * (1 - dried.dry_matter_loss_pct[k] / 100)
    grain, loss, eaten_pct = Grain(kg, bagged), 0.0, 0.0
    if storage >= 0:
        start_pct = np.minimum(draws, target) if setup >= 0 else draws
        kept, after = seasons.keep(lot, start_pct, case.storage[storage], ready, held - ready), week - ready

        def at(value) -> float:
            return float(np.broadcast_to(value, kept.moisture_pct.shape)[after][k])

        loss, eaten_pct = at(kept.dry_matter_loss_pct), at(kept.insect_loss_pct)
        grain = Grain(
            kg,
            at(kept.moisture_pct),
            at(kept.damaged_pct),
            at(kept.unfit_share),
            at(kept.refusal_chance),
            at(kept.alive_share),
        )
    # water lost since bagging is lost, water regained is not counted
    grain.kg *= min(1.0, (100 - bagged - still_wet) / (100 - grain.moisture - still_wet))
    grain.kg *= (1 - loss / 100) * (1 - eaten_pct / 100)
    grain.moisture += still_wet
    return grain


def borrow(case, made) -> None:
    """Needs not covered are borrowed at the emergency interest, charged by the week it stands, until repaid."""
    if not case.needs:
        return
    first = min(need.week for need in case.needs)
    rate = (1 + case.emergency_interest_monthly) ** (1 / MONTH_WEEKS) - 1
    money, debt = case.cash_now, 0.0
    for week in range(case.weeks + 60):
        # beyond the weeks looked at only on what is paid back by money still to come
        later = sum(amount for at, amount in made.cash.items() if at >= week)
        interest = (debt if week < case.weeks else min(debt, max(later, 0.0))) * rate
        made.interest += interest
        made.value -= interest / (1 + case.interest_monthly) ** (week / MONTH_WEEKS)
        money += made.cash.get(week, 0.0) - interest
        for need in case.needs:
            if need.week == week:
                money -= need.amount
        made.balance[week] = money
        if week >= first:
            debt = max(0.0, -money)
