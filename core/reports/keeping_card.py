"""The card for those without a phone: moisture and verdict by temperature and humidity, as one HTML file to print."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from core.storage.keeping import KeepingCard

MARKS = {"keeps for months": "●", "keeps for weeks": "◐", "too wet": "○"}
"""A mark beside each verdict, so that the card can be read in black and white."""

STYLE = """
body { font-family: sans-serif; margin: 1.5em; color: #111; }
table { border-collapse: collapse; width: 100%; }
th, td { border: 1px solid #777; padding: 0.35em 0.2em; text-align: center; font-size: 0.95em; }
td.weeks { background: #eee; }
td.wet { background: #ccc; }
caption { text-align: left; margin-bottom: 0.5em; }
p { max-width: 60em; }
@media print { @page { size: A4 landscape; margin: 12mm; } body { margin: 0; } }
"""

CLASSES = {"keeps for months": "months", "keeps for weeks": "weeks", "too wet": "wet"}

WORDS = {
    "title": "{crop}: does it keep?",
    "how": "Push the probe into the grain, wait until the humidity stands still, and find the temperature on the left "
    "and the humidity on top. The number is the moisture in percent of the wet weight.",
    "corner": "°C \\ % humidity",
    "judged": "Judged for a store that gets as warm as {warmest} °C; grain that is warmer now is judged as it is.",
    "keeps for months": "keeps for months",
    "keeps for weeks": "keeps for weeks only: dry it more or use it soon",
    "too wet": "too wet: dry it more",
    "guard": (
        "A probe errs by about 3 % humidity: where the column beside says otherwise, be careful and probe more bags."
    ),
    "outside": "in brackets: outside the range in which the relation was measured",
    "made_for": "Made for {group} on {day}",
    "mould": "Mouldy or musty grain is not eaten, fed to animals or blended away. A dry reading says nothing of "
    "aflatoxin that is already there.",
    "limits": "A buyer's contract and the national standard come before this card.",
    "source": "Moisture by: {source}",
}
"""English sentences of the card; a caller may hand over the same keys in another language."""


def keeping_card_html(
    card: KeepingCard, group: str = "", day: str = "", words: Mapping[str, str] = WORDS, language: str = "en"
) -> str:
    """Return the card as a standalone HTML document; every text that comes from outside is escaped.

    Parameters
    ----------
    card : KeepingCard
        Moisture and verdicts.
    group, day : str
        Who it was made for and when, as they are to be printed; left out where empty.
    words : Mapping[str, str]
        Sentences by the keys of `WORDS`.
    language : str
        Code of their language.
    """
    said = {**WORDS, **words}
    title = escape(said["title"].format(crop=card.commodity.name))
    head = "".join(f'<th scope="col">{humidity:g}</th>' for humidity in card.humidities_pct)
    rows = "".join(_row(card, index, said) for index in range(len(card.temperatures_c)))
    legend = "".join(f"<p>{MARKS[key]} {escape(said[key])}</p>" for key in MARKS)
    chosen = card.commodity.isotherm()
    notes = [
        said["judged"].format(warmest=f"{card.store_temperature_c:g}"),
        said["guard"],
        *([said["outside"]] if card.outside_range.any() else []),
        said["mould"],
        said["limits"],
        said["source"].format(source=f"{chosen.source}, {chosen.label}"),
        *([said["made_for"].format(group=group, day=day)] if group else []),
    ]
    foot = "".join(f"<p>{escape(note)}</p>" for note in notes)
    return (
        f'<!doctype html><html lang="{escape(language, quote=True)}"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width"><title>{title}</title><style>{STYLE}</style></head>'
        f"<body><h1>{title}</h1><p>{escape(said['how'])}</p>"
        f'<table><thead><tr><th scope="col">{escape(said["corner"])}</th>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table>{legend}{foot}</body></html>"
    )


def _row(card: KeepingCard, index: int, said: Mapping[str, str]) -> str:
    """Return one row of the table: a temperature and its cells."""
    cells = []
    for column in range(len(card.humidities_pct)):
        verdict = str(card.verdicts[index, column])
        value = f"{card.moisture_pct[index, column]:.1f}"
        shown = f"({value})" if card.outside_range[index, column] else value
        said_verdict = escape(said[verdict], quote=True)
        cells.append(f'<td class="{CLASSES[verdict]}" title="{said_verdict}">{shown} {MARKS[verdict]}</td>')
    return f'<tr><th scope="row">{card.temperatures_c[index]:g}</th>{"".join(cells)}</tr>'
