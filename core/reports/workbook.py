"""The plan as a workbook: the plan by lot, drying, steps, orders, members, gross to net, and what it rests on."""

from __future__ import annotations

from typing import Any

import pandas as pd

from core.advice.whole import Situation
from core.planning.plan_tables import lines_table
from core.planning.rolling import who_words
from core.reports.sheets import STEPS, own_step
from core.reports.tongue import ENGLISH, Tongue
from core.tables.write import workbook_bytes


def plan_workbook(now: Situation, tongue: Tongue = ENGLISH) -> bytes:
    """Return an .xlsx file of the situation; numbers and dates are typed, texts are never formulas."""
    return workbook_bytes(plan_tables(now, tongue))


def plan_tables(now: Situation, tongue: Tongue = ENGLISH) -> dict[str, pd.DataFrame]:
    """Return the workbook's tables by the name of their sheet."""
    why = {number: tongue.say(part.reason) for part in now.reasons for number in part.lines}
    lines = lines_table(now.plan)
    lines["why"] = [why[number] for number in range(len(lines))]
    currency = now.group.currency
    return {
        "Plan": lines,
        "Drying": _frame(
            ["spread_on", "gather_on", "space", "lot", "member", "bags", "kg", "to_pct"],
            [
                (load.on, load.until, load.space, load.lot, load.owner, load.bags, load.mass_kg, load.target_pct)
                for load in now.schedule
            ],
        ),
        "Steps": _frame(
            ["date", "what", "who", "bags"],
            [(item.on, tongue.say(item.what), tongue.say(who_words(item.who)), item.bags) for item in now.actions],
        ),
        "To order": _frame(
            ["what", f"cost {currency}", "needed_on", "order_by"],
            [
                (tongue.say(item.what), item.cost, item.needed_on, max(item.order_by, now.today))
                for item in now.purchases
            ],
        ),
        "Members": _frame(
            ["member", "date", "step"],
            [(part.name, day.on, own_step(day, tongue)) for part in now.members for day in part.days],
        ),
        "Gross to net": _frame(
            ["step", f"mean {currency}"],
            [(tongue.say(STEPS[str(name)]), float(value)) for name, value in now.made.net.items()],
        ),
        "Assumed": _frame(
            ["about", "what", "source"],
            [(item.subject, tongue.say(item.said), tongue.say(item.source)) for item in now.assumed],
        ),
    }


def _frame(columns: list[str], rows: list[tuple[Any, ...]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=columns)
