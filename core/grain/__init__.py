"""Grain and humid air: commodities, sorption, air, mass balance."""
