"""Money of the pools: each sale shared to the coin, levies in the agreed order, payments, and what is still due."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal

from core.accounts.journal import Journal, Line, credit, debit
from core.accounts.splitting import split_exactly
from core.errors import BalanceError
from core.messages import Message, message
from core.pool.season import PoolSale, Season

ZERO = Decimal(0)
PAYABLE = "liabilities:members"
CASH = "assets:cash"
BUYERS = "assets:buyers"


@dataclass(frozen=True)
class MemberPay:
    """A member's money, all in the group's currency.

    `proceeds` is his part of what buyers owe, `costs` of truck and market, `levies` by name; `paid` includes first
    payments and advances; `due` = proceeds - costs - levies - charges - paid.
    """

    member_id: int
    proceeds: Decimal = ZERO
    costs: Decimal = ZERO
    levies: Mapping[str, Decimal] = field(default_factory=dict)
    charges: Decimal = ZERO
    paid: Decimal = ZERO

    @property
    def due(self) -> Decimal:
        """Return what is still due to the member; below 0 he owes it."""
        return self.proceeds - self.costs - sum(self.levies.values(), ZERO) - self.charges - self.paid


def to_coin(amount: Decimal, step: Decimal) -> Decimal:
    """Return an amount in whole coins, halves up."""
    return (amount / step).quantize(Decimal(1), ROUND_HALF_UP) * step


def sale_amount(sale: PoolSale, step: Decimal) -> Decimal:
    """Return what the buyer pays for a load after his deductions, in whole coins."""
    return to_coin(sale.gross, step) - to_coin(sale.buyer_deductions, step)


def share_sales(season: Season) -> tuple[dict[int, dict[int, Decimal]], dict[int, dict[int, Decimal]]]:
    """Return proceeds and costs by sale and member, to the coin.

    Parameters
    ----------
    season : Season
        From `replay`.

    Returns
    -------
    proceeds, costs : dict of sale number to dict of member to money
        Proceeds by grade-weighted dry kilograms sold, costs by dry kilograms (truck and market do not ask for the
        grade). With the rule "pool_price" every sale of a pool is shared by what each member had sold in all of them.
        Each adds up exactly to the sale's amount and costs.
    """
    step = season.terms.step
    whole: dict[str, dict[int, Decimal]] = {}
    for sale in season.sales:
        sums = whole.setdefault(sale.pool, {})
        for member, weight in sale.weight_by_member.items():
            sums[member] = sums.get(member, ZERO) + weight
    proceeds, costs = {}, {}
    for sale in season.sales:
        weights = whole[sale.pool] if season.terms.price_rule == "pool_price" else sale.weight_by_member
        proceeds[sale.number] = split_exactly(sale_amount(sale, step), dict(weights), step)
        costs[sale.number] = split_exactly(to_coin(sale.costs, step), dict(sale.dry_by_member), step)
    return proceeds, costs


def pay_by_member(season: Season) -> dict[int, MemberPay]:
    """Return every member's money; the sum of proceeds is what buyers owe, exactly.

    Raises
    ------
    BalanceError
        Where it would not be so (a fault of the program).
    """
    step = season.terms.step
    proceeds, costs = share_sales(season)
    members = sorted(
        {delivery.member_id for delivery in season.deliveries}
        | {int(item.party) for item in season.money if item.kind in {"payment", "charge"} and item.party.isdigit()}
    )
    sold_kg: dict[int, Decimal] = {}
    for sale in season.sales:
        for member, dry in sale.dry_by_member.items():
            sold_kg[member] = sold_kg.get(member, ZERO) + dry * 100 / (100 - season.terms.base_pct)
    result = {}
    for member in members:
        gained = sum((shares.get(member, ZERO) for shares in proceeds.values()), ZERO)
        spent = sum((shares.get(member, ZERO) for shares in costs.values()), ZERO)
        left = max(ZERO, gained - spent)
        levies: dict[str, Decimal] = {}
        for levy in season.terms.levies:
            wanted = levy.amount * (sold_kg.get(member, ZERO) if levy.kind == "per_kg" else gained)
            taken = min(left, (wanted / step).quantize(Decimal(1), ROUND_DOWN) * step)
            levies[levy.name] = taken
            left -= taken
        own = [item for item in season.money if item.party == str(member)]
        result[member] = MemberPay(
            member,
            gained,
            spent,
            levies,
            sum((item.amount for item in own if item.kind == "charge"), ZERO),
            sum((item.amount for item in own if item.kind == "payment"), ZERO),
        )
    owed = sum((sale_amount(sale, step) for sale in season.sales), ZERO)
    if sum((pay.proceeds for pay in result.values()), ZERO) != owed:
        raise BalanceError("the members' parts do not add up to what the buyers owe")
    return result


def first_payments_due(season: Season) -> dict[int, Decimal]:
    """Return the first payment that each member's deliveries ask for, in whole coins: kg at the common moisture x rate."""
    sums: dict[int, Decimal] = {}
    for delivery in season.deliveries:
        weight = delivery.dry_kg * 100 / (100 - season.terms.base_pct)
        amount = weight * season.terms.first_payment_per_kg * season.terms.factor(delivery.grade)
        sums[delivery.member_id] = sums.get(delivery.member_id, ZERO) + to_coin(amount, season.terms.step)
    return sums


def books(season: Season) -> Journal:
    """Return the season's money as a double-entry journal: members, buyers, cash, levies.

    Proceeds are credited to members when the load is sold, the buyer owes them until he pays; levies are credited to
    their own accounts. Debits equal credits in every entry, by the journal's own check.
    """
    proceeds, costs = share_sales(season)
    pays = pay_by_member(season)
    entries: list[tuple[date, int, Message, list[Line]]] = []
    for sale in season.sales:
        shares = {member: part for member, part in proceeds[sale.number].items() if part > 0}
        total = sum(shares.values(), ZERO)
        if total > 0:
            lines = [debit(BUYERS, total, sale.buyer)] + [credit(PAYABLE, part, str(m)) for m, part in shares.items()]
            entries.append((sale.on, sale.number, message("Load sold to {buyer}", buyer=sale.buyer), lines))
        spent = {member: part for member, part in costs[sale.number].items() if part > 0}
        if spent:
            lines = [debit(PAYABLE, part, str(m)) for m, part in spent.items()]
            lines.append(credit(CASH, sum(spent.values(), ZERO)))
            entries.append((sale.on, sale.number, message("Truck and market costs"), lines))
    for item in season.money:
        if item.kind == "buyer_payment":
            lines = [debit(CASH, item.amount), credit(BUYERS, item.amount, item.party)]
            entries.append((item.on, item.number, message("{buyer} paid", buyer=item.party), lines))
        elif item.kind == "payment":
            lines = [debit(PAYABLE, item.amount, item.party), credit(CASH, item.amount)]
            entries.append((item.on, item.number, message("Paid to a member"), lines))
        elif item.kind == "charge":
            lines = [debit(PAYABLE, item.amount, item.party), credit(f"income:{item.about or 'charge'}", item.amount)]
            entries.append((item.on, item.number, message("Charged to a member"), lines))
    last = max([entry[0] for entry in entries], default=None)
    for pay in pays.values():
        for name, amount in pay.levies.items():
            if amount > 0 and last is not None:
                lines = [debit(PAYABLE, amount, str(pay.member_id)), credit(f"income:{name}", amount)]
                entries.append((last, 10**9, message("{levy} taken off", levy=name), lines))
    journal = Journal()
    for on, _number, text, lines in sorted(entries, key=lambda entry: (entry[0], entry[1])):
        journal = journal.post(on, text, lines)
    return journal


def cash_difference(season: Season, counted: Decimal, until: date | None = None) -> Decimal:
    """Return cash counted less cash by the books, money; to be explained and booked before the season closes."""
    return counted - books(season).balance(CASH, until)
