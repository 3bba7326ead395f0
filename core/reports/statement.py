"""A member's statement as one printable page (HTML without anything from outside; every entry escaped)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

from core.pool.statements import MemberStatement

STYLE = (
    "body{font-family:Georgia,serif;max-width:46rem;margin:1.5rem auto;color:#22261f}"
    "table{border-collapse:collapse;width:100%;margin:.6rem 0}td,th{border-bottom:1px solid #bbb;padding:.25rem .4rem;"
    "text-align:right}td:first-child,th:first-child{text-align:left}h1{font-size:1.3rem}"
)


def _rows(rows: Sequence[tuple[str, ...]]) -> str:
    head, *body = rows
    cells = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    lines = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in body)
    return f"<table><tr>{cells}</tr>{lines}</table>"


def statement_page(
    statement: MemberStatement, member: str, group: str, currency: str, translate: Callable[[str], str] = str
) -> str:
    """Return a member's statement as a page to print.

    Parameters
    ----------
    statement : MemberStatement
        From `make_statements`; masses in kg at the common moisture.
    member, group, currency : str
        Names and currency code, escaped here.
    translate : callable
        Turns the English words into the reader's.

    Returns
    -------
    str
        A whole HTML page.
    """
    _ = translate
    base = statement.base_pct
    common = _("kg at {base} %").format(base=base)
    deliveries = [(_("Delivered on"), _("Receipt"), _("Net kg"), _("Moisture %"), _("Water kg"), common)]
    for row in statement.deliveries:
        item = row.delivery
        deliveries.append(
            (
                item.on.isoformat(),
                str(item.number),
                f"{item.net_kg:.1f}",
                str(item.moisture_pct),
                f"{row.water_kg:.1f}",
                f"{row.common_kg:.1f}",
            )
        )
    sales = [(_("Sold on"), _("Buyer"), common, _("Your part"), _("Truck and market"))]
    for sold in statement.sales:
        sales.append(
            (
                sold.sale.on.isoformat(),
                sold.sale.buyer,
                f"{sold.common_kg:.1f}",
                f"{sold.proceeds:,.2f}",
                f"{sold.costs:,.2f}",
            )
        )
    pay = statement.pay
    sums = [(_("Money"), currency), (_("Your part of what buyers pay"), f"{pay.proceeds:,.2f}")]
    sums.append((_("less truck and market"), f"{-pay.costs:,.2f}"))
    sums += [(_("less {name}").format(name=name), f"{-amount:,.2f}") for name, amount in pay.levies.items()]
    sums.append((_("less charges"), f"{-pay.charges:,.2f}"))
    sums.append((_("less paid already"), f"{-pay.paid:,.2f}"))
    sums.append((_("Still due to you"), f"{pay.due:,.2f}"))
    grain = [
        (_("Grain"), common),
        (_("Delivered"), f"{statement.delivered_kg:.1f}"),
        (_("Lost in store, your share"), f"{-statement.lost_kg:.1f}"),
        (_("Sold"), f"{-sum((row.common_kg for row in statement.sales), start=type(base)(0)):.1f}"),
        (_("Still in store"), f"{statement.in_store_kg:.1f}"),
    ]
    body = _rows(deliveries) + _rows(grain) + _rows(sales) + _rows(sums)
    title = escape(_("Statement for {member}").format(member=member))
    return (
        f"<!doctype html><html><head><meta charset='utf-8'><title>{title}</title><style>{STYLE}</style></head>"
        f"<body><h1>{title}</h1><p>{escape(group)}</p>{body}</body></html>"
    )
