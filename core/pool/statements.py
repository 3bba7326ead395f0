"""One page for a member that a pocket calculator can check: delivered, lost, sold, price, deducted, paid, due."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from core.pool.deliveries import Delivery, weight_at
from core.pool.loans import LoanAccount
from core.pool.payout import (
    BuyerAccount,
    MemberPay,
    buyer_accounts,
    loan_accounts,
    pay_by_member,
    sale_amount,
    sale_weights,
    season_weights,
    share_sales,
)
from core.pool.prices import PriceEffect
from core.pool.season import MoneyEvent, PoolSale, Season
from core.pool.terms import Terms

ZERO = Decimal(0)


@dataclass(frozen=True)
class StatementDelivery:
    """A delivery with its water taken out: net kg, moisture, kg at the common moisture."""

    delivery: Delivery
    common_kg: Decimal
    water_kg: Decimal


@dataclass(frozen=True)
class StatementSale:
    """A member's part of one load.

    `common_kg` is what he had in it and `load_kg` all that was in it, at the common moisture; `counted_kg` and
    `all_counted_kg` are the same after the price factors of grade and week (of the whole season's sales under one pool
    price): `proceeds` = `load_money` x `counted_kg` / `all_counted_kg`, within a coin. `costs` = `load_costs` x
    `common_kg` / `load_kg`.
    """

    sale: PoolSale
    common_kg: Decimal
    load_kg: Decimal
    counted_kg: Decimal
    all_counted_kg: Decimal
    load_money: Decimal
    proceeds: Decimal
    load_costs: Decimal
    costs: Decimal


@dataclass(frozen=True)
class MemberStatement:
    """Everything of one member, kg at the pool's agreed moisture; `buyers` are those of the loads."""

    member_id: int
    base_pct: Decimal
    deliveries: tuple[StatementDelivery, ...]
    sales: tuple[StatementSale, ...]
    lost_kg: Decimal
    in_store_kg: Decimal
    pay: MemberPay
    terms: Terms = field(default_factory=Terms)
    payments: tuple[MoneyEvent, ...] = ()
    loans: tuple[LoanAccount, ...] = ()
    effects: tuple[tuple[PriceEffect, Decimal], ...] = ()
    buyers: tuple[BuyerAccount, ...] = ()

    @property
    def delivered_kg(self) -> Decimal:
        """Return what was delivered, kg at the common moisture."""
        return sum((row.common_kg for row in self.deliveries), ZERO)

    @property
    def sold_kg(self) -> Decimal:
        """Return what was sold, kg at the common moisture."""
        return sum((row.common_kg for row in self.sales), ZERO)


def make_statements(
    season: Season, effects: Sequence[PriceEffect] = (), until: date | None = None
) -> dict[int, MemberStatement]:
    """Return every member's statement; their proceeds add up to what the buyers owe.

    Parameters
    ----------
    until : date, optional
        Day up to which interest on loans is counted; the last entry's day where it is not given.
    """
    base = season.terms.base_pct
    proceeds, costs = share_sales(season)
    pays = pay_by_member(season)
    whole = season_weights(season)
    weights = {sale.number: sale_weights(season, sale, whole) for sale in season.sales}
    counted = {number: sum(parts.values(), ZERO) for number, parts in weights.items()}
    days = [item.on for rows in (season.deliveries, season.sales, season.money, season.loans) for item in rows]
    loans = loan_accounts(season, pays, until or max(days, default=date.min))
    accounts = buyer_accounts(season)
    delivered: dict[int, list[Delivery]] = {}
    for delivery in season.deliveries:
        delivered.setdefault(delivery.member_id, []).append(delivery)
    statements = {}
    for member in season.member_ids():
        rows = []
        for delivery in delivered.get(member, []):
            common = weight_at(delivery.dry_kg, base)
            rows.append(StatementDelivery(delivery, common, delivery.net_kg - common))
        sold = [
            StatementSale(
                sale,
                weight_at(sale.dry_by_member.get(member, ZERO), base),
                weight_at(sale.dry_kg, base),
                weight_at(weights[sale.number].get(member, ZERO), base),
                weight_at(counted[sale.number], base),
                sale_amount(sale, sale.terms.step),
                proceeds[sale.number].get(member, ZERO),
                sum(costs[sale.number].values(), ZERO),
                costs[sale.number].get(member, ZERO),
            )
            for sale in season.sales
            if member in sale.dry_by_member or member in proceeds[sale.number]
        ]
        lost = sum((loss.dry_by_member.get(member, ZERO) for loss in season.losses), ZERO)
        stored = sum(
            (mass for held in season.stock.values() for (who, _grade, _week), mass in held.items() if who == member),
            ZERO,
        )
        statements[member] = MemberStatement(
            member,
            base,
            tuple(rows),
            tuple(sold),
            weight_at(lost, base),
            weight_at(stored, base),
            pays[member],
            season.terms,
            tuple(x for x in season.money if x.party == str(member) and x.kind in ("payment", "charge")),
            tuple(account for account in loans if account.loan.member_id == member),
            tuple((effect, effect.by_member.get(member, ZERO)) for effect in effects),
            tuple(accounts[name] for name in dict.fromkeys(row.sale.buyer for row in sold)),
        )
    return statements
