"""The plan as one standalone HTML page to print: no script, nothing fetched, every text escaped."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from html import escape

import pandas as pd

from core.planning.rolling import next_actions, purchases
from core.planning.sale_plan import PlannedSale, SalePlan
from core.planning.why import LotReason

STYLE = """
body { font-family: sans-serif; color: #22261f; margin: 1.5rem auto; max-width: 60rem; padding: 0 1rem; }
table { border-collapse: collapse; width: 100%; margin: 0.5rem 0 1.5rem; font-size: 0.9rem; }
th, td { border-bottom: 1px solid #c9c3b2; padding: 0.3rem 0.5rem; text-align: left; vertical-align: top; }
td.number { text-align: right; white-space: nowrap; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.1rem; border-bottom: 2px solid #1f4e79; }
.scroll { overflow-x: auto; } .care { border: 1px solid #b5623a; padding: 0.5rem 1rem; }
@media print { body { margin: 0; } .scroll { overflow: visible; } }
"""

CAUTIONS = (
    "Mouldy or musty grain is not eaten, fed or blended away; a dry reading says nothing of aflatoxin already there.",
    "Protectants and fumigants: licensed people, the label, local law.",
    "Prices and weather may turn out otherwise: the plan is advice, the group decides.",
)


def _table(heads: Sequence[str], rows: Sequence[Sequence[object]], numbers: set[int] | None = None) -> str:
    """Return an HTML table with every cell escaped; `numbers` are the columns set to the right."""
    right = numbers or set()
    head = "".join(f"<th scope='col'>{escape(str(text))}</th>" for text in heads)
    body = "".join(
        "<tr>"
        + "".join(
            f"<td{' class=number' if at in right else ''}>{escape(str(cell))}</td>" for at, cell in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    return f"<div class='scroll'><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"


def _dried(line: PlannedSale) -> str:
    """Say on what and to which moisture a line's bags are dried."""
    if not line.setup:
        return "no"
    return line.setup if line.target_pct is None else f"{line.setup}, to {line.target_pct:g} %"


def plan_sheet(
    plan: SalePlan, group_name: str, reasons: Sequence[LotReason], deductions: pd.Series, made_at: datetime
) -> str:
    """Return the plan sheet.

    Parameters
    ----------
    plan : SalePlan
        The plan.
    group_name : str
        Whose plan.
    reasons : sequence of LotReason
        From `lot_reasons`.
    deductions : pd.Series
        From `plan_deductions` [money].
    made_at : datetime
        When it was made (printed).
    """
    currency = plan.case.currency
    why = {reason.lot: str(reason.reason) for reason in reasons}
    lines = [
        (
            line.label,
            line.owner,
            line.commodity.replace("_", " "),
            line.bags,
            _dried(line),
            line.storage or "not stored",
            line.sell_on.isoformat(),
            line.buyer or line.reserve,
            f"{line.kg_sold:,.0f}",
            f"{line.value:,.0f}",
            f"{line.value_low:,.0f} to {line.value_high:,.0f}",
            why.get(line.lot, ""),
        )
        for line in plan.sales
    ]
    heads = (
        "Lot",
        "Member",
        "Crop",
        "Bags",
        "Dry on",
        "Store in",
        "Week of sale",
        "To",
        "kg sold",
        f"Worth today, {currency}",
        "8 of 10 seasons",
        "Why",
    )
    steps = [(action.on.isoformat(), str(action.what), action.who) for action in next_actions(plan, days=60)]
    buy = [
        (str(item.what), f"{item.cost:,.0f}", item.needed_on.isoformat(), item.order_by.isoformat())
        for item in purchases(plan)
    ]
    net = [(str(name).replace("_", " "), f"{float(value):,.0f}") for name, value in deductions.items()]
    unmet = "".join(f"<li>{escape(need.label)}: {escape(str(need.advice))}</li>" for need in plan.unmet)
    parts = [
        f"<h1>Sale plan of {escape(group_name)}</h1>",
        (
            f"<p>Made {escape(made_at.strftime('%Y-%m-%d %H:%M %Z'))}. Mean over {plan.case.scenarios} possible "
            f"seasons: <b>{plan.mean:,.0f} {escape(currency)}</b>; "
            f"mean of the worst tenth: <b>{plan.worst_tenth_mean:,.0f} {escape(currency)}</b>, brought to today at "
            f"{100 * plan.case.interest_monthly:.1f} % a month.</p>"
        ),
        "<p><b>Invented example.</b></p>" if plan.case.invented else "",
        f"<h2>Not met</h2><ul>{unmet}</ul>" if unmet else "",
        "<h2>Lots</h2>",
        _table(heads, lines, {3, 8, 9}),
        "<h2>Next steps</h2>",
        _table(("Date", "What", "Who"), steps),
        "<h2>To buy and to book</h2>" + _table(("What", f"Cost, {currency}", "Needed on", "Order by"), buy, {1})
        if buy
        else "",
        "<h2>From gross to net</h2>",
        _table(("Step", f"Mean, {currency}"), net, {1}),
        "<div class='care'>" + "".join(f"<p>{escape(text)}</p>" for text in CAUTIONS) + "</div>",
    ]
    return (
        f"<!DOCTYPE html><html lang='en'><head><meta charset='utf-8'><meta name='viewport' "
        f"content='width=device-width, initial-scale=1'><title>Sale plan of "
        f"{escape(group_name)}</title><style>{STYLE}</style></head><body>{''.join(parts)}</body></html>"
    )
