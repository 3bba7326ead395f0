"""Hourly forecasts, ensembles and monthly normals: where they come from, how old they are, what stands in for them."""
