"""A delivery's receipt: two slips on a page to print, one for the member and one for the group, or a short message."""

from __future__ import annotations

import unicodedata
from decimal import Decimal

from core.grain.commodities import crop_words
from core.messages import plural
from core.pool.deliveries import Delivery, weight_at
from core.reports.printed import heading, page, paragraph, signatures, table
from core.reports.tongue import ENGLISH, Tongue


def receipt_page(delivery: Delivery, member: str, group: str, base_pct: Decimal, tongue: Tongue = ENGLISH) -> str:
    """Return a receipt as a page to print, every entry escaped.

    Parameters
    ----------
    base_pct : Decimal
        Common moisture, % wet basis.
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
    title = _("Receipt {number}").format(number=delivery.receipt_number)
    slips = []
    for copy in (_("for the member"), _("for the group")):
        head = heading(title, 1) + paragraph(f"{group} – {copy}")
        signed = signatures([_("Weighed by"), _("Member")])
        slips.append(f"<section>{head}{table([('', ''), *rows])}{paragraph(how, 'how')}{signed}</section>")
    return page(title, slips, tongue.language)


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
    member : str
        Name; cut, as the pool's, where the message would grow too long.
    base_pct : Decimal
        Common moisture, % wet basis.
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
    words = plural(
        "bags",
        "Receipt {number}, {day}: {member} delivered {bags} bag, {net} kg {commodity} at {moisture} %, "
        "grade {grade}. At {base} %: {weight} kg. {pool}",
        "Receipt {number}, {day}: {member} delivered {bags} bags, {net} kg {commodity} at {moisture} %, "
        "grade {grade}. At {base} %: {weight} kg. {pool}",
    )
    for width in range(40, 0, -1):
        text = in_gsm_signs(tongue.say(words, member=member[:width], pool=delivery.pool[:width], **values))
        if len(text) <= SHORT_MESSAGE_SIGNS:
            return text
    return text[:SHORT_MESSAGE_SIGNS]
