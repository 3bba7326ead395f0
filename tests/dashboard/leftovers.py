"""A pseudo language: every known text between marks, so that what stands outside them was never translated."""

from __future__ import annotations

import html
import io
import json
import re
import tomllib
from collections.abc import Iterable, Iterator
from functools import cache
from gettext import GNUTranslations
from pathlib import Path
from string import Formatter
from typing import Any
from zoneinfo import available_timezones

from babel import Locale
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from google.protobuf.descriptor import FieldDescriptor
from streamlit.testing.v1 import AppTest

from core.grain.commodities import commodity_codes, get_commodity
from dashboard.catalogue import ROOT, texts

LANGUAGE = "fi"  # dates, months and countries come from Babel in this language: an English one is a leftover
OPEN, CLOSE = "¿", "¡"  # signs that a short message can hold
MARKED = re.compile(f"{OPEN}[^{CLOSE}]*(?:{CLOSE}|$)")
WORD = re.compile(r"[^\W\d_]{2,}")
# Fields of a widget's message that nobody reads: addresses, keys, ways of drawing.
UNSEEN = re.compile(
    r"(^|_)(id|ids|key|keys|form|page|page_script_hash|url|icon|query_string|element_hash|fragment|class|theme|width|"
    r"height|align|format|color|step|data_type|file_name|mime_type|language|external_link|styler|uuid|css|"
    r"sections|script_path|path|query_params|columns|column_order|metadata|config|expires|type)$"
)


def marked(text: str) -> str:
    """Return a text between marks, its places left outside them so that what fills them is judged too."""
    made = []
    for words, name, form, _conversion in Formatter().parse(text):
        made.append(f"{OPEN}{words}{CLOSE}" if words else "")
        if name is not None:
            made.append("{" + name + (f":{form}" if form else "") + "}")
    return "".join(made)


def write_catalogue(folder: Path) -> None:
    """Write the pseudo language's catalogue of all texts that are known."""
    made = Catalog(locale=LANGUAGE, charset="utf-8", fuzzy=False)
    plural = {text.words for text in texts() if text.plural}
    for text in texts():
        if text.plural:
            made.add((text.words, text.plural), (marked(text.words), marked(text.plural)))
        elif text.words not in plural:
            made.add(text.words, marked(text.words))
    (folder / LANGUAGE).mkdir()
    with (folder / LANGUAGE / "dryhold.po").open("wb") as handle:
        write_po(handle, made, width=0)


def visible(app: AppTest) -> Iterator[tuple[str, str]]:
    """Yield every string that a page shows, with the kind of its element."""
    for element in _elements(app._tree):
        kind = element.type
        if kind == "plotly_chart":
            yield from ((kind, words) for words in _of_figure(json.loads(element.proto.spec)))
        elif kind == "arrow_data_frame":
            frame = element.value
            yield from ((f"{kind} heading", str(name)) for name in frame.columns)
            for name in frame.columns:
                if frame[name].dtype == object:
                    yield from ((f"{kind} cell of {name}", str(cell)) for cell in frame[name] if isinstance(cell, str))
        elif kind == "html":
            body = re.sub(r"<(style|script)\b.*?</\1>", " ", element.proto.body, flags=re.DOTALL)
            yield from ((kind, html.unescape(words)) for words in re.split(r"<[^>]*>", body))
        elif kind not in ("iframe",):
            yield from ((kind, words) for words in _strings(element.proto))


def _elements(node: Any) -> Iterator[Any]:
    children = getattr(node, "children", None)
    if children is None:
        if getattr(node, "proto", None) is not None:
            yield node
        return
    if getattr(node, "proto", None) is not None:
        yield node
    for child in children.values():
        yield from _elements(child)


def _strings(message: Any) -> Iterator[str]:
    for field, value in message.ListFields():
        if UNSEEN.search(field.name):
            continue
        repeated = field.is_repeated if hasattr(field, "is_repeated") else field.label == FieldDescriptor.LABEL_REPEATED
        for item in value if repeated else [value]:
            if isinstance(item, str):
                yield item
            elif hasattr(item, "ListFields"):
                yield from _strings(item)


def _of_figure(spec: Any) -> Iterator[str]:
    """Yield the words of a Plotly figure: titles, names, labels, texts and what a pointer shows."""
    said = {"text", "name", "hovertext", "hovertemplate", "title", "ticktext", "labels", "texttemplate"}
    drawn = {"x", "y", "customdata", "base"}

    def walk(node: Any, key: str) -> Iterator[str]:
        if isinstance(node, dict):
            for inner, value in node.items():
                if inner != "template":
                    yield from walk(value, inner)
        elif isinstance(node, list):
            for value in node:
                yield from walk(value, key)
        elif isinstance(node, str) and key in said | drawn:
            yield re.sub(r"<[^>]*>|%\{[^}]*\}", " ", node)

    yield from walk(spec.get("data", []), "")
    yield from walk(spec.get("layout", {}), "")


@cache
def own_words() -> frozenset[str]:
    """Return the words that Babel itself says in the pseudo language: months, days, countries, currencies."""
    locale = Locale.parse(LANGUAGE)
    said: list[str] = [*locale.territories.values(), *locale.languages.values()]
    for names in (locale.months, locale.days):
        for forms in names.values():
            for width in forms.values():
                said += width.values()
    return frozenset(word for words in said for word in WORD.findall(words))


def outside(words: str) -> str:
    """Return what stands outside the marks."""
    return MARKED.sub(" ", words)


UNITS = re.compile(
    r"\b(kg|km|mm|cm|m²|kPa|GB|MB|min|USD|CSV|XLSX|XLS|PDF|ICS|ZIP|HXL|ISO|SDG|FAO|UTC|GMT|CC|BY|csv|tsv|txt|xlsx|xlsm|zip|"
    r"html|toml|RH|[A-Z]{3})\b"
)


def data_words(store: Any) -> list[str]:
    """Return what people wrote or what is a name, longest first: it is shown as it is in every language."""
    said: set[str] = set()
    known = {text.words for text in texts()}
    for group in store.groups():
        said |= {group.name, group.district}
        said |= {member.name for member in store.members(group.id)}
        said |= {lot.label for lot in store.lots(group.id)} | {lot.note for lot in store.lots(group.id)}
        said |= {lot.variety for lot in store.lots(group.id) if lot.variety}
        said |= {lot.place for lot in store.lots(group.id)}
        said |= set(store.readings(group.id)["tester"].dropna().astype(str))
        said |= set(store.price_quotes(group.id)["market"]) | set(store.sales(group.id)["buyer"])
        for book in ("meter", "pool", "buyers", "coming", "plans"):
            for event in store.events(group.id, book):
                said.add(event.who)
                said |= {event.payload[key] for key in WRITTEN if isinstance(event.payload.get(key), str)}
    said |= {name for code in commodity_codes() for name in get_commodity(code).isotherms} | available_timezones()
    return sorted((words for words in said if words and words not in known), key=len, reverse=True)


WRITTEN = (
    "name",
    "reference",
    "payer",
    "text",
    "pool",
    "about",
    "purpose",
    "file",
    "explanation",
    "buyer",
    "to",
    "from",
)


@cache
def citations() -> tuple[str, ...]:
    """Return the sources and notes of the tables, which are cited as they are printed, longest first."""
    found: set[str] = set()

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            for key, value in node.items():
                if key in ("source", "note", "cost_source", "area_source") and isinstance(value, str):
                    found.add(value)
                else:
                    walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    for path in (ROOT / "core").rglob("*.toml"):
        if "defaults" not in path.parts:
            walk(tomllib.loads(path.read_text(encoding="utf-8")))
    return tuple(sorted(found, key=len, reverse=True))


def leftovers(app: AppTest, data: list[str], own: frozenset[str]) -> dict[str, str]:
    """Return what a page shows in letters outside the marks and is no data: the words, and the element they are in."""
    found: dict[str, str] = {}
    for kind, words in visible(app):
        for rest in left([words], data, own):
            found.setdefault(rest, kind)
    return found


def left(texts_shown: Iterable[str], data: list[str], own: frozenset[str]) -> list[str]:
    """Return what texts hold in letters outside the marks, without data and units."""
    found = []
    for words in texts_shown:
        rest = re.sub(r":material/\w+:|:\w+\[|https?://\S+", " ", outside(words)).replace("\\", "")
        for known in data:
            rest = rest.replace(known, " ")
        rest = UNITS.sub(" ", rest)
        if any(word not in own for word in WORD.findall(rest)):
            found.append(" ".join(rest.split()))
    return list(dict.fromkeys(found))


def pseudo_catalogue(folder: Path) -> GNUTranslations:
    """Return the pseudo language's catalogue as written to a folder."""
    compiled = io.BytesIO()
    with (folder / LANGUAGE / "dryhold.po").open("rb") as handle:
        write_mo(compiled, read_po(handle, locale=LANGUAGE))
    compiled.seek(0)
    return GNUTranslations(compiled)
