"""Seasons of a group from its harvest days, by hand."""

from datetime import date

from core.group.harvests import harvest_seasons
from core.group.records import Lot


def lot(day: date | None, status: str = "sold") -> Lot:
    return Lot(group_id=1, label="a", commodity="maize", harvested_on=day, status=status)


def test_harvests_far_apart_are_seasons_of_their_own() -> None:
    """1 May and 20 May lie together; 10 November is 174 days later; each lasts until the day before the next."""
    lots = [lot(date(2025, 5, 20)), lot(date(2025, 11, 10)), lot(date(2025, 5, 1)), lot(None, "wet"), lot(None)]
    late, early = harvest_seasons(lots)
    assert (early.first, early.last, early.until) == (date(2025, 5, 1), date(2025, 5, 20), date(2025, 11, 9))
    assert (late.first, late.last, late.until) == (date(2025, 11, 10), date(2025, 11, 10), None)
    assert [early.holds(item) for item in lots] == [True, False, True, False, False]
    assert [late.holds(item) for item in lots] == [False, True, False, True, False]


def test_without_a_day_there_is_no_season() -> None:
    assert harvest_seasons([lot(None)]) == []
