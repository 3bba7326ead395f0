"""A page for a report: whether waiting paid at past harvests, as one file with figure and table, no network needed."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import pandas as pd

from core.market.hindcast import FORESIGHT, PLAN, HindcastReport
from core.reports.printed import heading, page, paragraph, table

WIDTH, HEIGHT, LEFT, BOTTOM = 720, 320, 56, 40


def waiting_report(
    title: str,
    sentence: str,
    report: HindcastReport,
    rules: pd.DataFrame,
    note: str,
    language: str,
    translate: Callable[[str], str] = str,
) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    title, sentence, note : str
        Heading, answer, and what it rests on, in the reader's language.
    rules : DataFrame
        What is shown of each rule.
    """
    rows = [[str(cell) for cell in row] for row in (tuple(rules.columns), *rules.itertuples(index=False))]
    parts = [heading(title, 1), paragraph(sentence), harvest_figure(report, translate), table(rows), paragraph(note)]
    return page(title, parts, language)


def harvest_figure(report: HindcastReport, translate: Callable[[str], str] = str) -> str:
    """Return an SVG picture: by harvest what the rule earned against selling at harvest, within perfect foresight."""
    years = report.years
    gains = {rule: 100 * (years[rule].to_numpy(dtype=float) - 1) for rule in (FORESIGHT, PLAN)}
    top, low = max(5.0, *gains[FORESIGHT], *gains[PLAN]), min(0.0, *gains[PLAN])
    scale = (HEIGHT - BOTTOM - 24) / (top - low)
    zero = 24 + top * scale
    step = (WIDTH - LEFT - 8) / len(years)
    parts = []
    for number, harvest in enumerate(pd.PeriodIndex(years.index)):
        x = LEFT + number * step
        for rule, colour, inset in ((FORESIGHT, "#c9c5cd", 0.1), (PLAN, "#164e6e", 0.25)):
            gain = float(gains[rule][number])
            height = abs(gain) * scale
            y = zero - height if gain >= 0 else zero
            parts.append(
                f'<rect x="{x + inset * step:.1f}" y="{y:.1f}" width="{step * (1 - 2 * inset):.1f}" '
                f'height="{height:.1f}" fill="{colour}"><title>{harvest}: {gain:+.1f} %</title></rect>'
            )
        if number % max(1, round(60 / step)) == 0:
            parts.append(f'<text x="{x:.1f}" y="{HEIGHT - 14}" font-size="12">{harvest}</text>')
    for mark in (top, 0.0, *([low] if low < 0 else [])):
        y = zero - mark * scale
        parts.append(f'<text x="4" y="{y + 4:.1f}" font-size="12">{mark:+.0f} %</text>')
    parts.append(f'<line x1="{LEFT}" x2="{WIDTH}" y1="{zero:.1f}" y2="{zero:.1f}" stroke="#1f1b22"/>')
    words = translate("Gain against selling at harvest, %: dark this tool's rule, pale perfect foresight")
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(words)}">'
        f'<text x="{LEFT}" y="14" font-size="13">{escape(words)}</text>{"".join(parts)}</svg>'
    )
