"""Set-ups, thin layer, layer, drying weather, learning, advice, and grain left standing in the field."""

from core.drying.run import DryingRun, simulate_drying
from core.drying.setups import DryingSetup

__all__ = ["DryingRun", "DryingSetup", "simulate_drying"]
