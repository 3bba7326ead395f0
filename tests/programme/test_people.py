"""Cells by sex and age: small ones blank, and none that follows from the totals of rows or columns."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.group.records import Group, Member
from core.programme.counting import Records, share
from core.programme.people import NOT_KNOWN, age_group, consent_share, hidden_cells, people_table, sex_of
from tests.programme.test_indicators import small


def told_by_totals(people, hidden, hidden_total):
    """Return the counts of people whose figure follows from a shown total by subtraction, one for each such line."""
    found = []
    for counts, blank in [*zip(people, hidden, strict=True), (people.sum(axis=0), hidden_total)]:
        # a row's total is always known; a row that is blank altogether says no more than that total
        if counts[blank].sum() < counts.sum():
            found += [(np.sum(counts[blank] > 0), counts[blank].sum())]
    for column in np.flatnonzero(~hidden_total):
        counts, blank = people[:, column], hidden[:, column]
        found += [(np.sum(counts[blank] > 0), counts[blank].sum())]
    return [(cells, count) for cells, count in found if count > 0]


def test_one_small_cell_takes_the_next_smallest_with_it():
    # 3 | 9 | 20 people: 3 is small, and 3 = 32 - 9 - 20, so 9 goes too
    hidden, _total = hidden_cells(np.array([[3, 9, 20]]))
    assert hidden.tolist() == [[True, True, False]]


def test_two_small_cells_together_below_five_are_not_enough():
    # 1 + 2 = 3 people follow from 33 - 30: the third cell goes too
    hidden, _total = hidden_cells(np.array([[1, 2, 30]]))
    assert hidden.tolist() == [[True, True, True]]


def test_another_groups_cell_goes_where_a_column_would_tell():
    people = np.array([[3, 9, 12], [15, 16, 17], [18, 19, 25]])
    hidden, total = hidden_cells(people)
    assert hidden[0].tolist() == [True, True, False]
    assert not total.any()
    # the column of 3: total 36 is shown, so a second group's cell is hidden there
    assert hidden[:, 0].sum() == 2
    assert all(cells >= 2 and count >= 5 for cells, count in told_by_totals(people, hidden, total))


def test_nothing_is_hidden_without_need():
    hidden, total = hidden_cells(np.array([[5, 9], [0, 20]]))
    assert not hidden.any()
    assert not total.any()


def test_a_total_goes_where_only_one_group_stands_behind_it():
    hidden, total = hidden_cells(np.array([[3, 9, 20], [0, 0, 30]]))
    assert hidden[0].tolist() == [True, True, False]
    assert total.tolist() == [True, True, False]


@given(st.lists(st.lists(st.integers(0, 12), min_size=3, max_size=3), min_size=1, max_size=6))
def test_no_line_gives_a_small_cell_away(rows):
    people = np.array(rows)
    hidden, total = hidden_cells(people)
    assert not ((people > 0) & (people < 5) & ~hidden).any()
    assert not ((people.sum(axis=0) > 0) & (people.sum(axis=0) < 5) & ~total).any()
    assert all(cells >= 2 and count >= 5 for cells, count in told_by_totals(people, hidden, total))


def group_of(number, sexes):
    members = [Member(id=at, group_id=number, name=f"m{at}", sex=sex) for at, sex in enumerate(sexes)]
    empty = pd.DataFrame()
    return Records(Group(id=number, name=f"g{number}"), members, [], empty, empty, empty)


def test_values_of_cells_by_hand():
    record = group_of(1, ["female"] * 6 + ["male"] * 5)
    owned = [(True, at) for at in range(6)] + [(False, at) for at in range(6, 11)] + [(False, 0), (True, None)]
    table = people_table([(record, share("dry_when_bagged", owned))], sex_of)
    whole = table.whole.set_index("cell")
    assert whole.loc["female", "value"] == pytest.approx(6 / 7)
    assert whole.loc["male", "value"] == 0
    assert whole["people"].tolist() == [6, 5]
    assert table.by_group["value"].tolist() == whole["value"].tolist()


def test_a_blank_cell_shows_neither_people_nor_value():
    record = group_of(1, ["female"] * 9 + ["male"] * 2)
    table = people_table([(record, share("dry_when_bagged", [(True, at) for at in range(11)]))], sex_of)
    assert table.whole["suppressed"].all()
    assert table.whole[["people", "value"]].isna().all().all()
    assert table.by_group[["people", "value"]].isna().all().all()


def test_age_groups_and_consent():
    from datetime import date

    members = [Member(group_id=1, name="a", birth_year=2000, consent=True), Member(group_id=1, name="b")]
    assert [age_group(member, date(2026, 5, 1)) for member in members] == ["below 30", NOT_KNOWN]
    assert age_group(Member(group_id=1, name="c", birth_year=1996), date(2026, 5, 1)) == "30 to 59"
    assert age_group(Member(group_id=1, name="c", birth_year=1966), date(2026, 5, 1)) == "60 and above"
    assert consent_share(members) == (1, 2)


def test_pooled_lots_are_nobodys_own():
    from core.programme.indicators import group_indicators

    found = group_indicators(small())["cost_per_tonne_tested"]
    assert people_table([(small(), found)], sex_of, fewest=1).whole.empty


def test_a_ratio_of_sums_is_weighted_in_its_cells():
    from core.programme.counting import ratio

    record = group_of(1, ["female"] * 5 + ["male"] * 6)
    pairs = [(1.0, 10.0)] * 4 + [(30.0, 60.0)] + [(2.0, 4.0)] * 6
    table = people_table([(record, ratio("gain_planned", pairs, list(range(11))))], sex_of)
    assert table.whole.set_index("cell")["value"].tolist() == pytest.approx([34 / 100, 0.5])


def test_lots_of_nobody_known_stand_in_for_a_second_blank_cell():
    # 2 people of unknown sex are blank; what is left of the total is theirs and that of 6 lots without an owner
    hidden, _total = hidden_cells(np.array([[12, 9, 2]]), never_shown=np.array([6]))
    assert hidden.tolist() == [[False, False, True]]
    # two such lots only: 4 together are too few, so the next smallest cell goes
    hidden, _total = hidden_cells(np.array([[12, 9, 2]]), never_shown=np.array([2]))
    assert hidden.tolist() == [[False, True, True]]
    # nothing small, nothing blank
    hidden, _total = hidden_cells(np.array([[12, 9, 8]]), never_shown=np.array([1]))
    assert not hidden.any()
