"""Fill in and send the forms of the pages in the test runner."""

from __future__ import annotations

import re
from typing import Any

from streamlit.testing.v1 import AppTest


def field(app: AppTest, form: str, name: str) -> Any:
    """Return the widget of a form's field, whatever round the form is in and whatever the field follows."""
    shape = re.compile(rf"{re.escape(form)}\.\d+\.{re.escape(name)}(\..*)?")
    for kind in ("selectbox", "text_input", "text_area", "date_input", "checkbox", "multiselect"):
        for widget in getattr(app, kind):
            if widget.key and shape.fullmatch(widget.key):
                return widget
    raise AssertionError(f"{form} shows no field {name}")


def fill(app: AppTest, form: str, **values: Any) -> AppTest:
    """Fill in fields one after another, as a person does."""
    for name, value in values.items():
        field(app, form, name).set_value(value).run()
        assert not app.exception
    return app


def fill_together(app: AppTest, form: str, **values: Any) -> AppTest:
    """Fill in fields of which none follows another, and draw the page once."""
    for name, value in values.items():
        field(app, form, name).set_value(value)
    app.run()
    assert not app.exception
    return app


def press(app: AppTest, form: str, button: str) -> AppTest:
    """Press a form's button: 'continue', 'record' or 'change'."""
    app.button(key=f"{form}.{button}").click().run()
    assert not app.exception
    return app


def send(app: AppTest, form: str) -> AppTest:
    """Send a form and confirm its summary."""
    return press(press(app, form, "continue"), form, "record")


def summary(app: AppTest, form: str) -> str:
    """Return what a form is about to record, without the signs that make it harmless for Markdown."""
    assert any(button.key == f"{form}.record" for button in app.button), [error.value for error in app.error]
    bold = [item.value for item in app.markdown if item.value.startswith("**")]
    return re.sub(r"\\(.)", r"\1", bold[-1])


def faults(app: AppTest) -> list[str]:
    """Return what is said beside fields that are wrong."""
    return [item.value for item in app.markdown if item.value.startswith(":red[")]
