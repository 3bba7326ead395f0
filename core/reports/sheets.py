"""The sheets that a group prints: on the wall, half a page a member, the treasurer's, to fill in, and the wall table.

Each takes its figures from the situation and computes none.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from core.advice.season import DRY, HOME, KEEP, SELL, Headline, MemberPart, OwnDay, SeasonRow
from core.advice.whole import Situation
from core.cautions import caution_of
from core.errors import InputError
from core.grain.commodities import crop_words
from core.market.buyers import buyer_words
from core.messages import Message, plural
from core.planning.rolling import NextAction, who_words
from core.planning.schedule import Load
from core.reports.paper import Bar, Block, Care, Grid, HalfPage, Heading, Paper, Season, Words
from core.reports.tongue import ENGLISH, Tongue
from core.storage.keeping import KeepingTable

WALL_DAYS = 14
WALL_ROWS, WALL_LOADS, WALL_STEPS = 30, 18, 10
MEMBER_STEPS, MEMBER_LOTS = 8, 6
LEGEND = {DRY: "on a drying space", KEEP: "in store (bags put in)", SELL: "sold (bags)", HOME: "kept back"}
OWN_STEPS = {
    "dry": plural("bags", "spread {bags} bag of {lot} on {where}", "spread {bags} bags of {lot} on {where}"),
    "gather": plural(
        "bags",
        "test {bags} bag of {lot} again and gather it in the evening",
        "test {bags} bags of {lot} again and gather them in the evening",
    ),
    "store": plural("bags", "put {bags} bag of {lot} into {where}", "put {bags} bags of {lot} into {where}"),
    "sell": plural("bags", "sell {bags} bag of {lot} to {where}", "sell {bags} bags of {lot} to {where}"),
    "home": plural("bags", "keep {bags} bag of {lot} back for {where}", "keep {bags} bags of {lot} back for {where}"),
}
MARKS = {"keeps for months": "●", "keeps for weeks": "◐", "too wet": "○"}
VERDICT_WORDS = {
    "keeps for months": "keeps for months",
    "keeps for weeks": "keeps for weeks only: dry it more or use it soon",
    "too wet": "too wet: dry it more",
}


def headline_words(said: Headline, currency: str, tongue: Tongue = ENGLISH) -> str:
    """Return the plan in one or two sentences whose bags add up.

    Parameters
    ----------
    currency : str
        ISO 4217 code.
    """
    shares = (
        ("{count} sold within two weeks", said.soon),
        ("{count} stored and sold later", said.later),
        ("{count} kept back", said.home),
        ("{count} without a buyer or room in this plan", said.left),
    )
    listed = tongue.listed([tongue.say(words, count=count) for words, count in shares if count])
    parts = [
        tongue.say(
            plural("total", "Of {total} bag: {listed}.", "Of {total} bags: {listed}."), total=said.total, listed=listed
        )
    ]
    if said.main_on is not None:
        parts.append(tongue.say("Most of the later bags are sold in the week of {day}.", day=said.main_on))
    if said.dried:
        parts.append(tongue.say("Bags to dry first: {dried}.", dried=said.dried))
    gain, total = tongue.money(abs(said.gain), currency), tongue.money(said.total_value, currency)
    worth = (
        "In an average year this is worth {total} in today's money, {gain} more than selling all now."
        if said.gain >= 0
        else "In an average year this is worth {total} in today's money, {gain} less than selling all now."
    )
    parts.append(tongue.say(worth, total=total, gain=gain))
    return " ".join(parts)


def _under(now: Situation, tongue: Tongue) -> str:
    made = tongue.say("Made on {day}", day=now.today)
    example = [tongue.say("Example group: people, places and prices are invented.")] if now.group.demo else []
    return " · ".join([now.group.name, made, *example])


def _assumed(now: Situation, tongue: Tongue) -> list[Block]:
    lines = [tongue.say(item.said) for item in now.assumed if item.important]
    return [Words(tongue.say("Assumed: {what}.", what="; ".join(lines)))] if lines else []


def _picture(rows: Sequence[SeasonRow], now: Situation, tongue: Tongue) -> Season:
    """Return rows as the calendar of the season."""
    ends = [item.until for row in rows for item in row.stretches]
    first, last = now.today, max([*ends, now.today + timedelta(days=27)]) + timedelta(days=6)
    months, on = [], first
    while on < last:
        months.append((on, tongue.month(on)))
        on = (on.replace(day=1) + timedelta(days=32)).replace(day=1)
    drawn = []
    for row in rows:
        bars = [Bar(item.kind, item.on, item.until, str(item.bags)) for item in row.stretches if item.kind != KEEP]
        kept = [item for item in row.stretches if item.kind == KEEP]
        if kept:
            bags = str(sum(item.bags for item in kept))
            bars.insert(0, Bar(KEEP, min(item.on for item in kept), max(item.until for item in kept), bags))
        label = tongue.say(plural("bags", "{lot}: {bags} bag", "{lot}: {bags} bags"), lot=row.lot, bags=row.bags)
        drawn.append((label, tuple(bars)))
    present = {item.kind for row in rows for item in row.stretches}
    legend = tuple((kind, tongue.say(text)) for kind, text in LEGEND.items() if kind in present)
    return Season(first, last, tuple(months), tuple(drawn), legend)


def _load_rows(loads: Sequence[Load], tongue: Tongue) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (tongue.weekday(load.on), tongue.weekday(load.until), tongue.say(load.space), load.lot, str(load.bags))
        for load in loads
    )


def _step_rows(actions: Sequence[NextAction], tongue: Tongue) -> tuple[tuple[str, ...], ...]:
    return tuple((tongue.weekday(item.on), tongue.say(item.what), tongue.say(who_words(item.who))) for item in actions)


def _more(left: int, tongue: Tongue) -> list[Block]:
    return [Words(tongue.say("and {count} more: see the members' sheets", count=left))] if left > 0 else []


def wall_sheet(now: Situation, tongue: Tongue = ENGLISH) -> Paper:
    """Return the sheet for the store's wall: the season, two weeks of drying and steps, cautions, on one page."""
    end = now.today + timedelta(days=WALL_DAYS)
    loads = [load for load in now.schedule if load.on < end]
    steps = [item for item in now.actions if item.on < end and item.kind not in ("dry", "test", "collect")]
    blocks: list[Block] = [Words(headline_words(now.headline, now.group.currency, tongue)), *_assumed(now, tongue)]
    blocks += [Heading(tongue.say("The season")), _picture(now.season[:WALL_ROWS], now, tongue)]
    blocks += _more(len(now.season) - WALL_ROWS, tongue)
    if loads:
        heads = tuple(tongue.say(text) for text in ("Spread on", "Gather on the evening of", "Where", "Lot", "Bags"))
        blocks.append(Heading(tongue.say("Drying in the next two weeks")))
        blocks.append(Grid(heads, _load_rows(loads[:WALL_LOADS], tongue), (2, 2.4, 3, 2, 1), frozenset({4})))
        blocks += _more(len(loads) - WALL_LOADS, tongue)
    if steps:
        heads = tuple(tongue.say(text) for text in ("Day", "Step", "Who"))
        blocks.append(Heading(tongue.say("Other steps in the next two weeks")))
        blocks.append(Grid(heads, _step_rows(steps[:WALL_STEPS], tongue), (2, 6, 2)))
        blocks += _more(len(steps) - WALL_STEPS, tongue)
    kinds = ["mould", "chemicals", "bulk", "lifting", "advice"]
    if any(space.method == "mechanical" for space in now.spaces):
        kinds.insert(1, "heat")
    blocks.append(Care(tongue.say("Take care"), tuple(tongue.say(caution_of(kind)) for kind in kinds)))
    title = tongue.say("Plan for drying, storing and selling")
    return Paper(title, _under(now, tongue), tuple(blocks), tongue.language, most_pages=1)


def member_sheets(now: Situation, tongue: Tongue = ENGLISH, names: Sequence[str] | None = None) -> Paper:
    """Return half a page for each member: own lots, own days, own money and why.

    Parameters
    ----------
    names : sequence of str, optional
        Only these members.
    """
    parts = [part for part in now.members if part.name and (names is None or part.name in names)]
    if not parts:
        raise InputError("no member has a lot in the plan")
    blocks: list[Block] = []
    for number, part in enumerate(parts):
        if number:
            blocks.append(HalfPage())
        blocks += _member(part, now, tongue)
    title = tongue.say("Members' sheets")
    return Paper(title, _under(now, tongue), tuple(blocks), tongue.language, foot=tongue.say(caution_of("personal")))


def _member(part: MemberPart, now: Situation, tongue: Tongue) -> list[Block]:
    """Return one member's half page."""
    currency = now.group.currency
    blocks: list[Block] = [Heading(part.name)]
    rows = [
        (row.lot, tongue.say(crop_words(row.crop)), str(row.bags), _way(row, tongue)) for row in part.rows[:MEMBER_LOTS]
    ]
    heads = tuple(tongue.say(text) for text in ("Lot", "Crop", "Bags", "What happens"))
    blocks.append(Grid(heads, tuple(rows), (2, 2, 1, 8), frozenset({2})))
    blocks += _more(len(part.rows) - MEMBER_LOTS, tongue)
    steps = part.days[:MEMBER_STEPS]
    blocks.append(Grid(tuple(tongue.say(text) for text in ("My days", "Step")), _my_days(steps, tongue), (2, 9)))
    blocks += _more_days(len(part.days) - MEMBER_STEPS, tongue)
    for on, amount in part.receipts[:3]:
        said = tongue.say("About {amount} on {day}.", amount=tongue.money(amount, currency), day=on)
        blocks.append(Words(said, strong=True))
    low, high = tongue.money(part.low, currency), tongue.money(part.high, currency)
    blocks.append(
        Words(tongue.say("In 8 of 10 possible seasons between {low} and {high} in today's money.", low=low, high=high))
    )
    if part.why:
        blocks.append(Words(tongue.say("Why: {reason}.", reason=part.why[0])))
    blocks.append(Care(tongue.say("Take care"), (tongue.say(caution_of("mould")),)))
    return blocks


def _more_days(left: int, tongue: Tongue) -> list[Block]:
    return [Words(tongue.say("and {count} later steps", count=left))] if left > 0 else []


def _my_days(steps: Sequence[OwnDay], tongue: Tongue) -> tuple[tuple[str, ...], ...]:
    return tuple((tongue.weekday(item.on), own_step(item, tongue)) for item in steps)


def own_step(item: OwnDay, tongue: Tongue) -> str:
    """Return one thing to do with own bags in words."""
    return tongue.say(OWN_STEPS[item.kind], bags=item.bags, lot=item.lot, where=buyer_words(item.where))


def _way(row: SeasonRow, tongue: Tongue) -> str:
    """Return a lot's way in words."""
    words = {
        DRY: "dry {bags} from {day}",
        KEEP: "store {bags} from {day}",
        SELL: "sell {bags} on {day} to {where}",
        HOME: "keep {bags} back for {where}",
    }
    return "; ".join(
        tongue.say(words[item.kind], bags=item.bags, day=tongue.weekday(item.on), where=buyer_words(item.where))
        for item in row.stretches
    )


def treasurer_sheet(now: Situation, tongue: Tongue = ENGLISH) -> Paper:
    """Return the treasurer's statement: money by date, what to order by when, and what the plan rests on."""
    currency = now.group.currency
    kinds = {"sale": "expected from a sale", "order": "to order or to book", "need": "cash need"}
    money = tuple(
        (tongue.day(item.on), tongue.say(kinds[item.kind]), tongue.say(item.what), tongue.money(item.amount, currency))
        for item in now.money
    )
    orders = tuple(
        (
            tongue.say(item.what),
            tongue.day(max(item.order_by, now.today)),
            tongue.day(item.needed_on),
            tongue.money(item.cost, currency),
        )
        for item in now.purchases
    )
    steps = tuple((tongue.say(STEPS[str(name)]), tongue.money(value, currency)) for name, value in now.made.net.items())
    blocks: list[Block] = [Words(headline_words(now.headline, currency, tongue)), *_assumed(now, tongue)]
    blocks.append(Heading(tongue.say("Money by date")))
    heads = tuple(tongue.say(text) for text in ("Day", "Kind", "What", "Amount"))
    blocks.append(Grid(heads, money, (2, 2.4, 5, 2), frozenset({3})))
    if orders:
        heads = tuple(tongue.say(text) for text in ("To order or to book", "Order by", "Needed on", "Cost"))
        blocks += [Heading(tongue.say("To order by when")), Grid(heads, orders, (5, 2, 2, 2), frozenset({3}))]
    heads = (tongue.say("Step"), tongue.say("Average over possible seasons"))
    blocks += [Heading(tongue.say("From gross to net")), Grid(heads, steps, (5, 3), frozenset({1}))]
    cautions = (tongue.say(caution_of("advice")), tongue.say(caution_of("money")))
    blocks.append(Care(tongue.say("Take care"), cautions))
    return Paper(tongue.say("Treasurer's statement"), _under(now, tongue), tuple(blocks), tongue.language)


STEPS = {
    "gross": "gross: today's bags at the market price of their week of sale",
    "field": "lost in the field",
    "water": "water dried out",
    "handling": "handling loss",
    "dry_matter": "dry-matter loss",
    "insects": "eaten by insects",
    "mould": "unfit through mould",
    "discount": "buyers' deductions or premium",
    "fees": "market fees",
    "drying": "drying",
    "storage": "storage and treatment",
    "bags": "bags bought",
    "transport": "transport and loading",
    "cost_of_money": "interest",
    "net": "net, in today's money",
}


def log_sheet(
    group_name: str, on: date, lots: Sequence[tuple[str, int]] = (), empty_rows: int = 20, tongue: Tongue = ENGLISH
) -> Paper:
    """Return a sheet to note tests on: rows for the bags to probe, then empty rows.

    Parameters
    ----------
    empty_rows : int
        Rows without a lot, 0 to 200.
    """
    named = [(label, str(order + 1)) for label, count in lots for order in range(count)]
    if not 0 <= empty_rows <= 200 or not 1 <= len(named) + empty_rows <= 2000:
        raise InputError("a sheet has between 1 and 2000 rows, of which at most 200 are empty")
    heads = ("Lot", "Bag", "Time", "Temperature, °C", "Humidity, %", "Meter shows, %", "Steady? (yes / no)", "Note")
    rows = tuple((label, bag, *[""] * 6) for label, bag in [*named, *[("", "")] * empty_rows])
    blocks: tuple[Block, ...] = (
        Words(tongue.say("Date: ____________   Who tested: ____________________   Meter: ____________________")),
        Words(
            tongue.say(
                "Push the probe deep into the bag. Wait until the reading is steady. Write what the meter shows."
            )
        ),
        Grid(
            tuple(tongue.say(text) for text in heads), rows, (3, 1.5, 2, 2.4, 2.2, 2.4, 2.4, 4), row_mm=7.0, lined=True
        ),
        Care(tongue.say("Take care"), (tongue.say(caution_of("biting")), tongue.say(caution_of("mould")))),
    )
    title = tongue.say("Test notes")
    under = " · ".join([group_name, tongue.say("Made on {day}", day=on)])
    return Paper(title, under, blocks, tongue.language, landscape=True)


def wall_table(card: KeepingTable, group_name: str, on: date | None, tongue: Tongue = ENGLISH) -> Paper:
    """Return the wall table: moisture and verdict by temperature and humidity between grains.

    Parameters
    ----------
    group_name : str
        Who it is made for; left out where empty.
    """
    heads = (tongue.say("°C \\ % humidity"), *(tongue.figure(value, "g") for value in card.humidities_pct))
    rows = []
    for at, warmth in enumerate(card.temperatures_c):
        cells = []
        for column in range(len(card.humidities_pct)):
            value = tongue.number(float(card.moisture_pct[at, column]), 1)
            shown = f"({value})" if card.outside_range[at, column] else value
            cells.append(f"{shown} {MARKS[str(card.verdicts[at, column])]}")
        rows.append((tongue.figure(warmth, "g"), *cells))
    chosen = card.commodity.isotherm()
    notes = [
        tongue.say(
            "Push the probe into the grain. Wait until the reading is steady. Find the temperature on the left."
        ),
        tongue.say("Find the humidity on top. The number is the moisture, % of the wet weight."),
        *(f"{MARKS[key]} {tongue.say(text)}" for key, text in VERDICT_WORDS.items()),
        tongue.say("For a store that gets as warm as {warmest} °C.", warmest=tongue.number(card.store_temperature_c)),
        tongue.say("A probe errs by about 3 % humidity: where the next column says otherwise, test more bags."),
    ]
    if card.outside_range.any():
        notes.append(tongue.say("In brackets: outside the range in which the relation was measured."))
    notes.append(tongue.say("Source: {source}.", source=f"{chosen.source}, {tongue.say(chosen.label)}"))
    blocks: list[Block] = [Grid(heads, tuple(rows), (2, *[1.5] * (len(heads) - 1)), lined=True, row_mm=6.0)]
    blocks += [Words(note) for note in notes]
    cautions = (tongue.say(caution_of("mould")), tongue.say("A buyer's contract and the national standard come first."))
    blocks.append(Care(tongue.say("Take care"), cautions))
    title = tongue.say("{crop}: does it keep?", crop=Message(card.commodity.name))
    made = [tongue.say("Made on {day}", day=on)] if on is not None else []
    return Paper(
        title, " · ".join([*([group_name] if group_name else []), *made]), tuple(blocks), tongue.language, True, 1
    )
