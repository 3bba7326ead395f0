"""What advice takes where nobody says otherwise: nothing, or no, but that the group lends its members advances."""

from __future__ import annotations

from tests.assumed import not_neutral


def test_nothing_else_is_assumed_of_a_situation():
    assert not_neutral("advice") == {"Choices.advances": True}
