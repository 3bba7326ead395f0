"""The storage page opens, answers, keeps choices and takes wrong input kindly."""

from __future__ import annotations

from core.advice import situation
from dashboard import state
from dashboard.names import method_name
from tests.dashboard.pages import open_page


def test_opens_with_an_answer_picture_and_cautions(demo_store):
    app = open_page("storage")
    assert not app.exception
    assert not app.error
    assert app.info
    assert any("mouldy" in warning.value for warning in app.warning)
    assert any("waiting time" in warning.value for warning in app.warning)
    assert "storage_keeping" not in _charts(app)  # it may go into no store: a picture of no bars says nothing
    app.selectbox(key="storage_lot").select(0).run()
    app.number_input(key="storage_moisture").set_value(10.0).run()
    assert "Keeps at least until" in app.get("plotly_chart")[0].proto.spec


def test_a_lot_in_store_that_is_not_surely_dry_is_said_so_on_both_parts_of_the_page(demo_store):
    """One page said that a lot is not dry enough for its store, the other until when it keeps there."""
    group = demo_store.groups()[0].id
    now = situation(demo_store, group, state.now())
    urgent = open_page("storage_tests").dataframe[0].value.set_index("Lot")
    kept = {one.lot.lot_id: (one.lot.label, one.where_it_lies()) for one in now.in_store[0]}
    for label, outlook in kept.values():
        said = urgent.loc[label, "Keeps until (95 % sure)"]
        assert (said == "not surely dry enough") == (outlook.refusal is not None)
    app = open_page("storage")
    label, outlook = kept[app.selectbox(key="storage_lot").value]
    there = app.dataframe[0].value.set_index("Way of storing")
    column = "Keeps until (95 % sure)"
    assert there.loc[method_name(outlook.method), column] == urgent.loc[label, column]


def _charts(app):
    return " ".join(chart.key or "" for chart in app.get("plotly_chart"))


def test_a_lot_by_hand_too_wet_is_told_to_dry(demo_store):
    app = open_page("storage")
    app.selectbox(key="storage_lot").select(0).run()
    app.number_input(key="storage_moisture").set_value(20.0).run()
    assert not app.exception
    text = " ".join(part.value for part in app.markdown)
    assert "Too wet to seal" in text
    answer = " ".join(part.value for part in app.info)
    assert "not dry enough to store" in answer
    assert "keeps longest" not in answer


def test_a_group_without_anything_opens(empty_store):
    app = open_page("storage")
    assert not app.exception
    assert app.info


def test_a_sieve_count_is_kept_and_changes_the_forecast(demo_store):
    app = open_page("storage_tests")
    app.number_input(key="sieve_count").set_value(40)
    next(button for button in app.button if button.label == "Save the count").click().run()
    assert not app.exception
    group = demo_store.groups()[0].id
    sieves = [event for event in demo_store.events(group, "diary") if event.kind == "sieve"]
    assert sieves[-1].payload["insects_per_kg"] == 40
