"""No contradiction: in the example groups, in random groups, and in groups that came from files."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.advice import situation
from core.errors import PlanError
from core.group.database import open_store
from tests.advice.groups import NOW, Heap, small_group

CROPS = ("maize", "common_bean", "groundnut_pod", "sorghum", "cowpea", "paddy")


OWN_LIMIT = {
    "commodity": "maize",
    "standard": "ours",
    "product": "maize",
    "moisture_pct": 11.0,
    "source": "the group",
    "basis": "judgement",
}


def said(now) -> list[str]:
    """Return a situation's contradictions as words."""
    return [str(found) for found in now.contradictions()]


@pytest.fixture(scope="module")
def example(tmp_path_factory):
    from demo_data.load import fill_with_demo

    store = open_store(f"sqlite:///{tmp_path_factory.mktemp('example') / 'x.sqlite3'}")
    fill_with_demo(store, NOW)
    for group in store.groups():
        store.set_fact(group.id, "plan.scenarios", 20, "entered", "test", NOW)
    yield store
    store.engine.dispose()


@pytest.mark.parametrize("at", [0, pytest.param(1, marks=pytest.mark.slow), pytest.param(2, marks=pytest.mark.slow)])
def test_the_example_groups_speak_with_one_voice(example, at):
    assert said(situation(example, example.groups()[at].id, NOW)) == []


heaps = st.lists(
    st.builds(
        Heap,
        st.sampled_from(CROPS),
        st.integers(1, 30),
        st.lists(st.floats(8.0, 26.0).map(lambda pct: round(pct, 1)), min_size=1, max_size=6).map(tuple),
    ),
    min_size=1,
    max_size=4,
)
wished = st.fixed_dictionaries(
    {
        "protectant_waiting_days": st.integers(0, 120),
        "interest_monthly": st.floats(0.0, 0.08).map(lambda share: round(share, 3)),
        "plan.risk_weight": st.sampled_from([0.0, 0.5]),
        "plan.scenarios": st.just(10),
        "plan.weeks": st.integers(8, 20),
    }
)


@settings(max_examples=4)
@given(heaps=heaps, facts=wished, priced=st.booleans())
def test_random_groups_speak_with_one_voice(heaps, facts, priced):
    with tempfile.TemporaryDirectory() as folder:
        store = small_group(f"sqlite:///{folder}/x.sqlite3", heaps, facts, priced)
        try:
            now = situation(store, store.groups()[0].id, NOW)
            assert said(now) == []
            assert now.headline.total == sum(lot.bags for lot in now.plan.case.lots)
        except PlanError as error:
            assert "no lot can be planned" in str(error)  # noqa: PT017
            assert not priced or all(heap.crop not in CROPS for heap in heaps)
        finally:
            store.engine.dispose()


def test_a_group_from_a_table_speaks_with_one_voice(tmp_path):
    """The invented notebook: lots and tests from its file, prices assumed where nobody entered any."""
    import demo_data
    from core.group.reading_tables import import_preview, open_table, preview_table
    from core.group.records import Group

    store = open_store(f"sqlite:///{tmp_path / 'x.sqlite3'}")
    group = store.add_group(Group(name="From a table", latitude=9.0, longitude=1.0, time_zone="Africa/Lome"))
    store.set_fact(group, "plan.scenarios", 12, "entered", "test", NOW)
    data = (Path(demo_data.__file__).parent / "notebook_table.csv").read_bytes()
    opened = open_table(data, "notebook_table.csv", store, group)
    import_preview(preview_table(opened, opened.options, store, group, NOW), store, group, "test", NOW)
    now = situation(store, group, datetime(2026, 5, 6, 7, tzinfo=UTC))
    assert now.lots
    assert any(price.assumed for price in now.prices)
    assert {item.subject for item in now.assumed if item.important} >= {"price", "weather"}
    assert said(now) == []
    store.engine.dispose()


def test_a_group_taken_elsewhere_in_a_file_says_the_same(tmp_path):
    """Export of all that a group owns and its import into another database: the same lots, plan, days and money."""
    from core.programme.group_file import export_group, group_uid
    from core.programme.group_merge import merge_files

    here = small_group(
        f"sqlite:///{tmp_path / 'one.sqlite3'}", (Heap("maize", 9, (17.0, 17.4)), Heap("cowpea", 5, (11.0,)))
    )
    group = here.groups()[0].id
    here.documents.write("limits", str(group), {"rows": [OWN_LIMIT]}, NOW)
    here.set_fact(group, "limit_standard", "ours", "entered", "test", NOW)
    content = export_group(here, group, group_uid(here, group, lambda: "u-1", NOW), NOW)
    there = open_store(f"sqlite:///{tmp_path / 'two.sqlite3'}")
    outcome = merge_files(there, [("group.zip", content)], NOW)[0]
    assert there.groups(), str(outcome)
    one = situation(here, group, NOW)
    assert one.lots[0].limit_pct == 11.0  # the group's own limit binds, there as here
    two = situation(there, there.groups()[0].id, NOW + timedelta(minutes=1))
    assert [(lot.label, lot.bags, lot.verdict) for lot in one.lots] == [
        (lot.label, lot.bags, lot.verdict) for lot in two.lots
    ]
    assert [price.per_kg for price in one.prices] == [price.per_kg for price in two.prices]
    assert one.headline == two.headline
    assert [(item.on, str(item.what)) for item in one.actions] == [(item.on, str(item.what)) for item in two.actions]
    assert said(two) == []
    here.engine.dispose()
    there.engine.dispose()
