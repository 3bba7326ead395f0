"""The plan as a workbook: lots with reasons, next steps, purchases, gross to net, and what it rests on."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import date

import pandas as pd

from core.planning.plan_tables import lines_table
from core.planning.rolling import next_actions, purchases
from core.planning.sale_plan import SalePlan
from core.planning.why import LotReason


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
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": True}
    )
    head = book.add_format({"bold": True, "text_wrap": True, "bottom": 1})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    figure = book.add_format({"num_format": "#,##0.00"})

    def sheet(name: str, frame: pd.DataFrame) -> None:
        page = book.add_worksheet(name)
        page.freeze_panes(1, 0)
        for column, title in enumerate(frame.columns):
            page.write_string(0, column, str(title).replace("_", " "), head)
            page.set_column(
                column, column, min(60, max(10, *(len(str(value)) for value in [title, *frame[title]]))) + 1
            )
            for row, value in enumerate(frame[title].tolist(), start=1):
                if isinstance(value, date):
                    page.write_datetime(row, column, pd.Timestamp(value).to_pydatetime(), day)
                elif isinstance(value, bool) or value is None or value != value:
                    page.write_string(row, column, "" if value is None or value != value else str(value))
                elif isinstance(value, int | float):
                    page.write_number(row, column, value, figure if isinstance(value, float) else None)
                else:
                    page.write_string(row, column, str(value))

    lines = lines_table(plan)
    why = {reason.label: str(reason.reason) for reason in reasons}
    lines["why"] = [why.get(label, "") for label in lines["lot"]] if len(lines) else []
    sheet("Plan", lines)
    sheet(
        "Next steps",
        pd.DataFrame(
            [
                {"date": action.on, "what": str(action.what), "who": action.who, "bags": action.bags}
                for action in next_actions(plan)
            ],
            columns=["date", "what", "who", "bags"],
        ),
    )
    sheet(
        "To buy and book",
        pd.DataFrame(
            [
                {"what": str(item.what), "cost": item.cost, "needed_on": item.needed_on, "order_by": item.order_by}
                for item in purchases(plan)
            ],
            columns=["what", "cost", "needed_on", "order_by"],
        ),
    )
    sheet(
        "Gross to net",
        pd.DataFrame(
            {
                "step": [str(name).replace("_", " ") for name in deductions.index],
                f"mean {plan.case.currency}": [float(value) for value in deductions],
            }
        ),
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
    sheet("Rests on", pd.DataFrame([{"what": name, "value": str(value)} for name, value in facts]))
    book.close()
    return out.getvalue()
