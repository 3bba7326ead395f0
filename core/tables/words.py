"""Words as people write them, brought to plain letters, and which meaning a heading has by a list of words."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

LONGEST_HEADING = 200
MOST_TOKENS = 6
WHOLE, PART = 100, 60
_BRACKETS = re.compile(r"[\(\[][^\)\]]*[\)\]]|%|°\s*[CF]\b|\bkg\b", re.I)


@lru_cache(maxsize=8192)
def plain(text: object) -> str:
    """Return text without capitals, accents, signs and doubled spaces."""
    decomposed = unicodedata.normalize("NFKD", str(text)).casefold()
    letters = "".join(letter for letter in decomposed if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[^\w]+|_", " ", letters).split())


def lookup(names: Mapping[str, Collection[str]]) -> dict[str, str]:
    """Return the code for each of its names in plain letters; the code itself is a name too."""
    found = {plain(name): code for code, several in names.items() for name in several}
    return {**found, **{plain(code): code for code in names}}


def last_part(heading: object) -> str:
    """Return the last part of a heading of a phone survey, such as ``test/bag/moisture`` or ``test-moisture``."""
    text = str(heading).strip()
    return re.split(r"[/:]|(?<=\w)\.(?=\w)", text)[-1] if "/" in text or ":" in text or "." in text else text


@dataclass(frozen=True)
class WordList:
    """Words that head a column, for each meaning.

    Parameters
    ----------
    without : Mapping of str to frozenset of str
        Words beside which a meaning does not hold: ``air temperature`` is not the grain's.
    """

    meanings: Mapping[str, tuple[str, ...]]
    without: Mapping[str, frozenset[str]] = field(default_factory=dict)


def word_list(toml: str, section: str = "") -> WordList:
    """Return the word list of a TOML text: for each meaning a table with its ``words`` and, if needed, ``without``."""
    tables = tomllib.loads(toml)
    entries = tables[section] if section else tables
    meanings: dict[str, tuple[str, ...]] = {}
    for meaning, entry in entries.items():
        for word in entry["words"]:
            meanings[plain(word)] = (*meanings.get(plain(word), ()), meaning)
    without = {
        meaning: frozenset(plain(word) for word in entry["without"])
        for meaning, entry in entries.items()
        if "without" in entry
    }
    return WordList(meanings, without)


def matches(heading: object, words: WordList, strong: Collection[str] = ()) -> dict[str, int]:
    """Return how well each meaning fits a heading: `WHOLE` and more for a whole word, from `PART` for a part.

    Parameters
    ----------
    strong : collection of str
        Meanings that win where a heading names several in part: ``Temp. grain`` is a temperature, not a crop.
    """
    text = str(heading)[:LONGEST_HEADING]
    found: dict[str, int] = {}
    survey = 40 if text.lstrip().startswith("_") or plain(text) == "start" else 0
    for candidate, bonus in ((_BRACKETS.sub(" ", text), 1), (_BRACKETS.sub(" ", last_part(text)), 0), (text, 0)):
        letters = plain(candidate)
        tokens = letters.split()[: 4 * MOST_TOKENS]
        for start in range(len(tokens)):
            for end in range(start + 1, min(len(tokens), start + MOST_TOKENS) + 1):
                word = " ".join(tokens[start:end])
                for meaning in words.meanings.get(word, ()):
                    if words.without.get(meaning, frozenset()) & set(tokens):
                        continue
                    if word == letters:
                        score = WHOLE + len(word) + bonus
                    elif len(word) > 2:
                        score = PART + min(len(word), 20) + 10 * (meaning in strong)
                    else:
                        continue
                    # The service columns of survey forms only stand in where the form itself asked nothing.
                    found[meaning] = max(found.get(meaning, 0), score - survey)
    return found
