"""A delivery's receipt to print: two slips on a page, one for the member and one for the group."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from html import escape

from core.pool.deliveries import Delivery, weight_at

STYLE = (
    "body{font-family:Georgia,serif;max-width:26rem;margin:1rem auto;color:#22261f}"
    "section{border:1px solid #22261f;padding:.6rem "
    "1rem;margin-bottom:1.2rem}table{width:100%;border-collapse:collapse}"
    "td{padding:.15rem 0;border-bottom:1px dotted "
    "#999}td:last-child{text-align:right}h1{font-size:1.1rem;margin:.1rem 0}"
    ".sign{margin-top:2rem;display:flex;gap:2rem}.sign p{flex:1;border-top:1px solid #22261f;font-size:.8rem}"
)


def receipt_page(
    delivery: Delivery, member: str, group: str, base_pct: Decimal, translate: Callable[[str], str] = str
) -> str:
    """Return a receipt as a page to print, every entry escaped.

    Parameters
    ----------
    base_pct : Decimal
        Common moisture, % wet basis.
    """
    _ = translate
    common = weight_at(delivery.dry_kg, base_pct)
    rows = [
        (_("Day"), delivery.on.isoformat()),
        (_("Member"), member),
        (_("Pool"), delivery.pool),
        (_("Crop"), f"{delivery.commodity.replace('_', ' ')}, {_('grade')} {delivery.grade}"),
        (_("Bags"), str(delivery.bags)),
        (_("Gross"), f"{delivery.gross_kg:,.1f} kg"),
        (_("Tare"), f"{delivery.tare_kg:,.1f} kg"),
        (_("Net"), f"{delivery.net_kg:,.1f} kg"),
        (_("Moisture"), f"{delivery.moisture_pct:.1f} % ± {delivery.moisture_sd_pct:.1f}"),
        (_("At {base} % moisture").format(base=base_pct), f"{common:,.1f} kg"),
        (_("Weighed by"), delivery.who),
    ]
    how = _("{net} × (100 − {moisture}) ÷ {rest} = {common}").format(
        net=f"{delivery.net_kg:.1f}",
        moisture=f"{delivery.moisture_pct:.1f}",
        rest=f"{float(100 - base_pct):g}",
        common=f"{common:.1f}",
    )
    cells = "".join(f"<tr><td>{escape(name)}</td><td>{escape(value)}</td></tr>" for name, value in rows)
    title = escape(_("Receipt {number}").format(number=delivery.receipt_number))
    slips = ""
    for copy in (_("for the member"), _("for the group")):
        slips += (
            f"<section><h1>{title}</h1><p>{escape(group)} – {escape(copy)}</p><table>{cells}</table>"
            f"<p><i>{escape(how)}</i></p><div class='sign'><p>{escape(_('Weighed by'))}</p>"
            f"<p>{escape(_('Member'))}</p></div></section>"
        )
    return (
        f"<!doctype html><html><head><meta charset='utf-8'><title>{title}</title><style>{STYLE}</style></head>"
        f"<body>{slips}</body></html>"
    )
