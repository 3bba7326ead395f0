"""The commodities that the physics knows, with every coefficient's source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from core.errors import NotFoundError
from core.reference_tables import reference_table


@dataclass(frozen=True)
class IsothermSet:
    """One published (or a group's own) set of sorption coefficients.

    Parameters
    ----------
    name : str
        Name of the set, such as ``"henderson-1986"``.
    form : str
        ``"henderson"``, ``"chung-pfost"``, ``"halsey"``, ``"oswin"`` or ``"cromarty"``.
    a, b, c : float
        Coefficients of the form with moisture in % dry basis; unused by ``"cromarty"``.
    oil_fraction : float
        Oil as a fraction of dry matter; used by ``"cromarty"`` only.
    temperature_range_c, humidity_range_pct : tuple of float
        Range in °C and % in which the set holds.
    compared : bool
        Whether the set counts when the disagreement of the sets is stated.
    label, source, basis, note : str
        What the set was made for, and where it comes from.
    """

    name: str
    form: str
    a: float
    b: float
    c: float
    oil_fraction: float = 0.0
    temperature_range_c: tuple[float, float] = (5.0, 50.0)
    humidity_range_pct: tuple[float, float] = (10.0, 90.0)
    compared: bool = True
    label: str = ""
    source: str = ""
    basis: str = "published"
    note: str = ""


@dataclass(frozen=True)
class ThinLayer:
    """One crop's thin-layer drying relation and what its layer takes up of the sun.

    Parameters
    ----------
    form : str
        "misra-brooker", "wang-singh" or "arrhenius" (`core.drying.thin_layer`).
    absorptance : float
        Share of sunlight taken up by the layer, 0-1.
    stand_in : bool
        True where no published set for this very crop was found.
    time_scale : float
        What multiplies time in a stand-in borrowed from another crop, -.
    reference_rate_per_h, activation_kj_mol, exponent : float
        k at 40 °C in 1/h^n, its activation energy, and n, of the "arrhenius" form.
    source, basis : str
        Where it comes from and what kind of knowledge it is.
    """

    form: str
    absorptance: float
    stand_in: bool
    time_scale: float = 1.0
    reference_rate_per_h: float = 0.0
    activation_kj_mol: float = 0.0
    exponent: float = 1.0
    source: str = ""
    basis: str = "judgement"


@dataclass(frozen=True)
class Spoilage:
    """Which relation tells how a crop loses dry matter while it is damp.

    Parameters
    ----------
    relation : str
        "thompson" (maize), "seib" (paddy) or "equal humidity": maize at the same equilibrium humidity stands in.
    shift_points : float
        The crop is read as the relation's own crop so many points wetter.
    damage : str
        "kernels" or "splits": what the share of damaged grain speaks of.
    allowable_time : str
        "loss", or "germination" where the published allowable time is one of germination.
    source, basis : str
        Where it comes from and what kind of knowledge it is.
    """

    relation: str = "equal humidity"
    shift_points: float = 0.0
    damage: str = "kernels"
    allowable_time: str = "loss"
    source: str = ""
    basis: str = "judgement"


@dataclass(frozen=True)
class Commodity:
    """A crop as the physics sees it.

    Parameters
    ----------
    code, name, kind : str
        Short code, plain name, and ``"cereal"``, ``"pulse"``, ``"oilseed"`` or ``"bean"`` (coffee, cocoa).
    default_isotherm : str
        The set used for storage advice.
    isotherm_sets : tuple of IsothermSet
        All sets, the disagreeing ones side by side.
    isotherm_sd_points : float
        Least standard deviation of a moisture that was read from an isotherm, points wet basis.
    oil_fraction : float
        Oil as a fraction of dry matter.
    bulk_density_kg_m3 : float
        Mass of a cubic metre of loose grain near trade moisture, kg/m³.
    specific_heat_intercept, specific_heat_per_point : float
        kJ/(kg K), and the same per % moisture wet basis.
    names : tuple of str
        What people call it, for tables that are imported.
    pests, pests_where_present : tuple of str
        Its usual storage insects, and those that only some places have; without any, those of its kind stand in.
    standing : str
        How the ripe crop dries on the plant: ``"husk"``, ``"open"`` or ``"not left"``.
    starts_wet : bool
        Washed or fermented: far wetter at the start than any published spoilage relation covers.
    aflatoxin : bool
        Aflatoxin forms readily: grain above the keeping limit is not stored at all.
    thin_layer : ThinLayer or None
        Its drying relation; None where maize's stands in.
    spoilage : Spoilage
        Its dry-matter loss.
    porosity : float
        Share of air in loose grain, 0-1.
    own : bool
        True for a group's own crop or calibration, which is kept apart from the published ones.
    """

    code: str
    name: str
    kind: str
    default_isotherm: str
    isotherm_sets: tuple[IsothermSet, ...]
    isotherm_sd_points: float
    oil_fraction: float
    bulk_density_kg_m3: float
    specific_heat_intercept: float
    specific_heat_per_point: float
    note: str = ""
    own: bool = False
    names: tuple[str, ...] = ()
    pests: tuple[str, ...] = ()
    pests_where_present: tuple[str, ...] = ()
    standing: str = "open"
    starts_wet: bool = False
    aflatoxin: bool = False
    thin_layer: ThinLayer | None = None
    spoilage: Spoilage = Spoilage()
    porosity: float = 0.40

    @property
    def isotherms(self) -> tuple[str, ...]:
        """Names of the sorption sets, the default first."""
        names = [item.name for item in self.isotherm_sets]
        return (self.default_isotherm, *[name for name in names if name != self.default_isotherm])

    def isotherm(self, name: str | None = None) -> IsothermSet:
        """Return the set of that name, or the default for storage advice when None."""
        wanted = name or self.default_isotherm
        for item in self.isotherm_sets:
            if item.name == wanted:
                return item
        raise NotFoundError(
            "{crop} has no sorption set named {name}; there are: {known}",
            crop=self.name,
            name=wanted,
            known=", ".join(self.isotherms),
        )


def commodity_codes() -> list[str]:
    """Return the codes of all published commodities, in the order of the table."""
    return list(_commodities())


def crop_words(code: str) -> str:
    """Return what a crop is called, or an unknown code as words."""
    return _commodities()[code].name if code in _commodities() else code.replace("_", " ")


def get_commodity(code: str | Commodity) -> Commodity:
    """Return the commodity of that code; a `Commodity` is passed through.

    Raises
    ------
    NotFoundError
        If there is no such code.
    """
    if isinstance(code, Commodity):
        return code
    try:
        return _commodities()[code]
    except (KeyError, TypeError):
        raise NotFoundError(
            "there is no crop with the code {code}; there are: {known}", code=code, known=", ".join(_commodities())
        ) from None


def commodity_from_payload(entry: Mapping[str, Any]) -> Commodity:
    """Return a crop from its stored form (`dataclasses.asdict`, then JSON), which has lists for tuples."""
    sets = tuple(IsothermSet(**_with_tuples(item)) for item in entry["isotherm_sets"])
    layer, spoilage = entry.get("thin_layer"), entry.get("spoilage")
    return Commodity(
        **{
            **_with_tuples(entry),
            "isotherm_sets": sets,
            "thin_layer": None if layer is None else ThinLayer(**layer),
            "spoilage": Spoilage() if spoilage is None else Spoilage(**spoilage),
        }
    )


def _with_tuples(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()}


@cache
def _commodities() -> Mapping[str, Commodity]:
    """Read the table of commodities once."""
    return {code: _commodity(code, entry) for code, entry in reference_table("grain", "commodities.toml").items()}


def _commodity(code: str, entry: Mapping[str, Any]) -> Commodity:
    """Turn one table of the file into a `Commodity`."""
    oil_fraction = float(entry["oil_fraction"]["value"])
    return Commodity(
        code=code,
        name=entry["name"],
        kind=entry["kind"],
        default_isotherm=entry["default_isotherm"],
        isotherm_sets=tuple(_isotherm_set(name, item, oil_fraction) for name, item in entry["isotherms"].items()),
        isotherm_sd_points=float(entry["isotherm_sd_points"]["value"]),
        oil_fraction=oil_fraction,
        bulk_density_kg_m3=float(entry["bulk_density_kg_m3"]["value"]),
        specific_heat_intercept=float(entry["specific_heat"]["intercept"]),
        specific_heat_per_point=float(entry["specific_heat"]["per_moisture_point"]),
        note=entry.get("note", ""),
        names=tuple(entry["names"]),
        pests=tuple(entry["pests"]),
        pests_where_present=tuple(entry.get("pests_where_present", ())),
        standing=entry["standing"],
        starts_wet=bool(entry.get("starts_wet", False)),
        aflatoxin=bool(entry.get("aflatoxin", {}).get("value", False)),
        porosity=float(entry["porosity"]["value"]),
        thin_layer=ThinLayer(**entry["thin_layer"]) if "thin_layer" in entry else None,
        spoilage=Spoilage(**entry.get("spoilage", {})),
    )


def _isotherm_set(name: str, entry: Mapping[str, Any], oil_fraction: float) -> IsothermSet:
    """Turn one sorption table of the file into an `IsothermSet`."""
    low_t, high_t = entry["temperature_range_c"]
    low_rh, high_rh = entry["humidity_range_pct"]
    return IsothermSet(
        name=name,
        form=entry["form"],
        a=float(entry.get("a", 0.0)),
        b=float(entry.get("b", 0.0)),
        c=float(entry.get("c", 0.0)),
        oil_fraction=oil_fraction,
        temperature_range_c=(float(low_t), float(high_t)),
        humidity_range_pct=(float(low_rh), float(high_rh)),
        compared=bool(entry["compared"]),
        label=entry["label"],
        source=entry["source"],
        basis=entry["basis"],
        note=entry.get("note", ""),
    )
