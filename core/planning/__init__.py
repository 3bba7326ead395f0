"""Scenarios, the drying floor's schedule, the sale plan and the simple rules that it is held against."""
