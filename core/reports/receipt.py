"""A delivery's receipt: two slips on a page to print, one for the member and one for the group, or a short message."""

from __future__ import annotations

import unicodedata
from decimal import Decimal
from html import escape

from core.grain.commodities import crop_words
from core.pool.deliveries import Delivery, weight_at
from core.reports.tongue import ENGLISH, Tongue

SHORT_TEMPLATE = (
    "Receipt {number}, {day}: {member} delivered {bags} bags, {net} kg {commodity} at {moisture} %, "
    "grade {grade}. At {base} %: {weight} kg. {pool}"
)
STYLE = (
    "body{font-family:Georgia,serif;max-width:26rem;margin:1rem auto;color:#22261f}"
    "section{border:1px solid #22261f;padding:.6rem "
    "1rem;margin-bottom:1.2rem}table{width:100%;border-collapse:collapse}"
    "td{padding:.15rem 0;border-bottom:1px dotted "
    "#999}td:last-child{text-align:right}h1{font-size:1.1rem;margin:.1rem 0}"
    ".sign{margin-top:2rem;display:flex;gap:2rem}.sign p{flex:1;border-top:1px solid #22261f;font-size:.8rem}"
)


def receipt_page(delivery: Delivery, member: str, group: str, base_pct: Decimal, tongue: Tongue = ENGLISH) -> str:
    """Return a receipt as a page to print, every entry escaped.

    Parameters
    ----------
    base_pct : Decimal
        Common moisture, % wet basis.
    tongue : Tongue
        The reader's language.
    """
    _ = tongue.look_up
    common = weight_at(delivery.dry_kg, base_pct)
    rows = [
        (_("Day"), tongue.day(delivery.on)),
        (_("Member"), member),
        (_("Pool"), delivery.pool),
        (_("Crop"), f"{_(crop_words(delivery.commodity))}, {_('grade')} {delivery.grade}"),
        (_("Bags"), str(delivery.bags)),
        (_("Gross"), f"{tongue.number(delivery.gross_kg, 1)} kg"),
        (_("Tare"), f"{tongue.number(delivery.tare_kg, 1)} kg"),
        (_("Net"), f"{tongue.number(delivery.net_kg, 1)} kg"),
        (_("Moisture"), f"{tongue.number(delivery.moisture_pct, 1)} % ± {tongue.number(delivery.moisture_sd_pct, 1)}"),
        (_("At {base} % moisture").format(base=tongue.plain(base_pct)), f"{tongue.number(common, 1)} kg"),
        (_("Weighed by"), delivery.who),
    ]
    how = _("{net} × (100 − {moisture}) ÷ {rest} = {common}").format(
        net=tongue.number(delivery.net_kg, 1),
        moisture=tongue.number(delivery.moisture_pct, 1),
        rest=tongue.plain(100 - base_pct),
        common=tongue.number(common, 1),
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


GSM_SIGNS = frozenset(
    "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./:;<=>?¡ÄÖÑÜ§¿äöñüà\n\r"
    "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
)
"""Signs that take one place in a short message: the default alphabet of 3GPP TS 23.038, section 6.2.1."""
SHORT_MESSAGE_SIGNS = 160


def in_gsm_signs(text: str) -> str:
    """Return a text in signs that every phone's short message holds: letters lose accents, the rest become '?'."""
    kept = []
    for sign in text:
        if sign in GSM_SIGNS:
            kept.append(sign)
            continue
        plain = "".join(part for part in unicodedata.normalize("NFKD", sign) if part in GSM_SIGNS)
        kept.append(plain or ("-" if unicodedata.category(sign) == "Pd" else "?"))
    return "".join(kept)


def short_message(delivery: Delivery, member: str, base_pct: Decimal, tongue: Tongue = ENGLISH) -> str:
    """Return a receipt of at most 160 signs, one short message on any phone.

    Parameters
    ----------
    delivery : Delivery
    member : str
        Name; cut, as the pool's, where the message would grow too long.
    base_pct : Decimal
        Common moisture, % wet basis.
    tongue : Tongue
        The reader's language.
    """
    values = {
        "number": delivery.receipt_number,
        "day": tongue.day(delivery.on),
        "bags": delivery.bags,
        "net": tongue.number(delivery.net_kg, 1),
        "commodity": tongue.say(crop_words(delivery.commodity)),
        "moisture": tongue.plain(delivery.moisture_pct),
        "grade": delivery.grade,
        "base": tongue.plain(base_pct),
        "weight": tongue.number(weight_at(delivery.dry_kg, base_pct), 1),
    }
    template = tongue.look_up(SHORT_TEMPLATE)
    for width in range(40, 0, -1):
        text = in_gsm_signs(template.format(member=member[:width], pool=delivery.pool[:width], **values))
        if len(text) <= SHORT_MESSAGE_SIGNS:
            return text
    return text[:SHORT_MESSAGE_SIGNS]
