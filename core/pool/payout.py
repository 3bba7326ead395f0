"""Money of the pools: each sale shared to the coin, levies in the agreed order, payments, and what is still due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from itertools import accumulate

from core.accounts.finance import round_down, round_to_step
from core.accounts.journal import Journal, Line, credit, debit
from core.accounts.splitting import split_exactly
from core.errors import BalanceError
from core.messages import Message, message
from core.pool.loans import Loan, LoanAccount, loan_account
from core.pool.season import MoneyEvent, PoolSale, Season
from core.pool.terms import Levy, week_of

ZERO = Decimal(0)
ADVANCE, ADVANCES, METER, LOANS, LEVIES = "advance", "advances", "meter", "loans", "levies"
Deduction = tuple[str, str]
"""Kind of a deduction and its name within the kind: a levy may be called as the group likes, "meter" too."""
LENT, ADVANCED, FOR_METER, INTEREST = "assets:loans", "assets:advances", "liabilities:meter account", "income:interest"
LATE = 10**9
"""Stands after every entry of the same day."""
LOAN_WORDS = {
    "lent": "Lent to a member",
    "interest": "Interest on a loan",
    "repaid": "Loan repaid in cash",
    "recovered": "Loan recovered from a member's pay",
}
OVER_AND_SHORT = "income:cash over and short"
PAYABLE = "liabilities:members"
CASH = "assets:cash"
BUYERS = "assets:buyers"
GROUP_MONEY = "liabilities:the group's other money"


@dataclass(frozen=True)
class MemberPay:
    """A member's money, all in the group's currency.

    `proceeds` is the part of what buyers owe for the loads, `costs` of truck and market, `written_off` of what a buyer
    never pays, `levies` by name; `meter`, `loans` and `advances` were taken off for the meter's account, loans and
    advances; `charges` by agreement with the member; `paid` includes first payments, not advances; `short` is what
    could not be taken off, by kind and name; `due` = proceeds - costs - written off - all that was taken off - paid.
    `advanced` is all that the member had as advances.
    """

    member_id: int
    proceeds: Decimal = ZERO
    costs: Decimal = ZERO
    levies: Mapping[str, Decimal] = field(default_factory=dict)
    charges: Decimal = ZERO
    paid: Decimal = ZERO
    meter: Decimal = ZERO
    loans: Decimal = ZERO
    advances: Decimal = ZERO
    advanced: Decimal = ZERO
    short: Mapping[Deduction, Decimal] = field(default_factory=dict)
    recoveries: tuple[tuple[date, int, int, Decimal], ...] = ()
    written_off: Decimal = ZERO

    @property
    def taken_off(self) -> Decimal:
        """Return levies, meter, loans, advances and charges together."""
        return sum(self.levies.values(), ZERO) + self.meter + self.loans + self.advances + self.charges

    @property
    def take_home(self) -> Decimal:
        """Return proceeds less truck and market, what a buyer never pays, and all that was taken off."""
        return self.proceeds - self.costs - self.written_off - self.taken_off

    @property
    def due(self) -> Decimal:
        """Return what is still due to the member; below 0 he owes it."""
        return self.take_home - self.paid

    @property
    def owes(self) -> Decimal:
        """Return advances that his pay has not covered yet."""
        return self.advanced - self.advances


def sale_amount(sale: PoolSale, step: Decimal) -> Decimal:
    """Return what the buyer pays for a load after his deductions, in whole coins."""
    return round_to_step(sale.gross, step) - round_to_step(sale.buyer_deductions, step)


def share_sales(season: Season) -> tuple[dict[int, dict[int, Decimal]], dict[int, dict[int, Decimal]]]:
    """Return proceeds and costs by sale and member, to the coin.

    Returns
    -------
    proceeds, costs : dict of sale number to dict of member to money
        Proceeds by grade-weighted dry kilograms sold, costs by dry kilograms (truck and market do not ask for the
        grade). With the rule "pool_price" every sale of a pool is shared by what each member had sold in all of them.
        Each adds up exactly to the sale's amount and costs.
    """
    whole = season_weights(season)
    proceeds, costs = {}, {}
    for sale in season.sales:
        step = sale.terms.step
        weights = sale_weights(season, sale, whole)
        proceeds[sale.number] = split_exactly(sale_amount(sale, step), dict(weights), step)
        costs[sale.number] = split_exactly(round_to_step(sale.costs, step), dict(sale.dry_by_member), step)
    return proceeds, costs


def season_weights(season: Season) -> dict[tuple[str, int], dict[int, Decimal]]:
    """Return the price-weighted dry kg that each member has sold, by pool and season (place in `Season.spans`)."""
    whole: dict[tuple[str, int], dict[int, Decimal]] = {}
    for sale in season.sales:
        sums = whole.setdefault((sale.pool, season.place_of(sale.on)), {})
        for member, weight in sale.weight_by_member.items():
            sums[member] = sums.get(member, ZERO) + weight
    return whole


def sale_weights(
    season: Season, sale: PoolSale, whole: Mapping[tuple[str, int], Mapping[int, Decimal]]
) -> Mapping[int, Decimal]:
    """Return the weights by which a sale's money is shared among members, price-weighted dry kg."""
    return (
        whole[sale.pool, season.place_of(sale.on)] if sale.terms.price_rule == "pool_price" else sale.weight_by_member
    )


def pay_by_member(season: Season) -> dict[int, MemberPay]:
    """Return every member's money; the sum of proceeds is what buyers owe, exactly.

    Raises
    ------
    BalanceError
        Where it would not be so (a fault of the program).
    """
    proceeds, costs = share_sales(season)
    lost = write_offs(season, proceeds)
    result = {
        member: replace(
            _pay(season, member, proceeds, costs),
            written_off=sum((parts.get(member, ZERO) for parts in lost.values()), ZERO),
        )
        for member in season.member_ids()
    }
    owed = sum((sale_amount(sale, sale.terms.step) for sale in season.sales), ZERO)
    if sum((pay.proceeds for pay in result.values()), ZERO) != owed:
        raise BalanceError("the members' parts do not add up to what the buyers owe")
    return result


def write_offs(season: Season, proceeds: Mapping[int, Mapping[int, Decimal]]) -> dict[int, dict[int, Decimal]]:
    """Return what members bear of each amount that a buyer never pays, to the coin.

    Returns
    -------
    dict of the write-off's number to dict of member to money
        In proportion to the members' parts in that buyer's loads up to that day; each adds up exactly.
    """
    found = {}
    for item in season.money:
        if item.kind != "written_off":
            continue
        weights: dict[int, Decimal] = {}
        for sale in season.sales:
            if sale.buyer == item.party and sale.on <= item.on:
                for member, part in proceeds[sale.number].items():
                    weights[member] = weights.get(member, ZERO) + part
        step = season.terms_on(item.on).step
        if item.amount % step:  # written under another coin than the one agreed now
            step = Decimal(1).scaleb(min(int(item.amount.as_tuple().exponent), 0))
        if any(weights.values()):
            found[item.number] = split_exactly(item.amount, weights, step)
    return found


@dataclass(frozen=True)
class BuyerAccount:
    """A buyer's money: for loads, paid, written off; `open` is still owed, `ahead` was paid beyond what is owed.

    What came in counts for the loads that were to be paid first; `due_on` is the day of the first one not covered.
    """

    buyer: str
    loads: Decimal
    paid: Decimal
    written_off: Decimal = ZERO
    due_on: date | None = None

    @property
    def balance(self) -> Decimal:
        """Return loads less payments and what was written off; below 0 the buyer has paid ahead."""
        return self.loads - self.paid - self.written_off

    @property
    def open(self) -> Decimal:
        """Return what the buyer still owes, 0 or more."""
        return max(self.balance, ZERO)

    @property
    def ahead(self) -> Decimal:
        """Return what the buyer has paid beyond what is owed, 0 or more."""
        return max(-self.balance, ZERO)


def buyer_accounts(season: Season) -> dict[str, BuyerAccount]:
    """Return each buyer's account by name; nobody's payment counts against another's debt."""
    lost = write_offs(season, share_sales(season)[0])  # what nobody bears, as there is no load yet, is not lost
    names = {sale.buyer for sale in season.sales}
    names |= {item.party for item in season.money if item.kind in {"buyer_payment", "written_off"}}

    written = [item for item in season.money if item.kind == "written_off" and item.number in lost]
    accounts = {}
    for name in sorted(names):
        owed = sorted((sale.due_on, sale_amount(sale, sale.terms.step)) for sale in season.sales if sale.buyer == name)
        paid = sum((item.amount for item in season.money if item.kind == "buyer_payment" and item.party == name), ZERO)
        gone = sum((sum(lost[item.number].values(), ZERO) for item in written if item.party == name), ZERO)
        together = accumulate(amount for _due, amount in owed)
        late = (due for (due, _amount), so_far in zip(owed, together, strict=True) if so_far > paid + gone)
        loads = sum((amount for _due, amount in owed), ZERO)
        accounts[name] = BuyerAccount(name, loads, paid, gone, next(late, None))
    return accounts


def payable_now(season: Season, pays: Mapping[int, MemberPay]) -> dict[int, Decimal]:
    """Return what can be paid to each member from the cash that has come in, money.

    Returns
    -------
    dict of member to Decimal
        All that is due where the cash reaches; else the cash in proportion to what is due, in whole coins. Members to
        whom nothing is due, or for whom no coin is left, are left out.
    """
    due = {member: pay.due for member, pay in pays.items() if pay.due > 0}
    step = season.terms.step
    there = round_down(max(books(season).balance(CASH), ZERO), step)
    if there >= sum(due.values(), ZERO):
        return due
    parts = split_exactly(there, due, step)
    return {member: min(part, due[member]) for member, part in parts.items() if part > 0}


def lowest_cash(season: Season) -> tuple[date, Decimal] | None:
    """Return the day on which the pools' cash was lowest at the day's end, and what was in it; None without money."""
    by_day = {row.entry.on: row.balance for row in books(season).statement(CASH).rows}
    return min(by_day.items(), key=lambda item: (item[1], item[0])) if by_day else None


@dataclass
class _Levied:
    """What a member's levies are reckoned on: kg at the common moisture and proceeds since the season began."""

    place: int = -1
    kg: Decimal = ZERO
    proceeds: Decimal = ZERO
    before: Mapping[Deduction, Decimal] = field(default_factory=dict)

    def asked(self, levy: Levy, step: Decimal) -> Decimal:
        """Return what a levy has asked for so far, that of earlier seasons counted."""
        basis = self.kg if levy.kind == "per_kg" else self.proceeds
        return self.before.get((LEVIES, levy.name), ZERO) + round_down(levy.amount * basis, step)


def _pay(
    season: Season,
    member: int,
    proceeds: Mapping[int, Mapping[int, Decimal]],
    costs: Mapping[int, Mapping[int, Decimal]],
) -> MemberPay:
    """Go through the sales in order of day.

    Take off what was agreed, in its order, as far as the least take-home allows.
    """
    own = [item for item in season.money if item.party == str(member)]
    advances = [item for item in own if item.kind == "payment" and item.about == ADVANCE]
    loans = [loan for loan in season.loans if loan.member_id == member]
    gained = spent = room = took = ZERO
    wanted: dict[Deduction, Decimal] = {}
    taken: dict[Deduction, Decimal] = {}
    levied = _Levied()
    recoveries: list[tuple[date, int, int, Decimal]] = []
    for sale in season.sales:
        part, cost = proceeds[sale.number].get(member, ZERO), costs[sale.number].get(member, ZERO)
        if part == 0 and cost == 0:
            continue
        terms, step = sale.terms, sale.terms.step
        gained, spent = gained + part, spent + cost
        room = max(ZERO, gained - spent) * (1 - terms.minimum_take_home) - took
        if season.place_of(sale.on) != levied.place:  # a new season begins: its levies are reckoned from here
            levied = _Levied(season.place_of(sale.on), before=dict(wanted))
        levied.kg += sale.dry_by_member.get(member, ZERO) * 100 / (100 - terms.base_pct)
        levied.proceeds += part
        for kind in terms.order:
            for name, asked in _asked(season, kind, member, sale, levied, loans, advances, recoveries):
                key = (kind, name)
                wanted[key] = asked
                now = min(asked - taken.get(key, ZERO), round_down(max(ZERO, room), step))
                if now <= 0:
                    continue
                taken[key] = taken.get(key, ZERO) + now
                took, room = took + now, room - now
                if kind == LOANS:
                    recoveries.append((sale.on, sale.number, int(name), now))
    advanced = sum((item.amount for item in advances), ZERO)

    def of(kind: str) -> Decimal:
        return sum((amount for (its, _name), amount in taken.items() if its == kind), ZERO)

    return MemberPay(
        member_id=member,
        proceeds=gained,
        costs=spent,
        levies={name: taken.get((kind, name), ZERO) for kind, name in wanted if kind == LEVIES},
        charges=sum((item.amount for item in own if item.kind == "charge"), ZERO),
        paid=sum((item.amount for item in own if item.kind == "payment"), ZERO) - advanced,
        meter=of(METER),
        loans=of(LOANS),
        advances=of(ADVANCES),
        advanced=advanced,
        short={key: rest for key, sum_ in wanted.items() if (rest := sum_ - taken.get(key, ZERO)) > 0},
        recoveries=tuple(recoveries),
    )


def _asked(
    season: Season,
    kind: str,
    member: int,
    sale: PoolSale,
    levied: _Levied,
    loans: Sequence[Loan],
    advances: Sequence[MoneyEvent],
    recoveries: Sequence[tuple[date, int, int, Decimal]],
) -> list[tuple[str, Decimal]]:
    """Return what a kind of deduction asks for up to a sale: name and all money asked so far, taken or not."""
    if kind == LEVIES:
        return [(levy.name, levied.asked(levy, sale.terms.step)) for levy in sale.terms.levies]
    if kind == METER:
        amount = sum((amounts.get(member, ZERO) for on, _number, amounts in season.dues if on <= sale.on), ZERO)
        return [("", amount)] if amount > 0 else []
    if kind == ADVANCES:
        amount = sum((item.amount for item in advances if item.on <= sale.on), ZERO)
        return [("", amount)] if amount > 0 else []
    rows = []
    for loan in loans:
        if loan.on <= sale.on:
            own = [(on, number, amount) for on, number, which, amount in recoveries if which == loan.number]
            account = loan_account(loan, sale.on, sale.terms.step, own)
            rows.append((str(loan.number), account.recovered + max(ZERO, account.still_due)))
    return rows


def loan_accounts(season: Season, pays: Mapping[int, MemberPay], until: date) -> list[LoanAccount]:
    """Return the book of loans on a day, with what was recovered from members' pay."""
    accounts = []
    for loan in season.loans:
        pay = pays.get(loan.member_id)
        own = [
            (on, sale, amount) for on, sale, which, amount in (pay.recoveries if pay else ()) if which == loan.number
        ]
        accounts.append(loan_account(loan, until, season.terms_on(loan.on).step, own))
    return accounts


def first_payments_due(season: Season) -> dict[int, Decimal]:
    """Return the first payment of each member's deliveries, in whole coins: kg at the agreed moisture x rate."""
    sums: dict[int, Decimal] = {}
    for delivery in season.deliveries:
        terms = season.terms_on(delivery.on)
        weight = delivery.dry_kg * 100 / (100 - terms.base_pct)
        amount = weight * terms.first_payment_per_kg * terms.factor(delivery.grade, week_of(delivery.on))
        sums[delivery.member_id] = sums.get(delivery.member_id, ZERO) + round_to_step(amount, terms.step)
    return sums


Posted = tuple[Message, list[Line]]
Parts = Mapping[int, Decimal]
"""What members bear of an amount, by member."""


def _buyer_paid(item: MoneyEvent, _parts: Parts) -> Posted:
    lines = [debit(CASH, item.amount), credit(BUYERS, item.amount, item.party)]
    return message("{buyer} paid", buyer=item.party), lines


def _member_paid(item: MoneyEvent, _parts: Parts) -> Posted:
    advance = item.about == ADVANCE
    lines = [debit(ADVANCED if advance else PAYABLE, item.amount, item.party), credit(CASH, item.amount)]
    return message("Advance to a member") if advance else message("Paid to a member"), lines


def _charged(item: MoneyEvent, _parts: Parts) -> Posted:
    lines = [debit(PAYABLE, item.amount, item.party), credit(f"income:{item.about or 'charge'}", item.amount)]
    return message("Charged to a member"), lines


def _written_off(item: MoneyEvent, parts: Parts) -> Posted:
    lines = [debit(PAYABLE, part, str(member)) for member, part in parts.items() if part > 0]
    lines += [credit(BUYERS, sum(parts.values(), ZERO), item.party)] if lines else []
    return message("{buyer} never pays this", buyer=item.party), lines


def _put_in(item: MoneyEvent, _parts: Parts) -> Posted:
    return message("Put into the pools' cash"), [debit(CASH, item.amount), credit(GROUP_MONEY, item.amount)]


def _taken_out(item: MoneyEvent, _parts: Parts) -> Posted:
    return message("Taken out of the pools' cash"), [debit(GROUP_MONEY, item.amount), credit(CASH, item.amount)]


POSTINGS = {
    "buyer_payment": _buyer_paid,
    "payment": _member_paid,
    "charge": _charged,
    "written_off": _written_off,
    "money_in": _put_in,
    "money_out": _taken_out,
}


def books(season: Season) -> Journal:
    """Return the season's money as a double-entry journal: members, buyers, cash, levies.

    Proceeds are credited to members when the load is sold, the buyer owes them until he pays; levies are credited to
    their own accounts. Debits equal credits in every entry, by the journal's own check.
    """
    proceeds, costs = share_sales(season)
    lost = write_offs(season, proceeds)
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
        if item.kind in POSTINGS:
            text, lines = POSTINGS[item.kind](item, lost.get(item.number, {}))
            if lines:
                entries.append((item.on, item.number, text, lines))
    for on, number, amounts in season.passed_on:
        total = sum(amounts.values(), ZERO)
        lines = [debit(FOR_METER, amount, str(member)) for member, amount in amounts.items()]
        entries.append((on, number, message("Passed on to the meter's account"), [*lines, credit(CASH, total)]))
    last = max((entry[0] for entry in entries), default=None)
    for pay in pays.values():
        taken = [(f"income:{name}", name, amount, "") for name, amount in pay.levies.items()]
        taken.append((FOR_METER, METER, pay.meter, str(pay.member_id)))
        taken.append((ADVANCED, ADVANCES, pay.advances, str(pay.member_id)))
        for account, name, amount, party in taken:
            if amount > 0 and last is not None:
                lines = [debit(PAYABLE, amount, str(pay.member_id)), credit(account, amount, party)]
                entries.append((last, LATE, message("{levy} deducted", levy=name), lines))
    entries += _loan_entries(season, pays)
    for close in season.closes:
        entries.append((close.on, 2 * LATE + close.number, message("Cash counted"), []))
    journal = Journal()
    for on, number, text, lines in sorted(entries, key=lambda entry: (entry[0], entry[1])):
        if not lines:  # a close: what was counted differs from the books
            close = next(item for item in season.closes if item.number == number - 2 * LATE)
            over = close.counted - journal.balance(CASH)
            if over == 0:
                continue
            more, less = (CASH, OVER_AND_SHORT) if over > 0 else (OVER_AND_SHORT, CASH)
            lines = [debit(more, abs(over)), credit(less, abs(over))]
        journal = journal.post(on, text, lines)
    return journal


def _loan_entries(season: Season, pays: Mapping[int, MemberPay]) -> list[tuple[date, int, Message, list[Line]]]:
    """Return what the book of loans adds to the journal: lent, interest, repaid in cash, recovered from pay."""
    days = [sale.on for sale in season.sales] + [loan.on for loan in season.loans]
    days += [on for loan in season.loans for on, _number, _amount in loan.repaid]
    until = max(days, default=date.min)
    entries: list[tuple[date, int, Message, list[Line]]] = []
    for account in loan_accounts(season, pays, until):
        party, number = str(account.loan.member_id), account.loan.number
        for row in account.lines:
            lines = {
                "lent": [debit(LENT, row.amount, party), credit(CASH, row.amount)],
                "interest": [debit(LENT, row.amount, party), credit(INTEREST, row.amount)],
                "repaid": [debit(CASH, row.amount), credit(LENT, row.amount, party)],
                "recovered": [debit(PAYABLE, row.amount, party), credit(LENT, row.amount, party)],
            }[row.kind]
            entries.append((row.on, number if row.kind == "lent" else LATE, message(LOAN_WORDS[row.kind]), lines))
    return entries
