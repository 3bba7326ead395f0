"""A member's statement as one printable page (HTML without anything from outside; every entry escaped)."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from core.pool.payout import ADVANCE, LEVIES, METER
from core.pool.statements import MemberStatement, StatementDelivery
from core.pool.terms import first_day_of, week_of, week_words
from core.reports.printed import heading, page, paragraph, signatures, table
from core.reports.tongue import ENGLISH, Tongue

MOST_DELIVERIES = 12
"""More than these are summed by week on the first page and listed one by one on the next."""


def statement_page(statement: MemberStatement, member: str, group: str, currency: str, tongue: Tongue = ENGLISH) -> str:
    """Return a member's statement as a page to print.

    Returns
    -------
    str
        A whole HTML page.
    """
    _ = tongue.look_up
    title = _("Statement for {member}").format(member=member)
    days = [row.delivery.on for row in statement.deliveries] + [row.sale.on for row in statement.sales]
    span = f"{tongue.day(min(days))} – {tongue.day(max(days))}" if days else ""
    intro = _("{group}, {span}. Money in {currency}.").format(group=group, span=span, currency=currency)
    many = len(statement.deliveries) > MOST_DELIVERIES
    parts = [
        heading(title, 1) + paragraph(intro),
        _deliveries(statement, tongue, many),
        _grain(statement, tongue),
        _sales(statement, tongue, currency),
        _differences(statement, tongue, currency),
        _money(statement, tongue, currency),
        _buyers(statement, tongue, currency),
        _loans(statement, tongue, currency),
        signatures([_("Treasurer"), _("Member")]),
    ]
    if many:
        listed = table(_one_by_one(statement.deliveries, statement.base_pct, tongue))
        parts.append(f"<div class=next>{heading(_('All deliveries'))}{listed}</div>")
    return page(title, parts, tongue.language)


def _one_by_one(rows: Sequence[StatementDelivery], base: Decimal, tongue: Tongue) -> list[tuple[str, ...]]:
    _ = tongue.look_up
    listed: list[tuple[str, ...]] = [
        (_("Delivered on"), _("Receipt"), _("Grade"), _("Net kg"), _("Moisture %"), _("Water kg"), _at(base, tongue))
    ]
    for row in rows:
        item = row.delivery
        listed.append(
            (
                tongue.day(item.on),
                item.receipt_number,
                item.grade,
                tongue.number(item.net_kg, 1),
                tongue.number(item.moisture_pct, 1),
                tongue.number(row.water_kg, 1),
                tongue.number(row.common_kg, 1),
            )
        )
    return listed


def _at(base: Decimal, tongue: Tongue) -> str:
    _ = tongue.look_up
    return _("kg at {base} %").format(base=tongue.plain(base))


def _deliveries(statement: MemberStatement, tongue: Tongue, many: bool) -> str:
    _ = tongue.look_up
    base = statement.base_pct
    listed = _one_by_one(statement.deliveries, base, tongue)
    if many:
        listed = [
            (
                _("Week of"),
                _("Receipts"),
                _("Grade"),
                _("Net kg"),
                _("Average moisture %"),
                _("Water kg"),
                _at(base, tongue),
            )
        ]
        groups: dict[tuple[str, str], list[StatementDelivery]] = {}
        for row in statement.deliveries:
            groups.setdefault((week_of(row.delivery.on), row.delivery.grade), []).append(row)
        for (week, grade), rows in sorted(groups.items()):
            net = sum((row.delivery.net_kg for row in rows), Decimal(0))
            dry = sum((row.delivery.dry_kg for row in rows), Decimal(0))
            common = sum((row.common_kg for row in rows), Decimal(0))
            listed.append(
                (
                    tongue.day(first_day_of(week)),
                    str(len(rows)),
                    grade,
                    tongue.number(net, 1),
                    tongue.number(100 - 100 * dry / net, 2),
                    tongue.number(net - common, 1),
                    tongue.number(common, 1),
                )
            )
    net = sum((row.delivery.net_kg for row in statement.deliveries), Decimal(0))
    total = statement.delivered_kg
    listed.append(
        (_("Together"), "", "", tongue.number(net, 1), "", tongue.number(net - total, 1), tongue.number(total, 1))
    )
    how = _("{at} = net kg × (100 − moisture) ÷ {rest}. Only water is taken out.").format(
        at=_at(base, tongue), rest=tongue.plain(100 - base)
    )
    if any(row.water_kg < 0 for row in statement.deliveries):
        how += " " + _("A minus means that the grain was drier than {base} %: it counts for more.").format(
            base=tongue.plain(base)
        )
    return heading(_("What you delivered")) + table(listed, sums=1) + paragraph(how, "how")


def _grain(statement: MemberStatement, tongue: Tongue) -> str:
    _ = tongue.look_up
    grain = [
        (_("Your grain"), _at(statement.base_pct, tongue)),
        (_("Delivered"), tongue.number(statement.delivered_kg, 1)),
        (_("Lost in store, your share"), tongue.number(-statement.lost_kg, 1)),
        (_("Sold"), tongue.number(-statement.sold_kg, 1)),
        (_("Still in store"), tongue.number(statement.in_store_kg, 1)),
    ]
    return table(grain, sums=1)


def _sales(statement: MemberStatement, tongue: Tongue, currency: str) -> str:
    _ = tongue.look_up
    if not statement.sales:
        return ""
    plain = all(row.counted_kg == row.common_kg and row.all_counted_kg == row.load_kg for row in statement.sales)
    counted = () if plain else (_("counted kg of all"), _("your counted kg"))
    sales: list[tuple[str, ...]] = [
        (
            _("Sold on"),
            _("Buyer"),
            _("kg of all"),
            _("your kg"),
            _("Buyer paid"),
            *counted,
            _("Your part"),
            _("Truck, market"),
            _("Your cost"),
        )
    ]
    for sold in statement.sales:
        counted = () if plain else (tongue.number(sold.all_counted_kg, 3), tongue.number(sold.counted_kg, 3))
        sales.append(
            (
                tongue.day(sold.sale.on),
                sold.sale.buyer,
                tongue.number(sold.load_kg, 3),
                tongue.number(sold.common_kg, 3),
                tongue.amount(sold.load_money, currency),
                *counted,
                tongue.amount(sold.proceeds, currency),
                tongue.amount(sold.load_costs, currency),
                tongue.amount(sold.costs, currency),
            )
        )
    pay = statement.pay
    blank = ("",) * (0 if plain else 2)
    kg = tongue.number(statement.sold_kg, 3)
    together = (tongue.amount(pay.proceeds, currency), "", tongue.amount(pay.costs, currency))
    sales.append((_("Together"), "", "", kg, "", *blank, *together))
    part = _("Your part = buyer paid × your counted kg ÷ counted kg of all;")
    if plain:
        part = _("Your part = buyer paid × your kg ÷ kg of all;")
    how = [part, _("your cost = truck and market × your kg ÷ kg of all.")]
    factors = [
        f"{_('grade')} {name} × {tongue.plain(factor)}"
        for name, factor in statement.terms.grade_factors.items()
        if factor != 1
    ]
    factors += [
        f"{tongue.say(week_words(week))} × {tongue.plain(factor)}"
        for week, factor in sorted(statement.terms.week_factors.items())
        if factor != 1
    ]
    if factors:
        how.append(_("Counted kg are kg times the agreed price factors: {factors}.").format(factors=", ".join(factors)))
    if statement.terms.price_rule == "pool_price":
        how.append(_("One price for the season: counted kg are those of all loads together."))
    how.append(_("Parts are rounded to whole coins so that all members' parts add up to what the buyer paid."))
    return heading(_("What it sold for")) + table(sales, sums=1) + paragraph(" ".join(how), "how")


def _differences(statement: MemberStatement, tongue: Tongue, currency: str) -> str:
    _ = tongue.look_up
    lines = []
    for effect, amount in statement.effects:
        if not any(effect.by_member.values()):
            continue
        words = _("{sentence}: {amount} for you against one price for all.")
        lines.append(
            words.format(
                sentence=tongue.say(effect.sentence),
                amount=f"{'+' if amount > 0 else ''}{tongue.amount(amount, currency)}",
            )
        )
    return "".join(paragraph(line) for line in lines)


def _money(statement: MemberStatement, tongue: Tongue, currency: str) -> str:
    _ = tongue.look_up
    pay = statement.pay

    def line(name: str, amount: Decimal) -> tuple[str, str]:
        return name, tongue.amount(amount, currency)

    rows = [(_("Money"), currency), line(_("Your part of the sales"), pay.proceeds)]
    rows.append(line(_("less truck and market"), -pay.costs))
    if pay.written_off:
        rows.append(line(_("less your part of the money that a buyer never pays"), -pay.written_off))
    taken = {
        "levies": [
            line(_("less {name}").format(name=f"{name} ({_rate(statement, name, tongue)})"), -amount)
            for name, amount in pay.levies.items()
        ],
        "meter": [line(_("less meter fees, passed on to the meter's account"), -pay.meter)] if pay.meter else [],
        "loans": [line(_("less recovered on loans"), -pay.loans)] if pay.loans else [],
        "advances": [line(_("less advances paid back"), -pay.advances)] if pay.advances else [],
    }
    for kind in statement.terms.order:
        rows += taken[kind]
    rows += [
        line(
            _("less charge {day} {about}").format(day=tongue.day(item.on), about=item.about or item.reference),
            -item.amount,
        )
        for item in statement.payments
        if item.kind == "charge"
    ]
    rows.append(line(_("Your net pay"), pay.take_home))
    for item in statement.payments:
        if item.kind == "payment" and item.about != ADVANCE:
            words = _("paid {day} {reference}").format(day=tongue.day(item.on), reference=item.reference)
            rows.append(line(words.strip(), -item.amount))
    rows.append(line(_("Still due to you") if pay.due >= 0 else _("Paid to you above what was due"), pay.due))
    notes = []
    if pay.advanced:
        words = _("Advances you had: {advanced}; still to pay back: {open}.")
        notes.append(
            words.format(advanced=tongue.amount(pay.advanced, currency), open=tongue.amount(pay.owes, currency))
        )
    kept = statement.terms.minimum_take_home
    if kept > 0:
        least = _("The group agreed that you get at least {part} % of the sales after truck and market.")
        notes.append(least.format(part=tongue.plain(100 * kept)))
    for (kind, name), amount in pay.short.items():
        if kind in (LEVIES, METER):
            words = _("{name}: {amount} could not be deducted yet.")
            said = _("meter fees") if kind == METER else name
            notes.append(words.format(name=said, amount=tongue.amount(amount, currency)))
    return heading(_("Your net pay")) + table(rows, sums=1) + "".join(paragraph(words) for words in notes)


def _buyers(statement: MemberStatement, tongue: Tongue, currency: str) -> str:
    """Say what the buyers of the loads owe all members together, and what has come in: pay waits for it."""
    _ = tongue.look_up
    if not statement.buyers:
        return ""
    rows = [(_("Buyer"), _("For all loads"), _("Received"), _("Never paid"), _("Still owed by the buyer"))]
    rows += [
        (
            item.buyer,
            tongue.amount(item.loads, currency),
            tongue.amount(item.paid, currency),
            tongue.amount(item.written_off, currency),
            tongue.amount(item.open, currency),
        )
        for item in statement.buyers
    ]
    return heading(_("What the buyers owe all members together")) + table(rows)


def _rate(statement: MemberStatement, name: str, tongue: Tongue) -> str:
    levy = next((item for item in statement.terms.levies if item.name == name), None)
    if levy is None:
        return ""
    return f"{tongue.plain(levy.amount)} / kg" if levy.kind == "per_kg" else f"{tongue.plain(100 * levy.amount)} %"


def _loans(statement: MemberStatement, tongue: Tongue, currency: str) -> str:
    _ = tongue.look_up
    if not statement.loans:
        return ""
    words = {
        "lent": _("lent"),
        "interest": _("interest"),
        "repaid": _("paid back in cash"),
        "recovered": _("deducted from your pay"),
    }
    rows = [(_("Loan"), _("Day"), _("Item"), _("Amount"), _("Principal due"), _("Interest due"))]
    for account in statement.loans:
        rate = f"{tongue.plain(100 * account.loan.monthly_rate)} %"
        name = _("No. {number}, {rate} a month, {purpose}").format(
            number=account.loan.number, rate=rate, purpose=account.loan.purpose
        )
        for line in account.lines:
            rows.append(
                (
                    name.rstrip(", "),
                    tongue.day(line.on),
                    words[line.kind],
                    tongue.amount(line.amount, currency),
                    tongue.amount(line.principal_due, currency),
                    tongue.amount(line.interest_due, currency),
                )
            )
            name = ""
    due = sum((account.still_due for account in statement.loans), Decimal(0))
    rows.append((_("Still due on loans"), "", "", "", "", tongue.amount(due, currency)))
    how = _("Interest = principal due × rate after each whole month; money in pays interest first.")
    return heading(_("Your loans")) + table(rows, sums=1) + paragraph(how, "how")
