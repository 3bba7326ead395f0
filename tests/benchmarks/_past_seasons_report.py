"""The report of `past_seasons`: tables, intervals and pictures of harvests that were settled, as one HTML file."""

from __future__ import annotations

import html
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tests.benchmarks.past_seasons import AT_HARVEST, FORESIGHT, PLAN, RULES

DRAWS = 2000
KINDS = ("all", "calm", "inflating")
COLOURS = {"all": "#222222", "calm": "#0b5a8a", "inflating": "#b4501e"}
WAYS = (PLAN, *RULES, FORESIGHT)
Rows = Sequence[dict[str, Any]]


def table_of(rows: Rows) -> pd.DataFrame:
    """Return one row a harvest: country, kind, and for each way its value, dry-and-sell-at-harvest = 100."""
    found = []
    for row in rows:
        base = row["outcomes"][AT_HARVEST]["value"]
        values = {way: 100 * row["outcomes"][way]["value"] / base for way in WAYS}
        found.append({"country": row["country"], "kind": row["kind"], "base": base, **values})
    return pd.DataFrame(found)


def part_of(rows: Rows, kind: str) -> list[dict[str, Any]]:
    """Return the harvests of calm or inflating countries, or all."""
    return [row for row in rows if kind in ("all", row["kind"])]


@lru_cache(maxsize=8)
def resamples(clusters: tuple[str, ...], seed: int = 5) -> tuple[np.ndarray, ...]:
    """Return places of harvests drawn anew: countries with replacement, then harvests within each one drawn."""
    random, names = np.random.default_rng(seed), np.array(clusters)
    groups = [np.flatnonzero(names == name) for name in sorted(set(clusters))]
    return tuple(
        np.concatenate(
            [
                random.choice(groups[one], size=len(groups[one]))
                for one in random.integers(len(groups), size=len(groups))
            ]
        )
        for _ in range(DRAWS)
    )


def interval(values: np.ndarray, clusters: np.ndarray) -> tuple[float, float]:
    """Return a 95 % interval of the mean.

    Harvests of one country share years and prices, so that whole countries are drawn.
    """
    means = [values[places].mean() for places in resamples(tuple(clusters))]
    low, high = np.quantile(means, [0.025, 0.975])
    return float(low), float(high)


def worst_tenth(values: np.ndarray) -> float:
    """Return the mean of the lowest tenth, one value at least."""
    return float(np.sort(values)[: max(1, round(len(values) / 10))].mean())


def ways(rows: Rows) -> pd.DataFrame:
    """Return how each way did: net value (dry and sell at harvest = 100), its spread, and cash that was missed."""
    table = table_of(rows)
    gain = table[FORESIGHT].mean() - 100
    found = {}
    for way in WAYS:
        outcomes = [row["outcomes"][way] for row in rows]
        values = table[way].to_numpy()
        low, high = interval(values, table["country"].to_numpy())
        found[way] = {
            "net value": values.mean(),
            "from": low,
            "to": high,
            "worst tenth": worst_tenth(values),
            "below harvest %": 100 * float((values < 100 - 1e-6).mean()),
            "of foresight's gain %": 100 * (values.mean() - 100) / gain if gain > 1e-9 else np.nan,
            "needs missed": float(np.mean([one["missed"] for one in outcomes])),
            "cash short %": 100
            * float(np.mean([o["short"] / r["needs"] for o, r in zip(outcomes, rows, strict=True)])),
            "borrowing cost": float(
                np.mean([100 * o["interest"] / b for o, b in zip(outcomes, table["base"], strict=True)])
            ),
            "month sold": float(np.mean([one["mean_month"] for one in outcomes])),
        }
    return pd.DataFrame(found).T


def paired(rows: Rows) -> pd.DataFrame:
    """Return the plan less each rule, harvest by harvest, in points of dry-and-sell-at-harvest."""
    table = table_of(rows)
    found = {}
    for rule in (*RULES, FORESIGHT):
        less = (table[PLAN] - table[rule]).to_numpy()
        low, high = interval(less, table["country"].to_numpy())
        found[rule] = {
            "plan less rule": less.mean(),
            "from": low,
            "to": high,
            "plan better %": 100 * float((less > 1e-6).mean()),
            "plan worse %": 100 * float((less < -1e-6).mean()),
            "worst tenth": worst_tenth(less),
        }
    return pd.DataFrame(found).T


def said(rows: Rows) -> dict[str, float]:
    """Return what the plan said on the day of harvest against what came."""
    ratio = np.array([r["outcomes"][PLAN]["value"] / r["said_mean"] for r in rows if r["said_mean"] > 0])
    below = [r["outcomes"][PLAN]["value"] < r["said_worst"] for r in rows if r["said_mean"] > 0]
    return {"came over said": float(ratio.mean()), "below the said worst tenth %": 100 * float(np.mean(below))}


def row(rows: Rows) -> dict[str, Any]:
    """Return the JSON row of the runner."""
    found: dict[str, Any] = {
        "benchmark": "past_seasons",
        "harvests": len(rows),
        "countries": len({one["country"] for one in rows}),
        "plans": sum(one["plans"] for one in rows),
        "seconds_a_plan": round(sum(one["seconds"] for one in rows) / max(1, sum(one["plans"] for one in rows)), 2),
    }
    for kind in KINDS:
        part = part_of(rows, kind)
        if part:
            columns = [
                "net value",
                "from",
                "to",
                "worst tenth",
                "below harvest %",
                "of foresight's gain %",
                "needs missed",
            ]
            found[kind] = {"harvests": len(part), "ways": ways(part)[columns].round(2).to_dict("index")} | {
                "plan less": paired(part)[["plan less rule", "from", "to", "plan better %"]].round(2).to_dict("index"),
                "said": {name: round(value, 3) for name, value in said(part).items()},
            }
    return found


def printed(rows: Rows) -> str:
    """Return the tables as plain text."""
    if not rows:
        return "no harvest was settled"
    lines = []
    for kind in KINDS:
        part = part_of(rows, kind)
        if part:
            countries = ", ".join(sorted({one["country"] for one in part}))
            lines += [f"{kind}: {len(part)} harvests, {countries}", ways(part).round(1).to_string()]
            lines += ["the plan less each rule", paired(part).round(1).to_string(), f"said: {said(part)}", ""]
    return "\n".join(lines)


# ---- pictures ----


def _svg(width: int, height: int, body: Sequence[str], title: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'role="img" font-family="sans-serif" font-size="13"><title>{html.escape(title)}</title>'
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>{"".join(body)}</svg>'
    )


def _text(x: float, y: float, words: str, anchor: str = "start", colour: str = "#222222") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{html.escape(words)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, width: float = 1.0, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="{width}"{dashed}/>'


def _dot(x: float, y: float, colour: str, radius: float = 4.5, opacity: float = 1.0) -> str:
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" fill="{colour}" fill-opacity="{opacity}"/>'


def _ticks(low: float, high: float, step: float) -> np.ndarray:
    return np.arange(np.ceil(low / step) * step, high + 1e-9, step)


def picture_paired(rows: Rows) -> str:
    """Return the plan less each rule with its interval, by kind of country."""
    found = {kind: paired(part_of(rows, kind)) for kind in KINDS if part_of(rows, kind)}
    names = list(RULES)
    low = min(0.0, *(float(table.loc[names, "from"].min()) for table in found.values())) - 2
    high = max(0.0, *(float(table.loc[names, "to"].max()) for table in found.values())) + 2
    left, right, top, gap = 270, 850, 40, 66

    def x(value: float) -> float:
        return left + (value - low) / (high - low) * (right - left)

    bottom = top + gap * len(names)
    body = [_line(x(0), top - 12, x(0), bottom, "#222222", 1.5)]
    for tick in _ticks(low, high, 10):
        body += [
            _line(x(tick), top - 12, x(tick), bottom, "#dddddd"),
            _text(x(tick), bottom + 18, f"{tick + 0.0:+.0f}", "middle"),
        ]
    for place, name in enumerate(names):
        y = top + gap * place + 8
        body.append(_text(left - 12, y + 18, name, "end"))
        for number, (kind, table) in enumerate(found.items()):
            at, row_y = table.loc[name], y + 16 * number
            body.append(_line(x(at["from"]), row_y, x(at["to"]), row_y, COLOURS[kind], 3))
            body.append(_dot(x(at["plan less rule"]), row_y, COLOURS[kind]))
            body.append(_text(right + 10, row_y + 5, f"{at['plan less rule']:+.1f} {kind}", colour=COLOURS[kind]))
    body.append(
        _text(
            (left + right) / 2, bottom + 40, "plan less rule, points of drying and selling at harvest (95 %)", "middle"
        )
    )
    return _svg(1000, bottom + 56, body, "The plan less each rule")


def picture_countries(rows: Rows, rule: str = AT_HARVEST) -> str:
    """Return every harvest by country: the plan less a rule, a dot each, the mean as a bar."""
    table = table_of(rows)
    table["less"] = table[PLAN] - table[rule]
    order = table.groupby("country")["less"].mean().sort_values().index
    low, high = min(-5.0, table["less"].min()) - 2, max(5.0, table["less"].max()) + 2
    left, right, top, gap = 150, 860, 24, 30

    def x(value: float) -> float:
        return left + (value - low) / (high - low) * (right - left)

    bottom = top + gap * len(order)
    body = [_line(x(0), top - 10, x(0), bottom, "#222222", 1.5)]
    for tick in _ticks(low, high, 20):
        body += [
            _line(x(tick), top - 10, x(tick), bottom, "#dddddd"),
            _text(x(tick), bottom + 18, f"{tick + 0.0:+.0f}", "middle"),
        ]
    for place, country in enumerate(order):
        mine, y = table[table["country"] == country], top + gap * place + 8
        colour = COLOURS[str(mine["kind"].iloc[0])]
        body.append(_text(left - 10, y + 5, f"{country} ({mine['kind'].iloc[0]})", "end", colour))
        body += [_dot(x(value), y, colour, 4, 0.45) for value in mine["less"]]
        body.append(_line(x(mine["less"].mean()), y - 10, x(mine["less"].mean()), y + 10, colour, 3))
    body.append(
        _text(
            (left + right) / 2,
            bottom + 40,
            f"plan less '{rule}', points; a dot a harvest, the bar their mean",
            "middle",
        )
    )
    return _svg(900, bottom + 56, body, f"The plan less '{rule}' by country")


def picture_spread(rows: Rows) -> str:
    """Return the harvests of each way sorted from worst to best."""
    table = table_of(rows)
    shown = {
        PLAN: ("#222222", ""),
        AT_HARVEST: ("#7a7a7a", "2 3"),
        "dry, sell after six months": ("#b4501e", "8 4"),
        "keep until 20 % above harvest": ("#7b3f8c", "3 3"),
        "thirds: harvest, three, six months": ("#0b5a8a", "10 3 2 3"),
        FORESIGHT: ("#2c7a4b", "1 0"),
    }
    low, high = 0.0, float(np.quantile(table[list(shown)].to_numpy(), 0.985))
    left, right, top, bottom = 70, 660, 20, 420

    def y(value: float) -> float:
        return bottom - (np.clip(value, low, high) - low) / (high - low) * (bottom - top)

    body = []
    for tick in _ticks(low, high, 25):
        body += [_line(left, y(tick), right, y(tick), "#dddddd"), _text(left - 8, y(tick) + 5, f"{tick:.0f}", "end")]
    for place, (way, (colour, dash)) in enumerate(shown.items()):
        values = np.sort(table[way].to_numpy())
        at = left + (np.arange(len(values)) + 0.5) / len(values) * (right - left)
        points = " ".join(f"{a:.1f},{y(b):.1f}" for a, b in zip(at, values, strict=True))
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        body.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2.5"{dashed}/>')
        body.append(_line(right + 14, 40 + 24 * place, right + 54, 40 + 24 * place, colour, 2.5, dash))
        body.append(_text(right + 62, 45 + 24 * place, way, colour=colour))
    body.append(_text((left + right) / 2, bottom + 30, "harvests from the worst to the best of each way", "middle"))
    body.append(_text(left, top - 6, "net value, dry and sell at harvest = 100", "start"))
    return _svg(960, 470, body, "Each way's harvests from worst to best")


# ---- the page ----

TEXT = """
<h1>The whole planner rolled through past seasons</h1>
<p>{harvests} harvests of {markets} markets in {countries} countries, {first} to {last}. For each one a group's
records were written into a store, and month by month {planner} was made from what was known that day; what it said
for the month was done and recorded, and a month later it planned again: {plans} plans. Then plan, simple rules and
perfect foresight were settled by one plain reckoning (<code>settle</code> in
<code>tests/benchmarks/past_seasons.py</code>), bag by bag and month by month, that uses none of the planner's own
values. 100 is what drying everything and selling it at harvest brought in the same group's same year.</p>
<p><b>Real:</b> the monthly prices (World Food Programme, through the Humanitarian Data Exchange, CC BY-IGO). <b>Made,
by a seed:</b> the group, its four or five lots, its three needs of cash (8 % of the harvest's worth each, after one,
three and five months), its weather (the usual weather of the place and a year's departure that the planner does not
know), how fast its floor dries, how bad its insects are, and how its meter errs.</p>
<p><b>Everyone pays the same:</b> 2 % interest a month, 10 % a month for money borrowed in need, 12 % less at the farm
gate or a lorry to the market, 2 % off for a point of moisture, sealed bags bought for what waits. Rules dry with the
same meter, and sell to gate or market, whichever pays more that day.</p>
<p><b>Intervals</b> are of the mean at 95 %: whole countries are drawn with replacement, then harvests within them. A
kind with three countries or fewer has an interval that is too narrow to be believed; it is shown all the same.</p>
"""
MAKERS = {
    "quick": "the quicker plan of the programme's batch (<code>core.programme.batch</code>) of the records' case",
    "full": "the plan that the pages show (<code>core.advice.situation</code>)",
}
LIMITS = """
<h2>What this does not show</h2>
<ul>
<li>Weather, grain losses and groups are not observed: only prices are. The losses are a plain law of published trials
(10.3 % in seven months in untreated bags, 0-2 % in sealed ones), not the product's own store model.</li>
<li>The product's centre of the drift and its least gain of waiting were set on these same open series (whole countries
left out at the time, see <code>price_bars</code>): the prices here are not new to its makers, though future months are
never shown to the planner (<code>tests/planning/test_past_seasons.py</code> holds that).</li>
<li>A sale is paid at its month's price for everyone; nothing is known of what one day or one buyer differs.</li>
<li>The drying floor takes the whole harvest at once and the market all grain at its price: what the planner does where
room, bags or trucks are short is not tried here.</li>
<li>No forecast is given (the planner dries in usual weather), nobody enters the country's own rise of prices, and the
answer about bad years is left as it ships (only the average year counts).</li>
<li>Prices are scaled so that each market's last twelve months are 0.30 US dollars a kg, for the costs to weigh alike; a
rice price is of milled rice, the grain stored is paddy.</li>
<li>Markets of one country and years that overlap are alike: count countries, not harvests.</li>
</ul>
"""


def _html_table(table: pd.DataFrame) -> str:
    return table.round(1).to_html(border=0, justify="right", na_rep="")


def write(rows: Rows, folder: Path) -> None:
    """Write the report with its pictures into a folder."""
    pictures = {
        "plan_less_rules.svg": picture_paired(rows),
        "countries.svg": picture_countries(rows),
        "spread.svg": picture_spread(rows),
    }
    for name, drawn in pictures.items():
        (folder / name).write_text(drawn, encoding="utf-8")
    harvests = sorted(one["harvest"] for one in rows)
    body = [
        TEXT.format(
            harvests=len(rows),
            markets=len({one["series"] for one in rows}),
            countries=len({one["country"] for one in rows}),
            first=harvests[0],
            last=harvests[-1],
            plans=sum(one["plans"] for one in rows),
            planner=MAKERS[rows[0]["planner"]],
        )
    ]
    for kind in KINDS:
        part = part_of(rows, kind)
        if not part:
            continue
        names = ", ".join(sorted({one["country"] for one in part}))
        heard = said(part)
        body += [f"<h2>{kind.capitalize()}: {len(part)} harvests ({names})</h2>", _html_table(ways(part))]
        body += ["<h3>The plan less each rule, harvest by harvest</h3>", _html_table(paired(part))]
        body.append(
            f"<p>What came was {heard['came over said']:.2f} of what the plan had said at harvest on average; "
            f"{heard['below the said worst tenth %']:.0f} % of harvests came below its mean of the worst tenth "
            "(about 5 % would if its spread were right).</p>"
        )
    titles = ("The plan less each rule", "By country", "From the worst harvest to the best")
    for title, drawn in zip(titles, pictures.values(), strict=True):
        body += [f"<h2>{title}</h2>", drawn]
    body.append(LIMITS)
    listed = table_of(rows).drop(columns="base")
    listed.insert(1, "market", [one["market"] for one in rows])
    listed.insert(2, "crop", [one["crop"] for one in rows])
    listed.insert(3, "harvest", [one["harvest"] for one in rows])
    body += ["<h2>Every harvest</h2>", _html_table(listed.sort_values(["country", "harvest"]).set_index("country"))]
    style = (
        "body{font-family:sans-serif;max-width:1050px;margin:2em auto;padding:0 1em;line-height:1.45}"
        "table{border-collapse:collapse;font-size:13px}td,th{padding:2px 8px;text-align:right}"
        "tr:nth-child(even){background:#f2f2f2}th:first-child{text-align:left}svg{max-width:100%;height:auto}"
    )
    page = f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Past seasons</title><style>{style}</style>'
    (folder / "report.html").write_text(f"{page}<body>{''.join(body)}</body></html>", encoding="utf-8")
