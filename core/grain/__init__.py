"""Grain and humid air as physics: commodities, sorption, mass balance, drying, storage."""
