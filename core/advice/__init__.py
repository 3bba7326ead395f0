"""A group's situation, read once, and checked against itself."""

from core.advice.making import Choices
from core.advice.whole import Situation, situation

__all__ = ["Choices", "Situation", "situation"]
