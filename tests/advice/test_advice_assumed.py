"""What advice takes where nobody says otherwise: nothing, or no, but that the group lends its members advances."""

from __future__ import annotations

from tests.assumed import slipped


def test_nothing_else_is_assumed_of_a_situation():
    assert slipped("advice", {"Choices.advances": True}) == {}
