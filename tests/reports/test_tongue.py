"""A sentence's numbers, days and names as a reader of each language writes them."""

from __future__ import annotations

import ast
import re
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from babel.dates import format_date

from core.market.buyers import Buyer, Offer, buyer_words
from core.messages import Figure, Money, message
from core.pool.terms import week_words, weeks_typed
from core.reports.tongue import Tongue
from core.tables.dates import date_and_time
from dashboard import text

CORE = Path(__file__).resolve().parents[2] / "core"
HALVES = message(
    "{a} {b} {c:.1f} {d} {e} {year}",
    a=12.5,
    b=Decimal("0.25"),
    c=1234.56,
    d=Figure(1234.5, ",.1f"),
    e=(Figure(1.0, "g"), 2.5),
    year=2026,
)


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "12.5 0.25 1234.6 1,234.5 1, 2.5 2026"),
        ("sw", "12.5 0.25 1234.6 1,234.5 1, 2.5 2026"),
        ("fr", "12,5 0,25 1234,6 1\u202f234,5 1, 2,5 2026"),
        ("pt", "12,5 0,25 1234,6 1.234,5 1, 2,5 2026"),
    ],
)
def test_numbers_have_the_reader_s_signs_whatever_format_the_sentence_gives_them(language, said):
    assert Tongue(language).say(HALVES) == said
    assert language != "en" or str(HALVES) == said


def test_money_in_a_sentence_is_written_as_on_every_page():
    owed = message("{sum}", sum=Money(12500.0, "XOF"))
    assert (str(owed), Tongue("fr").say(owed)) == ("XOF 12,500", "XOF 12\u202f500")


def test_no_number_is_written_into_a_sentence_before_its_reader_is_known():
    """A format such as ``f"{x:.1f}"`` inside what builds a sentence keeps a point where French has a comma."""
    makers, bad = re.compile(r"(message|Message|plural|say)$|Error$"), []
    for path in CORE.rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(call, ast.Call) or not makers.search(ast.unparse(call.func)):
                continue
            for part in ast.walk(call):
                digits = getattr(part, "format_spec", None)
                if digits is not None and re.search(r"[fge]'$", ast.unparse(digits).replace('"', "'")):
                    bad.append(f"{path.name}:{part.lineno}")
    assert bad == []


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "Mill (offer until 25 Nov 2026)"),
        ("fr", "Mill (offre jusqu'au 25 nov. 2026)"),
        ("pt", "Mill (oferta até 25/11/2026)"),
        ("sw", "Mill (bei hadi 25 Nov 2026)"),
    ],
)
def test_an_offer_is_named_with_its_day_as_the_other_pages_write_days(language, said):
    offer = Offer(Buyer("Mill"), "maize", 300.0, date(2026, 11, 1), date(2026, 11, 25))
    tongue = Tongue(language, text._catalogue(language))
    words = tongue.say(buyer_words(offer.name))
    assert tongue.day(date(2026, 11, 25)) in words
    assert words.startswith("Mill (")
    assert "2026-11-25" not in words
    assert language not in ("en", "fr") or words == said
    assert str(buyer_words("Mill (old)")) == "Mill (old)"


@pytest.mark.parametrize("language", ["en_GB", "fr", "pt", "sw", "es"])
def test_days_as_each_language_abbreviates_its_months_are_read_back(language):
    """Babel's own words for the twelve months: "12 févr. 2026", "12 Mac 2026"."""
    for month in range(1, 13):
        day = date(2026, month, 12)
        assert date_and_time(format_date(day, "medium", language)) == (day, None, None)


def test_a_week_with_a_price_of_its_own_is_told_by_any_of_its_days():
    """ISO week 1 of 2026 begins on 29 December 2025, so week 20 nineteen weeks later, on 11 May."""
    assert weeks_typed("11 May 2026: 95\n17.5.2026: 95\n2026-W21: 110") == {"2026-W20": "0.95", "2026-W21": "1.1"}
    assert Tongue().say(week_words("2026-W20")) == "week of 11 May 2026"
