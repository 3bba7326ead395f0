"""One page for a member that a pocket calculator can check: delivered, lost, sold, price, taken off, paid, still due."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from core.pool.deliveries import Delivery, weight_at
from core.pool.payout import MemberPay, pay_by_member, share_sales
from core.pool.season import PoolSale, Season

ZERO = Decimal(0)


@dataclass(frozen=True)
class StatementDelivery:
    """A delivery with its water taken out: net kg, moisture, kg at the common moisture."""

    delivery: Delivery
    common_kg: Decimal
    water_kg: Decimal


@dataclass(frozen=True)
class StatementSale:
    """A member's part of one load: kg at the common moisture, its money, and his part of the costs."""

    sale: PoolSale
    common_kg: Decimal
    proceeds: Decimal
    costs: Decimal


@dataclass(frozen=True)
class MemberStatement:
    """Everything of one member, kg at the pool's common moisture."""

    member_id: int
    base_pct: Decimal
    deliveries: tuple[StatementDelivery, ...]
    sales: tuple[StatementSale, ...]
    lost_kg: Decimal
    in_store_kg: Decimal
    pay: MemberPay

    @property
    def delivered_kg(self) -> Decimal:
        """Return what was delivered, kg at the common moisture."""
        return sum((row.common_kg for row in self.deliveries), ZERO)


def make_statements(season: Season) -> dict[int, MemberStatement]:
    """Return the statement of every member who delivered; their proceeds add up to what the buyers owe."""
    base = season.terms.base_pct
    proceeds, costs = share_sales(season)
    pays = pay_by_member(season)
    by_member: dict[int, list[Delivery]] = {}
    for delivery in season.deliveries:
        by_member.setdefault(delivery.member_id, []).append(delivery)
    statements = {}
    for member, deliveries in sorted(by_member.items()):
        rows = []
        for delivery in deliveries:
            common = weight_at(delivery.dry_kg, base)
            rows.append(StatementDelivery(delivery, common, delivery.net_kg - common))
        sold = [
            StatementSale(
                sale,
                weight_at(sale.dry_by_member.get(member, ZERO), base),
                proceeds[sale.number].get(member, ZERO),
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
            member, base, tuple(rows), tuple(sold), weight_at(lost, base), weight_at(stored, base), pays[member]
        )
    return statements
