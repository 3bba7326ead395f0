"""The page on which a group adds its own crop."""

from __future__ import annotations

import numpy as np
import pytest

from core.grain.sorption import equilibrium_moisture
from core.group.own_crops import own_crops
from core.group.records import Lot
from tests.dashboard.pages import open_page


def test_coefficients_become_an_own_crop_that_can_be_checked(demo_store):
    app = open_page("own_crop")
    assert not app.exception
    app.radio(key="own_way").set_value("coefficients").run()
    app.text_input(key="own_name").set_value("Oats <b>")
    app.selectbox(key="own_form").select("chung-pfost")
    # Oats, ASAE D245: 442.85, 0.21228, 35.803.
    for letter, value in zip("abc", (442.85, 0.21228, 35.803), strict=True):
        app.number_input(key=f"own_{letter}").set_value(value)
    app.text_input(key="own_source").set_value("ASAE D245, oats")
    app.run()
    assert not app.exception
    assert not app.error
    app.button(key="own_keep").click().run()
    group = demo_store.groups()[0]
    kept = own_crops(demo_store, group.id)
    assert list(kept) == ["own_oats__b"]
    assert equilibrium_moisture(kept["own_oats__b"], 25, 65) == pytest.approx(11.755, abs=0.002)
    check = open_page("check")
    check.selectbox(key="check_crop").select("own_oats__b")
    check.number_input(key="check_temperature").set_value(25.0)
    check.number_input(key="check_humidity").set_value(80.0)
    check.run()
    assert not check.exception
    assert any("Too wet" in box.value for box in check.info)
    demo_store.add_lot(Lot(group_id=group.id, label="H1", commodity="own_oats__b", bags=4))
    named = {option for box in open_page("sales").selectbox for option in box.options}
    assert "H1: 4 bags of Oats <b>" in named  # by its name, not its code


def test_bad_coefficients_get_a_sentence(demo_store):
    app = open_page("own_crop")
    app.radio(key="own_way").set_value("coefficients").run()
    app.text_input(key="own_name").set_value("x")
    for letter, value in zip("abc", (8e-5, -1.8, 50.0), strict=True):
        app.number_input(key=f"own_{letter}").set_value(value)
    app.text_input(key="own_source").set_value("somewhere")
    app.run()
    assert not app.exception
    assert any("no grain has such a curve" in error.value for error in app.error)


def test_pairs_are_fitted_and_too_few_refused(demo_store):
    app = open_page("own_crop")
    app.text_input(key="own_name").set_value("Valley white")
    humidity = np.array([45.0, 55, 65, 75, 82])
    moisture = 1.05 * equilibrium_moisture("maize", 27.0, humidity)
    rows = {
        index: {
            "temperature_c": 27.0,
            "relative_humidity_pct": float(humidity[index]),
            "moisture_pct": float(moisture[index]),
        }
        for index in range(len(humidity))
    }
    app.session_state["own_pairs_calibrate"] = {"edited_rows": rows, "added_rows": [], "deleted_rows": []}
    app.run()
    assert not app.exception
    assert not app.error
    assert any("5 pairs" in text.value for text in app.markdown)
    few = {index: rows[index] for index in range(2)}
    app.session_state["own_pairs_calibrate"] = {"edited_rows": few, "added_rows": [], "deleted_rows": []}
    app.run()
    assert any("too few" in error.value for error in app.error)


def test_rows_can_be_typed_with_decimal_commas(demo_store):
    app = open_page("own_crop")
    app.text_input(key="own_name").set_value("Valley white")
    humidity = np.array([45.0, 55, 65, 75])
    moisture = equilibrium_moisture("maize", 27.0, humidity)
    lines = "\n".join(f"27,0; {h:.0f}; {m:.2f}".replace(".", ",") for h, m in zip(humidity, moisture, strict=True))
    app.text_area(key="own_pasted_calibrate").set_value(lines).run()
    assert not app.exception
    assert not app.error
    assert any("4 pairs" in text.value for text in app.markdown)
    app.text_area(key="own_pasted_calibrate").set_value("27 sixty 13").run()
    assert any("not three numbers" in error.value for error in app.error)
