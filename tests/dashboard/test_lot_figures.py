"""Pages on drying and storage show the situation's figures and none of their own."""

from __future__ import annotations

import re
from datetime import timedelta

from core.advice import situation
from core.group.possessions import possessions
from dashboard import state
from dashboard.text import day
from tests.dashboard.pages import open_page


def test_pages_tell_the_situations_figures(demo_store):
    """Days to dry, keeping date and test date on the pages are those of the situation, for every lot shown."""
    app = open_page("drying")
    group = demo_store.groups()[0].id
    now = situation(demo_store, group, state.now())
    lot_id = app.selectbox(key="drying_lot").value
    space = next(
        one for one in possessions(demo_store, group).spaces if one.name == app.selectbox(key="drying_space").value
    )
    low, middle, high = now.drying(lot_id, space, state.now()).found.outlook.days
    answer = " ".join(item.value for item in app.info)
    numbers = [
        int(value)
        for value in re.findall(r"\b\d+\b", answer.split("Dry in")[1].replace("8 in 10", "").replace("day 1", ""))
    ]
    assert set(numbers) <= {int(low), int(middle), int(high)}
    assert not any("What if" in item.value for item in app.caption)
    app.number_input(key=f"drying_moisture_{lot_id}").set_value(21.0).run()
    assert any("What if" in item.value for item in app.caption)

    stored = open_page("storage_tests")
    judged, _others = now.in_store
    first = judged[0]
    due = day(now.today + timedelta(days=first.where_it_lies().test_days))
    assert f"Open {first.lot.label} first: test it by {due}." in [item.value for item in stored.info]
