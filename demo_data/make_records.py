"""Make the invented groups, members, lots, readings, sales and prices of the example from a fixed seed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

FOLDER = Path(__file__).parent
SEED = 20_260_520

GROUPS = [
    # key, name, latitude, longitude, altitude, members
    ("lower", "Lower Valley Growers", -10.62, 34.41, 760, 12),
    ("terrace", "Hill Terrace Growers", -10.55, 34.35, 1130, 9),
    ("stream", "Stream Bank Growers", -10.71, 34.46, 690, 15),
]
FIRST = [
    "Amber",
    "Bramble",
    "Clover",
    "Dahlia",
    "Ember",
    "Finch",
    "Ginger",
    "Heron",
    "Iris",
    "Juniper",
    "Kestrel",
    "Lark",
    "Maple",
    "Nettle",
    "Olive",
    "Pepper",
    "Quince",
    "Robin",
    "Sparrow",
    "Thistle",
    "Umber",
    "Violet",
    "Willow",
    "Xylo",
    "Yarrow",
    "Zinnia",
]
LAST = [
    "Allmadeup",
    "Bookmade",
    "Cloudland",
    "Dreamhill",
    "Elsewhere",
    "Fable",
    "Guesswork",
    "Hearsay",
    "Imagined",
    "Justso",
    "Kitefield",
    "Legend",
    "Makebelieve",
    "Nowhere",
]
CROPS = {
    # crop: share of lots, starting moisture (mean, sd), nominal bag, meter offset
    "maize": (0.55, 18.5, 2.6, 90),
    "common_bean": (0.15, 16.8, 1.8, 90),
    "groundnut_pod": (0.12, 14.0, 2.5, 40),
    "paddy": (0.18, 19.5, 2.2, 60),
}
PRICES = {
    # crop: level at the last month per kg (MWK), season half range in logs, months of the trough (harvest) , drift a
    # year, noise
    "maize": (610.0, 0.17, 5, 0.16, 0.055),
    "common_bean": (1480.0, 0.10, 5, 0.15, 0.06),
    "groundnut_pod": (1190.0, 0.11, 5, 0.14, 0.06),
    "paddy": (920.0, 0.09, 6, 0.15, 0.045),
}


def make_members(random: np.random.Generator) -> pd.DataFrame:
    """Return the invented members, a row each."""
    rows: list[dict[str, object]] = []
    taken: set[str] = set()
    for key, *_rest, count in GROUPS:
        for index in range(count):
            rows.append(
                {
                    "group": key,
                    "member": f"{key}-{index + 1:02d}",
                    "name": _new_name(random, taken),
                    "sex": str(random.choice(["female", "male"], p=[0.58, 0.42])),
                    "birth_year": int(random.integers(1956, 2005)),
                    "consent": bool(random.random() < 0.85),
                }
            )
    return pd.DataFrame(rows)


def _new_name(random: np.random.Generator, taken: set[str]) -> str:
    """Return an invented name that nobody has yet: the next surname where it is taken."""
    first, at = str(random.choice(FIRST)), LAST.index(str(random.choice(LAST)))
    name = next(
        name for name in (f"{first} {LAST[(at + step) % len(LAST)]}" for step in range(99)) if name not in taken
    )
    taken.add(name)
    return name


def _sold(
    lot: str, crop: str, bags: int, dry_bag_kg: float, moisture_pct: float, dry_day: int, random: np.random.Generator
) -> dict[str, object]:
    """Return the sale of a whole lot some days after it was dry; it loses 1 % of its mass a month."""
    waited = int(random.choice([8, 40, 90, 150, 200]))
    return {
        "lot": lot,
        "sold_day": dry_day + waited,
        "bags": bags,
        "mass_kg": round(bags * dry_bag_kg * (1 - 0.01 * waited / 30), 1),
        "moisture_pct": round(moisture_pct, 1),
        "buyer": str(random.choice(["Ridge Millers", "Valley Traders", "market day"])),
        "months_after": waited // 30,
        "commodity": crop,
    }


def _readings_of(
    lot: str, crop: str, day: int, level: float, bags: int, owners: np.ndarray, random: np.random.Generator
) -> list[dict[str, object]]:
    """Return the readings of one visit, one a bag around the lot's moisture (`level`, %); some lack a value."""
    rows: list[dict[str, object]] = []
    spread = 0.55 if level > 14 else 0.35
    for bag in range(1, bags + 1):
        moisture = level + random.normal(0, spread)
        temperature = random.normal(26.5, 2.0)
        humidity = humidity_for(crop, temperature, moisture) + random.normal(0, 1.8)
        rows.append(
            {
                "lot": lot,
                "day": day,
                "hour": int(random.integers(6, 17)),
                "bag": bag,
                "temperature_c": round(float(temperature), 1) if random.random() > 0.03 else "",
                "relative_humidity_pct": round(float(np.clip(humidity, 20, 97)), 1) if random.random() > 0.03 else "",
                "meter_moisture_pct": round(float(moisture + random.normal(0.15, 0.3)), 1)
                if random.random() > 0.05
                else "",
                "tester": str(random.choice(owners)),
                "settled": str(random.choice(["yes", "no", ""], p=[0.7, 0.1, 0.2])),
            }
        )
    return rows


def make_season(members: pd.DataFrame, season: int, random: np.random.Generator) -> tuple[pd.DataFrame, ...]:
    """Return lots, readings and sales of one harvest; `season` 0 is this one, 1 the one a year ago.

    Days count from day 0.
    """
    lots, readings, sales = [], [], []
    shift = -365 * season
    crops, shares = list(CROPS), [CROPS[crop][0] for crop in CROPS]
    for group, *_rest in GROUPS:
        owners = members.loc[members["group"] == group, "member"].to_numpy()
        for index in range(int(len(owners) * 0.9)):
            crop = str(random.choice(crops, p=shares))
            if group != "stream" and crop == "paddy":
                crop = "maize"
            _share, wet_mean, wet_sd, bag_kg = CROPS[crop]
            bags = int(random.integers(4, 26))
            letter = {"maize": "M", "common_bean": "B", "groundnut_pod": "G", "paddy": "P"}[crop]
            label = f"{letter}{index + 1:02d}-{season}"
            harvested = shift - int(random.integers(6, 24))
            start = float(np.clip(random.normal(wet_mean, wet_sd), 11.5, 24.0))
            dry_after = int(random.integers(3, 9))
            state = "sold" if season else str(random.choice(["wet", "drying", "stored"], p=[0.4, 0.3, 0.3]))
            final = float(
                random.normal({"maize": 12.8, "common_bean": 13.2, "groundnut_pod": 8.3, "paddy": 12.9}[crop], 0.5)
            )
            now = {"wet": start - 0.6, "drying": (start + final) / 2, "stored": final, "sold": final}[state]
            lots.append(
                {
                    "group": group,
                    "lot": f"{group}-{label}",
                    "label": label,
                    "commodity": crop,
                    "form": "pod" if crop == "groundnut_pod" else "threshed",
                    "bags": bags,
                    "nominal_bag_kg": bag_kg,
                    "bag_mass_kg": round(float(bag_kg * random.normal(1.0, 0.02)), 1) if random.random() < 0.6 else "",
                    "weighed_moisture_pct": round(start, 1),
                    "owner": str(random.choice(owners)),
                    "place": str(random.choice(["house store", "group store", "yard shelter"])),
                    "harvested_day": harvested,
                    "use": "seed" if random.random() < 0.06 else str(random.choice(["sale", "food"], p=[0.8, 0.2])),
                    "status": state,
                    "storage_method": "woven_bag" if state in {"stored", "sold"} else "",
                    "stored_day": harvested + dry_after + 2 if state in {"stored", "sold"} else "",
                }
            )
            days = [harvested + 1, -1 if not season else harvested + dry_after]
            for when, level in zip(days, (start, now), strict=True):
                count = min(bags, int(random.integers(3, 9)))
                readings += _readings_of(f"{group}-{label}", crop, when, level, count, owners, random)
            if season:
                dry = (100 - start) / (100 - final)
                sales.append(_sold(f"{group}-{label}", crop, bags, bag_kg * dry, final, harvested + dry_after, random))
    return pd.DataFrame(lots), pd.DataFrame(readings), pd.DataFrame(sales)


def humidity_for(crop: str, temperature: float, moisture: float) -> float:
    """Return the humidity between the kernels at a moisture, by the crop's own isotherm."""
    from core.grain.sorption import equilibrium_humidity

    return float(equilibrium_humidity(crop, temperature, float(np.clip(moisture, 5, 28))))


def make_prices(random: np.random.Generator) -> pd.DataFrame:
    """Return monthly prices per kg; month 0 is the month of day 0 and months before are negative."""
    rows = []
    for market, factor in (("Nowhere market", 1.0), ("Ridge town", 1.07)):
        for crop, (level, half, trough, drift, noise) in PRICES.items():
            shock = 0.0
            for back in range(-72, 1):
                shock = 0.75 * shock + random.normal(0, noise)
                month = (5 + back - 1) % 12 + 1  # the canonical day 0 lies in May
                season = -half * np.cos(2 * np.pi * (month - trough) / 12)
                base = level * np.exp(half)  # the level quoted is that of the trough
                if back < 0 and random.random() < 0.04:
                    continue  # a month nobody wrote down
                rows.append(
                    {
                        "market": market,
                        "commodity": crop,
                        "month": back,
                        "price_per_kg": round(float(base * factor * np.exp(season + drift * back / 12 + shock)), 0),
                    }
                )
    return pd.DataFrame(rows)


NOTEBOOK_HEAD = (
    "Data;Lote;Saco;Temperatura °C;Humidade relativa %;Humidade do grão %;Cultura;Número de sacos;Medido por"
)


def make_notebook_table(random: np.random.Generator) -> str:
    """Return a messy table for the import: semicolons, decimal commas, Portuguese, four bad rows in sixty."""
    lines = [NOTEBOOK_HEAD]
    bad = {
        9: ("Humidade relativa", "132,0"),
        23: ("Data", "35.14."),
        37: ("Humidade do grão", "húmido"),
        51: ("Temperatura", "271,0"),
    }
    for index in range(60):
        lot = index // 6
        temperature, humidity = random.normal(26, 1.5), random.normal(70, 4)
        moisture = 13 + (humidity - 65) * 0.16 + random.normal(0, 0.3)
        cells = {
            "Data": f"{3 + lot:02d}.05.2026",
            "Lote": f"N{lot + 1}",
            "Saco": str(index % 6 + 1),
            "Temperatura": f"{temperature:.1f}".replace(".", ","),
            "Humidade relativa": f"{humidity:.1f}".replace(".", ","),
            "Humidade do grão": f"{moisture:.1f}".replace(".", ","),
            "Cultura": "milho",
            "Número de sacos": "12",
            "Medido por": "Amber",
        }
        if index in bad:
            column, value = bad[index]
            cells[column] = value
        lines.append(";".join(cells.values()))
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write all files of the example."""
    random = np.random.default_rng(SEED)
    pd.DataFrame(
        [
            {"group": key, "name": name, "latitude": lat, "longitude": lon, "altitude_m": alt}
            for key, name, lat, lon, alt, _n in GROUPS
        ]
    ).to_csv(FOLDER / "groups.csv", index=False)
    members = make_members(random)
    members.to_csv(FOLDER / "members.csv", index=False)
    seasons = [make_season(members, season, random) for season in (0, 1)]
    for position, name in enumerate(("lots", "readings", "sales")):
        pd.concat([season[position] for season in seasons]).to_csv(FOLDER / f"{name}.csv", index=False)
    make_prices(random).to_csv(FOLDER / "prices.csv", index=False)
    (FOLDER / "notebook_table.csv").write_text(make_notebook_table(random), encoding="utf-8-sig")


if __name__ == "__main__":
    main()
