"""Phones on the Wi-Fi: a code of six digits, wrong ones slowed down, off by default."""

from __future__ import annotations

import re
import sys

import pytest

from dashboard import __main__ as start
from dashboard import sharing
from dashboard.sharing import Gate
from tests.dashboard.pages import open_page


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def test_codes_have_six_digits_and_differ():
    codes = {sharing.new_code() for _try in range(50)}
    assert all(re.fullmatch(r"\d{6}", code) for code in codes)
    assert len(codes) > 45  # by chance two of 50 agree once in 800 runs


def test_the_right_code_opens_and_its_pass_is_known():
    gate = Gate("012345", Clock())
    assert not gate.knows(None)
    assert not gate.knows("")
    found = gate.enter(" 012345 ")
    assert found is not None
    assert gate.knows(found)
    assert not Gate("012345").knows(found)


def test_a_million_codes_take_years():
    """Tried as fast as the gate lets: 3 free, then waits of 4, 8, ... 600 s, so 1,000 tries take more than six days."""
    clock = Clock()
    gate = Gate("999999", clock)
    for number in range(1000):
        assert gate.enter(f"{number:06d}") is None
        clock.now += gate.wait_seconds()
    assert clock.now > 6 * 86400


def test_while_all_wait_the_right_code_is_not_taken_either():
    clock = Clock()
    gate = Gate("999999", clock)
    for _try in range(3):
        gate.enter("000000")
    assert gate.wait_seconds() == pytest.approx(4.0)
    assert gate.enter("999999") is None
    clock.now += 4.1
    assert gate.enter("999999") is not None


@pytest.fixture
def started(monkeypatch):
    """Return how the server would be started with some arguments."""
    from streamlit.web import cli

    monkeypatch.setattr(cli, "main", lambda: 0)
    monkeypatch.setattr(sharing, "addresses", lambda: ["192.168.1.7"])
    monkeypatch.setattr(sys, "argv", [])
    monkeypatch.setenv(sharing.CODE, "")

    def run(*arguments):
        start._start(list(arguments))
        return sys.argv

    return run


def test_it_is_off_by_default(started):
    assert not any("0.0.0.0" in argument or "allowedHosts" in argument for argument in started())


def test_it_is_bound_to_the_network_only_when_asked(started, capsys):
    import os

    argv = started("--share", "--server.port=8599")
    assert "--server.address=0.0.0.0" in argv
    # One option for each name: a list with commas is read as one name, and then nobody is let in at all.
    hosts = [argument.partition("=")[2] for argument in argv if argument.startswith("--server.allowedHosts")]
    assert hosts == ["localhost", "127.0.0.1", "192.168.1.7"]
    assert "--share" not in argv
    said = capsys.readouterr().out
    assert os.environ[sharing.CODE] in said
    assert "http://192.168.1.7:8599" in said
    assert "not encrypted" in said


@pytest.fixture
def comes_from(demo_store, monkeypatch):
    """Let pages be asked for from an address (None: this computer), by a browser without cookies."""
    from streamlit.runtime.context import ContextProxy

    monkeypatch.setenv(sharing.CODE, "123456")
    monkeypatch.setattr(ContextProxy, "cookies", property(lambda _self: {}))
    return lambda address: monkeypatch.setattr(ContextProxy, "ip_address", property(lambda _self: address))


def test_a_phone_sees_nothing_before_the_code(comes_from):
    comes_from("192.168.1.9")
    app = open_page("lots")
    assert [title.value for title in app.title] == ["Enter the code"]
    assert not app.dataframe
    assert not app.sidebar.selectbox
    app.text_input(key="share_typed").set_value("000000")
    app.button[0].click().run()
    assert "not the code" in app.error[0].value
    app.text_input(key="share_typed").set_value("123456")
    app.button[0].click().run()
    app.run()
    assert app.title[0].value == "Lots"


def test_the_laptop_itself_needs_no_code(comes_from):
    comes_from(None)
    assert open_page("sources").title[0].value == "Sources"
