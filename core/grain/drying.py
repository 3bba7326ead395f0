"""Older address of `core.drying`, kept callable for checks outside the project; nothing inside imports it."""

from core.drying import DryingRun, DryingSetup, simulate_drying

__all__ = ["DryingRun", "DryingSetup", "simulate_drying"]
