"""How dry is dry enough: the strictest of the buyer's contract, the standard, and what keeping asks for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.errors import InputError
from core.grain.commodities import Commodity, get_commodity
from core.grain.mass import tenth_below
from core.grain.sorption import equilibrium_with_flag
from core.messages import Figure, Message
from core.reference_tables import reference_table

FloatArray = NDArray[np.float64]
SHORT_MONTHS, LONG_MONTHS = 3.0, 6.0
SHORT_HUMIDITY_PCT, LONG_HUMIDITY_PCT = 70.0, 65.0
STANDARD_NAMES = {
    "codex": "Codex Alimentarius",
    "eac": "East African Community",
    "eu_intervention": "European Union, public intervention",
    "trade": "custom of the trade",
    "group": "the group's own rule",
}


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One limit on moisture.

    Parameters
    ----------
    moisture_pct : float
        Highest moisture, % wet basis.
    humidity_pct, temperature_c : float or None
        For keeping: highest humidity between the grains, and the temperature at which it counts.
    """

    kind: str
    moisture_pct: float
    reason: Message
    source: str = ""
    basis: str = ""
    humidity_pct: float | None = None
    temperature_c: float | None = None
    outside_range: bool = False


@dataclass(frozen=True, kw_only=True)
class LimitChoice:
    """The limits that apply to a lot, and the strictest, which binds."""

    binding: Limit
    applying: tuple[Limit, ...]

    @property
    def moisture_pct(self) -> float:
        """The limit that binds, % wet basis."""
        return self.binding.moisture_pct

    def of_kind(self, kind: str) -> Limit | None:
        """Return the strictest limit of one kind, None where there is none."""
        found = [limit for limit in self.applying if limit.kind == kind]
        return min(found, key=lambda limit: limit.moisture_pct) if found else None


@cache
def standard_table() -> tuple[Mapping[str, Any], ...]:
    """Return the limits of all crops' standards as commodities.toml has them, each row with its source and basis."""
    return tuple(
        {"key": f"{standard}_{code}", "commodity": code, "standard": standard, **values}
        for code, crop in reference_table("grain", "commodities.toml").items()
        for standard, values in crop.get("limits", {}).items()
    )


def standard_limit(
    commodity: str | Commodity, standard: str = "codex", own: Sequence[Mapping[str, Any]] = ()
) -> Limit | None:
    """Return a standard's limit for a crop; the custom of the trade where it has none; None where nothing is known.

    Parameters
    ----------
    standard : str
        ``"codex"``, ``"eac"``, ``"eu_intervention"``, ``"trade"``, or a name of the group's own table.
    own : sequence of mapping
        The group's own rows (same keys as `standard_table`); they come before the table.
    """
    code = get_commodity(commodity).code
    rows = [*own, *standard_table()]
    # Codex stands in for a national table that is silent on a crop, the trade for Codex.
    for name in dict.fromkeys((standard, "codex", "trade")):
        for row in rows:
            if row["commodity"] == code and row["standard"] == name:
                return Limit(
                    kind="standard",
                    moisture_pct=float(row["moisture_pct"]),
                    reason=Message(
                        "{standard}: {product}, at most {limit} %",
                        {
                            "standard": Message(STANDARD_NAMES.get(name, name)),
                            "product": Message(row["product"]),
                            "limit": row["moisture_pct"],
                        },
                    ),
                    source=row["source"],
                    basis=row["basis"],
                )
    return None


def keeping_humidity(
    months: float, use: str = "sale", short_pct: float = SHORT_HUMIDITY_PCT, long_pct: float = LONG_HUMIDITY_PCT
) -> float:
    """Return the highest humidity between the grains, %, for a time in store.

    Parameters
    ----------
    use : str
        ``"food"``, ``"seed"`` or ``"sale"``; seed must stay alive and takes the stricter figure.
    short_pct, long_pct : float
        Up to three months, and from six months on, %.

    Notes
    -----
    65 to 70 % is the range in which storage moulds stop growing: common practice, no single source. Between three and
    six months the figure falls in a straight line (judgement).
    """
    if months < 0:
        raise InputError("{months} months cannot be", months=months)
    if use == "seed" or months >= LONG_MONTHS:
        return long_pct
    if months <= SHORT_MONTHS:
        return short_pct
    return short_pct + (long_pct - short_pct) * (months - SHORT_MONTHS) / (LONG_MONTHS - SHORT_MONTHS)


def keeping_limit(
    commodity: str | Commodity,
    months: float,
    warmest_c: float,
    use: str = "sale",
    short_pct: float = SHORT_HUMIDITY_PCT,
    long_pct: float = LONG_HUMIDITY_PCT,
) -> Limit:
    """Return the moisture that a crop stands for the months in store, at the store's warmest temperature.

    The same moisture gives a higher humidity when warm, so that the warmest temperature decides.
    """
    humidity = keeping_humidity(months, use, short_pct, long_pct)
    found = equilibrium_with_flag(commodity, warmest_c, humidity)
    moisture = round(float(found.value), 2)
    return Limit(
        kind="keeping",
        moisture_pct=moisture,
        reason=Message(
            "keeping for {months} months: at most {humidity} % humidity between the grains at {temperature} °C, "
            "which is {limit} % moisture",
            {
                "months": Figure(months, "g"),
                "humidity": Figure(humidity, ".0f"),
                "temperature": Figure(warmest_c, "g"),
                "limit": tenth_below(moisture),
            },
        ),
        source=f"sorption set {found.isotherm}; 65 to 70 % humidity is common practice",
        basis="practice",
        humidity_pct=humidity,
        temperature_c=warmest_c,
        outside_range=bool(found.outside_range),
    )


def choose_limit(
    commodity: str | Commodity,
    *,
    months: float,
    warmest_c: float,
    use: str = "sale",
    contract_pct: float | None = None,
    buyer: str = "",
    standard: str = "codex",
    own: Sequence[Mapping[str, Any]] = (),
    short_pct: float = SHORT_HUMIDITY_PCT,
    long_pct: float = LONG_HUMIDITY_PCT,
) -> LimitChoice:
    """Return the limits that apply and the strictest of them.

    Parameters
    ----------
    use : str
        ``"food"``, ``"seed"`` or ``"sale"``. Contract and standard bind what is sold; keeping binds all.
    contract_pct : float, optional
        The buyer's limit, % wet basis. A contract takes the place of the standard only where it is stricter.
    buyer, standard, own
        The buyer's name; the standard that applies; the group's own rows (see `standard_limit`).
    short_pct, long_pct : float
        See `keeping_humidity`.
    """
    applying = [keeping_limit(commodity, months, warmest_c, use, short_pct, long_pct)]
    if contract_pct is not None:
        if not 0 < contract_pct < 50:
            raise InputError("a buyer's limit of {value} % cannot be right", value=contract_pct)
        applying.append(
            Limit(
                kind="contract",
                moisture_pct=float(contract_pct),
                reason=Message(
                    "{buyer} takes at most {limit} %", {"buyer": buyer or Message("the buyer"), "limit": contract_pct}
                ),
                source="the buyer's contract",
            )
        )
    by_standard = standard_limit(commodity, standard, own)
    if by_standard is not None and use != "seed":
        applying.append(by_standard)
    return LimitChoice(binding=min(applying, key=lambda limit: limit.moisture_pct), applying=tuple(applying))
