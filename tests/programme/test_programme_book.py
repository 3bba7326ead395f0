"""Targets, baselines and rates in the programme's book; several currencies at a stated day's rate, never mixed."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa

from core.errors import InputError, StoreError
from core.group.database import open_store
from core.group.records import Group
from core.programme.currencies import ExchangeRate, in_one_currency, rate_between, same_currency
from core.programme.programme_book import (
    against_target,
    cancel_entry,
    enter_goal,
    enter_rate,
    goal_words,
    programme_book,
)

OLDER = Path(__file__).parents[1] / "group" / "older"
AT = datetime(2026, 11, 2, 9, tzinfo=UTC)
# Official fixed parity: 1 EUR = 655.957 XOF (Council Decision 98/683/EC; BCEAO).
PARITY = ExchangeRate("EUR", "XOF", 655.957, date(1999, 1, 1), "fixed parity, BCEAO")


@pytest.fixture
def store(tmp_path):
    opened = open_store(f"sqlite:///{tmp_path / 'p.sqlite3'}")
    opened.add_group(Group(name="A", currency="XOF"))
    opened.add_group(Group(name="B", currency="GHS"))
    yield opened
    opened.engine.dispose()


def test_a_groups_own_target_comes_before_the_programmes(store):
    first, second = (group.id for group in store.groups())
    enter_goal(store, "target", "dry_when_sold", 0.9, date(2027, 6, 30), "Officer", AT, "work plan")
    enter_goal(store, "target", "dry_when_sold", 0.7, date(2027, 6, 30), "Officer", AT, "agreed", group_id=second)
    book = programme_book(store)
    assert book.goal("target", "dry_when_sold", first).value == 0.9
    assert book.goal("target", "dry_when_sold", second).value == 0.7
    assert book.goal("target", "dry_when_sold").who == "Officer"
    assert book.goal("baseline", "dry_when_sold") is None


def test_the_later_entry_counts_and_none_takes_away(store):
    enter_goal(store, "baseline", "days_to_dry", 9.0, date(2025, 6, 1), "Officer", AT)
    enter_goal(store, "baseline", "days_to_dry", 8.0, date(2025, 6, 1), "Officer", AT)
    assert programme_book(store).goal("baseline", "days_to_dry").value == 8.0
    enter_goal(store, "baseline", "days_to_dry", None, date(2025, 6, 1), "Officer", AT)
    assert programme_book(store).goal("baseline", "days_to_dry") is None
    assert len(store.programme_entries()) == 3  # nothing is rubbed out


def test_an_entry_taken_back_does_not_count(store):
    number = enter_goal(store, "target", "dry_when_sold", 0.9, date(2027, 6, 30), "Officer", AT)
    cancel_entry(store, number, date(2026, 11, 3), "Officer", AT)
    assert programme_book(store).goal("target", "dry_when_sold") is None


@pytest.mark.parametrize(
    ("key", "value"), [("dry_when_sold", 90.0), ("unheard_of", 1.0), ("days_to_dry", float("nan"))]
)
def test_what_cannot_be_a_target_is_refused(store, key, value):
    with pytest.raises(InputError):
        enter_goal(store, "target", key, value, date(2027, 6, 30), "Officer", AT)


def test_money_targets_need_a_currency(store):
    with pytest.raises(InputError, match="currency"):
        enter_goal(store, "target", "cost_per_tonne_tested", 3.0, date(2027, 6, 30), "Officer", AT)


def test_words_say_where_it_cannot_be_told(store):
    enter_goal(store, "target", "dry_when_sold", 0.8, date(2027, 6, 30), "Officer", AT)
    enter_goal(store, "target", "days_to_dry", 6, date(2027, 6, 30), "Officer", AT)
    book = programme_book(store)
    share, days = book.goal("target", "dry_when_sold"), book.goal("target", "days_to_dry")
    assert against_target("dry_when_sold", 0.85, 0.95, share) == "reached"
    assert against_target("dry_when_sold", 0.4, 0.7, share) == "not reached"
    assert against_target("dry_when_sold", 0.7, 0.95, share) == "cannot tell yet"
    assert against_target("days_to_dry", 3.0, 5.0, days) == "reached"
    assert against_target("days_to_dry", 7.0, 9.0, days) == "not reached"
    assert against_target("days_to_dry", None, None, days) == "cannot tell yet"
    assert "cannot tell" in str(goal_words("cannot tell yet"))


def test_rates_by_the_stated_day_both_ways_and_the_parity(store):
    enter_rate(store, PARITY, "Officer", AT)
    enter_rate(store, ExchangeRate("EUR", "GHS", 12.0, date(2026, 10, 1), "central bank"), "Officer", AT)
    enter_rate(store, ExchangeRate("EUR", "GHS", 13.0, date(2026, 10, 15), "central bank"), "Officer", AT)
    rates = programme_book(store).rates
    assert rate_between(rates, "XOF", "EUR", date(2026, 11, 1)).factor == pytest.approx(1 / 655.957)
    assert rate_between(rates, "EUR", "GHS", date(2026, 10, 10)).factor == 12.0
    assert rate_between(rates, "EUR", "GHS", date(2026, 10, 20)).on == date(2026, 10, 15)
    assert rate_between(rates, "EUR", "GHS", date(2026, 9, 1)) is None  # never a rate from after the stated day
    assert rate_between(rates, "XOF", "GHS", date(2026, 11, 1)) is None  # never through a third currency
    assert rates[0].entered_by == "Officer"


def money_table():
    return pd.DataFrame(
        {
            "key": ["cost_per_tonne_tested"] * 3 + ["days_to_dry"],
            "value": [6559.57, 120.0, 4.0, 5.0],
            "numerator": [65595.7, 240.0, 8.0, 50.0],
            "variance": [np.nan, 9.0, 1.0, 0.5],
            "currency": ["XOF", "GHS", "EUR", ""],
        }
    )


def test_without_a_rate_money_stays_in_its_own_currency():
    table = in_one_currency(money_table(), "EUR", date(2026, 11, 1), [PARITY])
    assert table["value"].tolist() == pytest.approx([10.0, 120.0, 4.0, 5.0])
    assert table["currency"].tolist() == ["EUR", "GHS", "EUR", ""]
    assert table["rate_on"].tolist() == [date(1999, 1, 1), None, date(2026, 11, 1), None]
    compared, kept = same_currency(table, "EUR")
    assert compared["value"].tolist() == pytest.approx([10.0, 4.0, 5.0])
    assert kept["currency"].tolist() == ["GHS"]


def test_variance_goes_with_the_square_of_the_rate():
    rate = ExchangeRate("GHS", "EUR", 0.08, date(2026, 10, 1), "central bank")
    table = in_one_currency(money_table(), "EUR", date(2026, 11, 1), [rate])
    assert (table["value"][1], table["variance"][1]) == pytest.approx((9.6, 9 * 0.08**2))


@pytest.mark.parametrize(
    "wrong",
    [
        *(("EUR", "EUR", 1.0, "x"), ("EUR", "XOF", 0.0, "x"), ("EUR", "XOF", 2.0, " ")),
        *(("EUR", "XOF", rate, "x") for rate in (-1.0, np.inf, np.nan)),
        *((code, "XOF", 1.0, "x") for code in ("eur", "EU", "EURO", "ÉUR", "E1R", "EUR\n")),
        ("XOF", "EURO", 1.0, "x"),
    ],
)
def test_a_wrong_rate_is_refused(wrong):
    with pytest.raises(InputError):
        ExchangeRate(wrong[0], wrong[1], wrong[2], date(2026, 1, 1), wrong[3])


def test_entries_that_stood_in_groups_books_are_carried_over(tmp_path):
    """By hand from tests/group/older/schema_0002.sql: 0.5 cancelled, then 0.9 for all, 0.7 for group 2."""
    path = tmp_path / "older.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((OLDER / "schema_0002.sql").read_text(encoding="utf-8"))
    store = open_store(f"sqlite:///{path}")
    book = programme_book(store)
    assert (book.goal("target", "dry_when_sold", 1).value, book.goal("target", "dry_when_sold", 2).value) == (0.9, 0.7)
    assert (book.currency, book.rates_on) == ("EUR", date(2026, 11, 1))
    assert [(rate.source_currency, rate.rate) for rate in book.rates] == [("KES", 0.0067)]
    assert (book.goals["target", "dry_when_sold", None].who, len(store.programme_entries())) == ("Officer", 6)
    store.mark_removed(1, AT)  # what the programme agreed does not go with the first group
    assert programme_book(store).goal("target", "dry_when_sold").value == 0.9
    with pytest.raises(StoreError), store.transaction() as inside:
        inside.connection.execute(sa.text("DELETE FROM programme_entries"))
    assert len(store.programme_entries()) == 6
    store.engine.dispose()


def test_before_its_day_a_target_is_not_due_yet(store):
    enter_goal(store, "target", "dry_when_sold", 0.8, date(2027, 6, 30), "Officer", AT)
    goal = programme_book(store).goal("target", "dry_when_sold")
    assert against_target("dry_when_sold", 0.4, 0.7, goal, date(2026, 11, 30)) == "not due yet"
    assert against_target("dry_when_sold", 0.4, 0.7, goal, date(2027, 6, 30)) == "not reached"
    assert against_target("dry_when_sold", 0.85, 0.95, goal, date(2026, 11, 30)) == "reached"
    assert "not due yet" in str(goal_words("not due yet"))
