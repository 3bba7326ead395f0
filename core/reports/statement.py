"""A member's statement as one printable page (HTML without anything from outside; every entry escaped)."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from html import escape

from core.pool.payout import ADVANCE, ADVANCES, LOAN, METER
from core.pool.statements import MemberStatement, StatementDelivery
from core.pool.terms import week_of
from core.reports.tongue import ENGLISH, Tongue

MOST_DELIVERIES = 12
"""More than these are summed by week on the first page and listed one by one on the next."""
STYLE = (
    "html{background:#fff}"
    "body{font-family:Georgia,serif;max-width:46rem;margin:1rem auto;padding:0 .5rem;color:#22261f;font-size:.86rem}"
    "table{border-collapse:collapse;width:100%;margin:.3rem 0 .1rem}td,th{border-bottom:1px solid #bbb;"
    "padding:.12rem .35rem;text-align:right;vertical-align:bottom}td:first-child,th:first-child{text-align:left}"
    "td:first-child{white-space:nowrap}h1{font-size:1.25rem;margin:.2rem 0}h2{font-size:1rem;margin:.7rem 0 "
    ".1rem}p{margin:.15rem 0}"
    ".how{color:#555;font-style:italic}tr.sum td{font-weight:bold;border-bottom:2px solid #22261f}"
    ".next{break-before:page}.sign{margin-top:1.6rem;display:flex;gap:2rem}.sign p{flex:1;border-top:1px solid #22261f}"
    "@media print{body{margin:0;max-width:none}@page{size:A4;margin:14mm}}"
    "@media screen and (max-width:500px){"
    ".wide th{display:none}.wide tr{display:block;border:1px solid #bbb;padding:.3rem .5rem;margin:.3rem 0}"
    ".wide td{display:flex;justify-content:space-between;gap:1rem;border:0}.wide td:empty{display:none}"
    ".wide td:first-child{font-weight:bold}.wide td:not(:first-child)::before{content:attr(data-of);text-align:left}}"
)
MOST_COLUMNS_ON_A_PHONE = 3
"""A wider table becomes a card for each row on a narrow screen; on paper it stays a table."""


def _rows(rows: Sequence[tuple[str, ...]], sums: int = 0) -> str:
    head, *body = rows
    cells = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    lines = ""
    for place, row in enumerate(body):
        kind = " class='sum'" if place >= len(body) - sums else ""
        named = zip(head, row, strict=True)
        lines += f"<tr{kind}>" + "".join(f"<td data-of='{escape(of)}'>{escape(cell)}</td>" for of, cell in named)
        lines += "</tr>"
    wide = " class='wide'" if len(head) > MOST_COLUMNS_ON_A_PHONE else ""
    return f"<table{wide}><tr>{cells}</tr>{lines}</table>"


def statement_page(statement: MemberStatement, member: str, group: str, currency: str, tongue: Tongue = ENGLISH) -> str:
    """Return a member's statement as a page to print.

    Parameters
    ----------
    statement : MemberStatement
        From `make_statements`; masses in kg at the common moisture.
    member, group, currency : str
        Names and currency code, escaped here.
    tongue : Tongue
        The reader's language.

    Returns
    -------
    str
        A whole HTML page.
    """
    _ = tongue.look_up
    title = escape(_("Statement for {member}").format(member=member))
    days = [row.delivery.on for row in statement.deliveries] + [row.sale.on for row in statement.sales]
    span = f"{tongue.day(min(days))} – {tongue.day(max(days))}" if days else ""
    intro = _("{group}, {span}. Money in {currency}.").format(group=group, span=span, currency=currency)
    many = len(statement.deliveries) > MOST_DELIVERIES
    parts = [
        f"<h1>{title}</h1><p>{escape(intro)}</p>",
        _deliveries(statement, tongue, many),
        _grain(statement, tongue),
        _sales(statement, tongue, currency),
        _differences(statement, tongue, currency),
        _money(statement, tongue, currency),
        _buyers(statement, tongue, currency),
        _loans(statement, tongue, currency),
        f"<div class='sign'><p>{escape(_('Treasurer'))}</p><p>{escape(_('Member'))}</p></div>",
    ]
    if many:
        parts.append(f"<div class='next'><h2>{escape(_('All deliveries'))}</h2>")
        parts.append(_rows(_one_by_one(statement.deliveries, statement.base_pct, tongue)) + "</div>")
    return (
        f"<!doctype html><html><head><meta charset='utf-8'><meta name='viewport' content='width=device-width'>"
        f"<title>{title}</title><style>{STYLE}</style></head><body>{''.join(parts)}</body></html>"
    )


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
                _("Week"),
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
                    week,
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
    return f"<h2>{escape(_('What you delivered'))}</h2>{_rows(listed, 1)}<p class='how'>{escape(how)}</p>"


def _grain(statement: MemberStatement, tongue: Tongue) -> str:
    _ = tongue.look_up
    grain = [
        (_("Your grain"), _at(statement.base_pct, tongue)),
        (_("Delivered"), tongue.number(statement.delivered_kg, 1)),
        (_("Lost in store, your share"), tongue.number(-statement.lost_kg, 1)),
        (_("Sold"), tongue.number(-statement.sold_kg, 1)),
        (_("Still in store"), tongue.number(statement.in_store_kg, 1)),
    ]
    return _rows(grain, 1)


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
        f"{week} × {tongue.plain(factor)}"
        for week, factor in sorted(statement.terms.week_factors.items())
        if factor != 1
    ]
    if factors:
        how.append(_("Counted kg are kg times the agreed price factors: {factors}.").format(factors=", ".join(factors)))
    if statement.terms.price_rule == "pool_price":
        how.append(_("One price for the season: counted kg are those of all loads together."))
    how.append(_("Parts are rounded to whole coins so that all members' parts add up to what the buyer paid."))
    return f"<h2>{escape(_('What it sold for'))}</h2>{_rows(sales, 1)}<p class='how'>{escape(' '.join(how))}</p>"


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
    return "".join(f"<p>{escape(line)}</p>" for line in lines)


def _money(statement: MemberStatement, tongue: Tongue, currency: str) -> str:
    _ = tongue.look_up
    pay = statement.pay

    def line(name: str, amount: Decimal) -> tuple[str, str]:
        return name, tongue.amount(amount, currency)

    rows = [(_("Money"), currency), line(_("Your part of the sales"), pay.proceeds)]
    rows.append(line(_("less truck and market"), -pay.costs))
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
    for name, amount in pay.short.items():
        if name != ADVANCES and not name.startswith(LOAN):
            words = _("{name}: {amount} could not be deducted yet.")
            said = _("meter fees") if name == METER else name
            notes.append(words.format(name=said, amount=tongue.amount(amount, currency)))
    below = "".join(f"<p>{escape(words)}</p>" for words in notes)
    return f"<h2>{escape(_('Your net pay'))}</h2>{_rows(rows, 1)}{below}"


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
    return f"<h2>{escape(_('What the buyers owe all members together'))}</h2>{_rows(rows)}"


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
    return f"<h2>{escape(_('Your loans'))}</h2>{_rows(rows, 1)}<p class='how'>{escape(how)}</p>"
