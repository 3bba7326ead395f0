"""The plan as a workbook: lots with reasons, next steps, purchases, gross to net, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from core.planning.plan_tables import lines_table
from core.planning.rolling import next_actions, purchases
from core.planning.sale_plan import SalePlan
from core.planning.why import LotReason
from core.tables.write import workbook_bytes


def plan_workbook(plan: SalePlan, reasons: Sequence[LotReason], deductions: pd.Series) -> bytes:
    """Return an .xlsx file of the plan; texts are written as texts, never as formulas.

    Parameters
    ----------
    plan : SalePlan
        The plan.
    reasons : sequence of LotReason
        From `lot_reasons`.
    deductions : pd.Series
        From `plan_deductions` [money].
    """
    sheets: dict[str, pd.DataFrame] = {}
    lines = lines_table(plan)
    why = {reason.label: str(reason.reason) for reason in reasons}
    lines["why"] = [why.get(label, "") for label in lines["lot"]] if len(lines) else []
    sheets["Plan"] = lines
    sheets["Next steps"] = pd.DataFrame(
        [
            {"date": action.on, "what": str(action.what), "who": action.who, "bags": action.bags}
            for action in next_actions(plan)
        ],
        columns=["date", "what", "who", "bags"],
    )
    sheets["To buy and book"] = pd.DataFrame(
        [
            {"what": str(item.what), "cost": item.cost, "needed_on": item.needed_on, "order_by": item.order_by}
            for item in purchases(plan)
        ],
        columns=["what", "cost", "needed_on", "order_by"],
    )
    sheets["Gross to net"] = pd.DataFrame(
        {
            "step": [str(name).replace("_", " ") for name in deductions.index],
            f"mean {plan.case.currency}": [float(value) for value in deductions],
        }
    )
    facts = [
        ("group", plan.case.name),
        ("first day", plan.case.start.isoformat()),
        ("weeks", plan.case.weeks),
        ("possible seasons", plan.case.scenarios),
        ("mean value today", round(plan.mean, 2)),
        ("mean of the worst tenth", round(plan.worst_tenth_mean, 2)),
        ("interest a month", plan.case.interest_monthly),
        ("weight of bad years", plan.case.risk_weight),
        ("certainty of cash needs", plan.case.certainty),
        ("gap to the bound", round(plan.gap, 5)),
        ("case", plan.case.content_hash),
    ]
    sheets["Rests on"] = pd.DataFrame([{"what": name, "value": str(value)} for name, value in facts])
    return workbook_bytes({name: _in_words(frame) for name, frame in sheets.items()})


def _in_words(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.rename(columns=lambda title: str(title).replace("_", " "))
