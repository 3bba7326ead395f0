"""`python -m core.advice`: a group's situation in plain words; ends with 1 where it contradicts itself."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from core.advice.whole import Situation, situation
from core.errors import DryholdError
from core.grain.mass import tenth_below
from core.group.database import default_url, open_store


def lines(now: Situation) -> Iterator[str]:
    """Yield a situation as lines of plain words."""
    yield f"{now.group.name}, {now.today.isoformat()}"
    yield f"Weather: {now.weather.said}."
    for price in now.prices:
        where = "assumed" if price.assumed else f"of {price.on}"
        waiting = "" if price.waiting is None else f" {price.waiting.sentence}"
        crop, each = price.crop.replace("_", " "), f"{price.per_kg:,.2f} {now.group.currency} a kg"
        yield f"Price of {crop}: {each}, {where}.{waiting}"
    for lot in now.lots:
        pct = (
            "not tested"
            if lot.moisture_pct is None
            else f"{lot.moisture_pct:.1f} % (limit {tenth_below(lot.limit_pct):.1f} %)"
        )
        yield f"Lot {lot.label}: {lot.bags} bags, {pct}: {lot.verdict}."
    yield from (f"Assumed: {item.said}." for item in now.assumed if item.important)
    yield f"Plan: worth {now.made.fresh['plan'].mean:,.0f} {now.group.currency} in an average year."
    for load in now.schedule:
        yield f"{load.on} to {load.until}: {load.bags} bags of lot {load.lot} on {load.space}."
    for action in now.actions:
        yield f"{action.on} {action.what} ({action.who})."


def main(arguments: list[str] | None = None) -> int:
    """Print the situation of one group, or of all, and return 1 where one contradicts itself, else 0."""
    parser = argparse.ArgumentParser(prog="python -m core.advice", description=__doc__)
    parser.add_argument("--group", default="", help="name of the group; left out, all groups")
    asked = parser.parse_args(arguments)
    fixed = os.environ.get("DRYHOLD_NOW")
    now = datetime.fromisoformat(fixed).astimezone(UTC) if fixed else datetime.now(UTC)
    store: Any = open_store(os.environ.get("DRYHOLD_DATABASE") or default_url())
    groups = [group for group in store.groups() if asked.group in ("", group.name)]
    if not groups:
        sys.stdout.write("There is no such group.\n")
        return 1
    broken = 0
    for group in groups:
        try:
            here = situation(store, group.id, now)
            text = [*lines(here), *(f"CONTRADICTION: {found}." for found in here.contradictions())]
        except DryholdError as error:
            text = [f"{group.name}: {error}"]
        broken += sum(line.startswith("CONTRADICTION") for line in text)
        sys.stdout.write("\n".join(text) + "\n\n")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
