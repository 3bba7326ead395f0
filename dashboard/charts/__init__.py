"""Plotly figures, each made from a result of core."""
