"""The truck and the meter: what they carry and cost."""

from dashboard.sections.assumed_values import show_truck_and_meter as show

__all__ = ["show"]
