"""Published lists of safe moistures beside what our isotherms say of them."""

from __future__ import annotations

from dataclasses import dataclass

from core.grain.commodities import get_commodity
from core.grain.sorption import humidity_with_flag
from core.reference_tables import reference_table

HIGHEST_HUMIDITY_PCT = 70.0


@dataclass(frozen=True)
class SafeMoisture:
    """A published safe moisture.

    Parameters
    ----------
    moisture_pct : float
        As published, % w.b.
    humidity_pct : float
        Equilibrium humidity that it means at the list's temperature, %.
    disagrees : bool
        True above 70 %: mould can grow there, so that the row is shown and not used.
    """

    commodity: str
    name: str
    moisture_pct: float
    humidity_pct: float
    disagrees: bool
    source: str


def safe_moistures() -> list[SafeMoisture]:
    """Return the published safe moistures at 27 °C with the equilibrium humidity that each means."""
    table = reference_table("storage", "comparison.toml")["safe_moisture_pct"]
    rows = []
    for code, moisture in table["values"].items():
        damp = float(humidity_with_flag(code, table["temperature_c"], moisture).value)
        rows.append(
            SafeMoisture(
                code, get_commodity(code).name, float(moisture), damp, damp > HIGHEST_HUMIDITY_PCT, table["source"]
            )
        )
    return rows
