"""All words that a person may read, as found in the code: for catalogues, and for the tests of words.

``python3 -m dashboard.catalogue`` writes the template `dashboard/locale/dryhold.pot` and says, for each language, which
texts its catalogue lacks, has left unsure, or has broken.
"""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from dashboard.said_by_name import SaidByName

ROOT = Path(__file__).resolve().parents[1]
LOCALE_FOLDER = Path(__file__).with_name("locale")
SCREEN = ("_", "gettext")
MESSAGES = ("message", "Message", "say")
PLURALS = {"ngettext": 0, "plural": 1}
"""What says one of two forms, and the place of the first of them."""
TOML_KEYS = ("label", "text", "title", "unit_words")
TOML_ALSO = {
    "core/storage/methods.toml": ("name", "breaks"),
    "core/storage/insects.toml": ("name",),
    "core/grain/commodities.toml": ("name", "product"),
    "core/audit/limits.toml": ("about", "found", "advice"),
    "core/group/defaults/": ("unit", "source", "options"),
}
"""Keys of some tables that hold words for people, by the beginning of the table's path."""
ACCOUNT = re.compile(r"(?:assets|liabilities|equity|income|expenses):([a-z][\w' ]+)")
PLACE = re.compile(r"\{(\w*)")


@dataclass(frozen=True)
class Text:
    """Words with their plural form (empty where there is none) and the file and line that say them."""

    words: str
    plural: str
    file: str
    line: int

    @property
    def places(self) -> frozenset[str]:
        """The named places that a translation has to keep."""
        return frozenset(PLACE.findall(self.words)) | frozenset(PLACE.findall(self.plural))


@cache
def texts() -> tuple[Text, ...]:
    """Return every text of the screen, of core's messages and errors, and of the tables, in the order of the files.

    The whole code is read for them: once a process.
    """
    found: list[Text] = []
    modules: dict[Path, ast.Module] = {}
    for folder in ("core", "dashboard"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            if "migrations" not in path.parts:
                modules[path] = ast.parse(path.read_text(encoding="utf-8"))
                found += list(_of_code(path, modules[path]))
        for path in sorted((ROOT / folder).rglob("*.toml")):
            if not {".streamlit", "checks"} & set(path.parts) and path.name != "words.toml":
                found += list(_of_table(path))
    by_name = [
        Text(said, "", path.relative_to(ROOT).as_posix(), line) for said, path, line in SaidByName(modules).texts()
    ]
    return (*found, *dict.fromkeys(by_name))


def _of_code(path: Path, module: ast.Module) -> Iterator[Text]:
    file = path.relative_to(ROOT).as_posix()
    for node in ast.walk(module):
        account = ACCOUNT.fullmatch(_constant(node)) if isinstance(node, ast.expr) else None
        if account is not None:
            yield Text(account[1], "", file, node.lineno)
        if isinstance(node, ast.keyword) and node.arg == "unknown" and _constant(node.value):
            yield Text(_constant(node.value), "", file, node.value.lineno)
        if not isinstance(node, ast.Call) or not node.args:
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        first = _constant(node.args[0])
        if not first:
            continue
        if name in PLURALS and len(node.args) > 1:
            one, many = node.args[PLURALS[name] :][:2]
            yield Text(_constant(one), _constant(many), file, node.lineno)
        elif name in SCREEN or name in MESSAGES or (name.endswith("Error") and " " in first):
            yield Text(first, "", file, node.lineno)


def _constant(node: ast.expr) -> str:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


def _of_table(path: Path) -> Iterator[Text]:
    file = path.relative_to(ROOT).as_posix()
    also = [more for start, more in TOML_ALSO.items() if file.startswith(start)]
    keys = (*TOML_KEYS, *(key for more in also for key in more))

    def walk(node: Any) -> Iterator[str]:
        if isinstance(node, dict):
            for key, value in node.items():
                said = value if isinstance(value, list) else [value]
                if key in keys and all(isinstance(words, str) for words in said):
                    yield from (words.replace("_", " ") if key == "options" else words for words in said if words)
                else:
                    yield from walk(value)
        elif isinstance(node, list):
            for value in node:
                yield from walk(value)

    for words in walk(tomllib.loads(path.read_text(encoding="utf-8"))):
        yield Text(words, "", file, 0)


def template() -> Any:
    """Return the catalogue without translations (a Babel catalogue)."""
    from babel.messages.catalog import Catalog

    made = Catalog(project="dryhold", charset="utf-8")
    for text in texts():
        made.add((text.words, text.plural) if text.plural else text.words, locations=[(text.file, text.line)])
    return made


def faults(language: str) -> list[str]:
    """Return what is wrong with a language's catalogue: missing texts, unsure ones, lost or invented places."""
    from babel.messages.pofile import read_po

    path = LOCALE_FOLDER / language / "dryhold.po"
    with path.open("rb") as handle:
        catalogue = read_po(handle, locale=language)
    found = []
    for text in texts():
        entry = catalogue.get(text.words)
        said = [entry.string] if entry and isinstance(entry.string, str) else list(entry.string) if entry else []
        if not said or not all(said):
            found.append(f"missing: {text.words!r} ({text.file}:{text.line})")
            continue
        if entry.fuzzy:
            found.append(f"unsure: {text.words!r}")
        lost = [words for words in said if not frozenset(PLACE.findall(words)) <= text.places]
        kept = frozenset().union(*(frozenset(PLACE.findall(words)) for words in said))
        if lost or kept != text.places:
            found.append(f"places differ: {text.words!r}")
    return list(dict.fromkeys(found))


def main() -> int:
    """Write the template and say what each catalogue lacks."""
    from babel.messages.pofile import write_po

    LOCALE_FOLDER.mkdir(exist_ok=True)
    with (LOCALE_FOLDER / "dryhold.pot").open("wb") as handle:
        write_po(handle, template(), width=0, sort_output=True, omit_header=False)
    bad = 0
    for path in sorted(LOCALE_FOLDER.glob("*/dryhold.po")):
        found = faults(path.parent.name)
        bad += len(found)
        sys.stdout.write(f"{path.parent.name}: {len(found)} faults\n" + "".join(f"  {line}\n" for line in found[:40]))
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
