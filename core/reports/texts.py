"""Messages to a simple phone: one text a member, at most 160 characters of the 7-bit alphabet, counted right."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from core.advice.season import MemberPart
from core.advice.whole import Situation
from core.messages import message, plural
from core.reports.tongue import ENGLISH, Tongue

LONGEST = 160
"""Septets of one message (3GPP TS 23.038: 140 octets of 8 bits hold 160 characters of 7 bits)."""

BASIC = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ ÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
"""The default alphabet, 3GPP TS 23.038 section 6.2.1 (without the escape)."""

EXTENDED = "^{}\\[~]|€\f"
"""Characters of the extension table, section 6.2.1.1: each takes an escape and a character, two septets."""

INSTEAD = {
    "–": "-",
    "—": "-",
    "−": "-",
    "’": "'",
    "‘": "'",
    "“": '"',
    "”": '"',
    "…": "...",
    "·": "-",
    "\xa0": " ",
    "\u202f": " ",
}
STEP_WORDS = {
    "dry": plural("bags", "dry {bags} bag {lot}", "dry {bags} bags {lot}"),
    "gather": message("test and gather {bags} {lot}"),
    "store": message("store {bags} {lot}"),
    "sell": message("sell {bags} {lot}"),
    "home": message("keep {bags} {lot}"),
}


@dataclass(frozen=True)
class PhoneText:
    """A message for one member: name, phone number as the records have it, and words."""

    name: str
    phone: str
    words: str


def septets(text: str) -> int:
    """Return how many septets a text takes in the 7-bit alphabet.

    Raises
    ------
    ValueError
        A character is not in the alphabet.
    """
    total = 0
    for letter in text:
        if letter in BASIC:
            total += 1
        elif letter in EXTENDED:
            total += 2
        else:
            wrong = f"{letter!r} is not in the 7-bit alphabet"
            raise ValueError(wrong)
    return total


def basic_letters(text: str) -> str:
    """Return a text with every character that the 7-bit alphabet lacks replaced by its nearest."""
    made = []
    for letter in text:
        if letter in BASIC or letter in EXTENDED:
            made.append(letter)
            continue
        plain = INSTEAD.get(letter) or unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
        made.append(plain or "?")
    return "".join(made)


def phone_texts(now: Situation, tongue: Tongue = ENGLISH) -> tuple[PhoneText, ...]:
    """Return a message for each member with a lot in the plan: the next own steps, as many as fit, and a caution."""
    phones = {member.name: member.phone for member in now.store.members(now.group_id)}
    return tuple(
        PhoneText(part.name, phones.get(part.name, ""), _words(part, now, tongue)) for part in now.members if part.name
    )


def _words(part: MemberPart, now: Situation, tongue: Tongue) -> str:
    """Return as many of a member's next steps as fit."""
    head = basic_letters(f"{now.group.name}, {part.name}: ")
    care = basic_letters(" " + tongue.say("Do not eat mouldy grain."))
    nothing = tongue.say("no step for you is planned.")
    room = LONGEST - septets(care)
    if septets(head) > 60:
        head = basic_letters(f"{part.name}: ")
    said = head
    for item in part.days:
        step = tongue.say(STEP_WORDS[item.kind], bags=item.bags, lot=item.lot)
        longer = basic_letters(f"{said}{'' if said == head else '; '}{tongue.weekday(item.on)} {step}")
        if septets(longer) + 1 > room:
            break
        said = longer
    said = said + "." if said != head else basic_letters(head + nothing)
    while septets(said) > room:
        said = said[:-1]
    return said + care
