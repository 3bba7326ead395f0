"""The ways of keeping grain, as the table beside this file has them, and how moisture moves into them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from core.errors import NotFoundError
from core.grain.air import KELVIN, VAPOUR_GAS_CONSTANT, saturation_vapour_pressure
from core.grain.commodities import Commodity
from core.grain.sorption import isotherm_parameters, moisture_dry_basis
from core.reference_tables import reference_table

POROSITY, TORTUOSITY = 0.40, 1.45  # of bulk grain
KERNEL_DRY_DENSITY = 0.874  # dry matter per bulk mass at trade moisture; 630 of 721 kg/m3 for maize


@dataclass(frozen=True)
class Position:
    """A place in the store.

    Parameters
    ----------
    share : float
        Fraction of the lot.
    half_thickness_m : float
        Grain that moisture must cross; 0 is sealed.
    temperature_offset_c, humidity_offset_pct : float
        Against the store's air.
    condensation_points_per_month : float
        Water that drips back onto this part, points dry basis.
    open_to_insects : bool
        Whether oxygen stays (an open or a leaking place).
    """

    name: str
    share: float
    half_thickness_m: float
    temperature_offset_c: float = 0.0
    humidity_offset_pct: float = 0.0
    condensation_points_per_month: float = 0.0
    open_to_insects: bool = True


@dataclass(frozen=True)
class Method:
    """A way of keeping grain; money is assumed until a group enters its own.

    Parameters
    ----------
    roof_offset_c : float
        How much warmer than outside the store is, day and night.
    start_factor : float
        Insects at the start against an untreated bag.
    unit : str
        What is counted: bag, silo, crib or stack.
    unit_capacity_kg, unit_cost_usd, treatment_cost_usd, cost_per_month_usd, seasons
        Capacity and cost of one bag or vessel; the monthly cost is per `cost_per_month_unit_kg`.
    waiting_days : int
        Until treated grain may be eaten or sold as food; the label's own time comes first.
    insect_water_share : float
        Share of the water from what insects eat that stays in the grain.
    seal_below_pct : float or None
        Moisture (maize; other crops at equal humidity) above which it must not be sealed.
    breaks : tuple of str
        What makes it fail.
    unshelled : bool
        Takes grain on the cob or in the head only.
    """

    code: str
    name: str
    positions: tuple[Position, ...]
    sealed: bool
    roof_offset_c: float
    start_factor: float
    unit: str
    unit_capacity_kg: float
    unit_cost_usd: float
    treatment_cost_usd: float
    cost_per_month_usd: float
    cost_per_month_unit_kg: float
    seasons: int
    waiting_days: int
    seal_below_pct: float | None
    sealed_oxygen_days: float
    leak_share: float
    leak_share_borer: float
    protectant_share_stopped: float
    protectant_share_stopped_borer: float
    protectant_full_days: float
    protectant_half_life_days: float
    insect_water_share: float
    breaks: tuple[str, ...]
    source: str
    basis: str
    unshelled: bool = False

    @property
    def treated(self) -> bool:
        """True where the grain is treated and waits before it may be eaten or sold as food."""
        return self.waiting_days > 0


def method_table() -> Mapping[str, Any]:
    """Return the table of methods as it stands in the file."""
    return reference_table("storage", "methods.toml")


def method_codes() -> list[str]:
    """Return the codes of all methods, in the order of the table."""
    return list(method_table())


def usual_method() -> str:
    """Return the method that stands in where nobody noted one: the first row of the table, the commonest."""
    return method_codes()[0]


def get_method(method: str | Method) -> Method:
    """Return a method by its code; a `Method` passes through.

    Raises
    ------
    NotFoundError
        No such method.
    """
    if isinstance(method, Method):
        return method
    table = method_table()
    if not isinstance(method, str) or method not in table:
        raise NotFoundError("there is no storage method {method}; there are {known}", method=method, known=list(table))
    entry = table[method]
    sealed = bool(entry["sealed"])
    return Method(
        code=method,
        name=entry["name"],
        positions=tuple(Position(**place, open_to_insects=not sealed) for place in entry["positions"]),
        sealed=sealed,
        roof_offset_c=float(entry["roof_offset_c"]),
        start_factor=float(entry["start_factor"]),
        unit=str(entry["unit"]),
        unit_capacity_kg=float(entry["unit_capacity_kg"]),
        unit_cost_usd=float(entry["unit_cost_usd"]),
        treatment_cost_usd=float(entry.get("treatment_cost_usd", 0.0)),
        cost_per_month_usd=float(entry["cost_per_month_usd"]),
        cost_per_month_unit_kg=float(entry.get("cost_per_month_unit_kg", entry["unit_capacity_kg"])),
        seasons=int(entry["seasons"]),
        waiting_days=int(entry.get("waiting_days", 0)),
        seal_below_pct=entry.get("seal_below_pct"),
        sealed_oxygen_days=float(entry.get("sealed_oxygen_days", 0.0)),
        leak_share=float(entry.get("leak_share", 0.0)),
        leak_share_borer=float(entry.get("leak_share_borer", 0.0)),
        protectant_share_stopped=float(entry.get("protectant_share_stopped", 0.0)),
        protectant_share_stopped_borer=float(entry.get("protectant_share_stopped_borer", 0.0)),
        protectant_full_days=float(entry.get("protectant_full_days", 0.0)),
        protectant_half_life_days=float(entry.get("protectant_half_life_days", 1.0)),
        insect_water_share=float(entry["insect_water_share"]),
        breaks=tuple(entry["breaks"]),
        source=entry["source"],
        basis=entry["basis"],
        unshelled=bool(entry.get("unshelled", False)),
    )


def places(method: Method, leaking: float) -> tuple[Position, ...]:
    """Return the positions with the leaking share of a sealed method as a place of its own."""
    if not method.sealed or leaking <= 0.0:
        return method.positions
    whole = [replace(place, share=place.share * (1.0 - leaking)) for place in method.positions]
    return (*whole, Position("leaking", leaking, 0.20))


def moisture_time_constant(
    commodity: Commodity, half_thickness_m: float, temperature_c: float, relative_humidity_pct: float
) -> float:
    """Return the time in which a bag covers 63 % of the way to equilibrium with the air on both faces.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : float
        Mean of the store's air; the isotherm's slope is taken there.

    Returns
    -------
    float
        Days; infinity where sealed (half thickness 0).

    Notes
    -----
    First mode of diffusion between two open faces: L^2 / (D pi^2 / 4), D = (porosity / tortuosity) Dv c_sat /
    (dry density dM/dRH), Dv = 2.1e-5 ((T + 273) / 273)^1.81 m2/s. For maize at 30 °C and 65 %, 12.5 cm: about
    47 days; published bags reach the same in 4-8 weeks.
    """
    if half_thickness_m <= 0.0:
        return float("inf")
    fraction = min(max(relative_humidity_pct / 100.0, 0.30), 0.90)
    chosen = isotherm_parameters(commodity)
    air = np.asarray(temperature_c, dtype=float)
    above = moisture_dry_basis(chosen, air, np.asarray(fraction + 0.02))
    below = moisture_dry_basis(chosen, air, np.asarray(fraction - 0.02))
    slope = float(above - below) / 100.0 / 0.04
    kelvin = temperature_c + KELVIN
    saturated = float(saturation_vapour_pressure(temperature_c)) / (VAPOUR_GAS_CONSTANT * kelvin)
    in_air = 2.1e-5 * (kelvin / KELVIN) ** 1.81
    dry_density = KERNEL_DRY_DENSITY * commodity.bulk_density_kg_m3
    diffusivity = POROSITY / TORTUOSITY * in_air * saturated / (dry_density * slope)
    return float(half_thickness_m**2 / (diffusivity * np.pi**2 / 4.0) / 86400.0)
