"""Plotly figures, each made from a result of core, in the one look of `base`."""

from dashboard.charts import base as base
