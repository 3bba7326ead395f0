"""Texts that code says by a name, such as ``_(WORDS[key])``, ``message(template)`` or ``_(text)`` in a loop.

The catalogue reads constants where they are said; here a name is followed back to the constants that it can hold: to an
assignment or a loop of the same function, to a table at the top of a module, or to the calls of a function whose
parameter is said. What is not found so is found by `tests/dashboard/test_leftovers.py` on the pages.
"""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

SAYS = ("_", "gettext", "message", "Message", "say", "InputError", "StoreError")
TABLES = {
    "core/advice/making.py": ("READING", "DRAWING", "SEARCHING", "PLACING", "COMPARING"),
    "core/group/lot_sales.py": ("PLACES",),
    "core/group/lot_actions.py": ("KINDS", "FAULTS"),
    "core/group/reading_flags.py": ("NOT_SETTLED", "RANGE", "DISAGREES", "SUN", "CONDENSED", "OUTLIER"),
    "core/programme/people.py": ("AGE_EDGES", "NOT_KNOWN"),
    "core/testing/plan_worth.py": ("OVER_DRYING", "REFUSAL", "SPOILAGE", "DRYING", "TIMING"),
    "core/planning/rolling.py": ("WHO_WORDS",),
    "core/weather/reference.py": ("SOURCE",),
    "core/weather/usual.py": ("EXAMPLE_SOURCE",),
    "dashboard/forms/prices.py": ("PRICE_TYPES",),
    "dashboard/planning.py": ("MOVING", "ALONE", "LOOKING_BACK"),
}
"""Constants that reach the screen through a record's field, by the end of their module's path."""
UNWRAP = ("str", "capitalize", "lower", "strip", "literal")
Function = ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda


class SaidByName:
    """The texts of a folder of modules that are said by name."""

    def __init__(self, modules: dict[Path, ast.Module]) -> None:
        self.modules = modules
        self.tables: defaultdict[tuple[str, str], list[ast.expr]] = defaultdict(list)
        self.imported: dict[tuple[Path, str], str] = {}
        self.calls: dict[str, list[tuple[Path, ast.Call]]] = defaultdict(list)
        self.above: dict[ast.AST, ast.AST] = {}
        self.home: dict[ast.AST, Path] = {}
        for path, module in modules.items():
            for statement in module.body:
                for name, value in _assigned(statement):
                    self.tables[path.stem, name].append(value)
            for node in ast.walk(module):
                self.home[node] = path
                if isinstance(node, ast.ImportFrom) and node.module:
                    for one in node.names:
                        self.imported[path, one.asname or one.name] = node.module.rpartition(".")[2]
                for child in ast.iter_child_nodes(node):
                    self.above[child] = node
                if isinstance(node, ast.Call):
                    self.calls[_called(node)].append((path, node))

    def texts(self) -> Iterator[tuple[str, Path, int]]:
        """Yield each text with the file and line of the constant."""
        for name in SAYS:
            for _path, call in self.calls[name]:
                if call.args and not isinstance(call.args[0], ast.Constant):
                    for found in self._held(call.args[0], frozenset()):
                        yield found.value, self.home[found], found.lineno

        for path in self.modules:
            names = next((names for end, names in TABLES.items() if path.as_posix().endswith(end)), ())
            for name in names:
                for table in self.tables[path.stem, name]:
                    for found in ast.walk(table):
                        if isinstance(found, ast.Constant) and isinstance(found.value, str):
                            yield found.value.replace("_", " "), path, found.lineno

    def _held(self, node: ast.expr, seen: frozenset[ast.AST]) -> Iterator[ast.Constant]:
        """Yield the constants that an expression can be."""
        if node in seen or len(seen) > 12:
            return
        seen = seen | {node}
        if isinstance(node, ast.Constant):
            if isinstance(node.value, str) and any(sign.isalpha() for sign in node.value):
                yield node
        elif isinstance(node, ast.IfExp | ast.BoolOp):
            for part in [node.body, node.orelse] if isinstance(node, ast.IfExp) else node.values:
                yield from self._held(part, seen)
        elif isinstance(node, ast.Subscript):
            yield from self._values(node.value, seen)
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            for first in self._held(node.left, seen):
                for then in self._held(node.right, seen):
                    yield self._made(first.value + then.value, first)
        elif isinstance(node, ast.Call):
            yield from self._of_call(node, seen)
        elif isinstance(node, ast.Name):
            yield from self._of_name(node, seen)
        elif isinstance(node, ast.Tuple | ast.List | ast.Set):
            for part in node.elts:
                yield from self._held(part, seen)

    def _of_call(self, node: ast.Call, seen: frozenset[ast.AST]) -> Iterator[ast.Constant]:
        name, on = _called(node), node.func.value if isinstance(node.func, ast.Attribute) else None
        if name == "get" and on is not None and node.args:
            yield from self._values(on, seen)
            for default in node.args[1:]:
                yield from self._held(default, seen)
        elif name in UNWRAP or name == "replace":
            inner = on if on is not None else node.args[0] if node.args else None
            if inner is not None:
                for found in self._held(inner, seen):
                    if name != "replace" or "_" not in found.value:
                        yield found
                    else:
                        yield self._made(found.value.replace("_", " "), found)

    def _made(self, words: str, like: ast.Constant) -> ast.Constant:
        made = ast.copy_location(ast.Constant(words), like)
        self.home[made] = self.home[like]
        return made

    def _of_name(self, node: ast.Name, seen: frozenset[ast.AST]) -> Iterator[ast.Constant]:
        """Yield what a name holds: as set in its function or those around it, as a parameter, or as a table."""
        place: ast.AST | None = node
        while place is not None:
            place = self.above.get(place)
            if isinstance(place, Function):
                values = list(self._set_in(place, node.id))
                names = _parameters(place)
                if values or node.id in names:
                    for value in values:
                        yield from self._held(value, seen)
                    if node.id in names and not isinstance(place, ast.Lambda):
                        for value in self._given(place, names, node.id):
                            yield from self._held(value, seen)
                    return
        for table in self._at_top(node):
            yield from self._held(table, seen)

    def _set_in(self, function: ast.AST, name: str) -> Iterator[ast.expr]:
        for node in ast.walk(function):
            for target, value in _assigned(node):
                if target == name:
                    yield value
            if isinstance(node, ast.For | ast.comprehension):
                yield from self._looped(node.target, node.iter, name)

    def _looped(self, target: ast.expr, over: ast.expr, name: str) -> Iterator[ast.expr]:
        """Yield what a name is in a loop over a table, a literal list, or the items or values of a table."""
        place = next((i for i, part in enumerate(_parts(target)) if getattr(part, "id", "") == name), None)
        if place is None:
            return
        method = _called(over) if isinstance(over, ast.Call) else ""
        if method in ("items", "values") and isinstance(over.func, ast.Attribute):
            if method == "values" or place == 1:
                yield from self._table_values(over.func.value)
            return
        for table in self._literals(over):
            rows = table.keys if isinstance(table, ast.Dict) else getattr(table, "elts", [])
            for row in rows:
                if row is not None and (not isinstance(target, ast.Tuple) or isinstance(row, ast.Tuple)):
                    yield row.elts[place] if isinstance(row, ast.Tuple) and isinstance(target, ast.Tuple) else row

    def _table_values(self, node: ast.expr) -> Iterator[ast.expr]:
        for table in self._literals(node):
            yield from table.values if isinstance(table, ast.Dict) else getattr(table, "elts", [])

    def _literals(self, node: ast.expr) -> Iterator[ast.expr]:
        """Yield the tables that an expression names: itself, one of its function, one at the top of a module."""
        if isinstance(node, ast.Dict | ast.Tuple | ast.List | ast.Set):
            yield node
        elif isinstance(node, ast.Name):
            place: ast.AST | None = node
            while place is not None:
                place = self.above.get(place)
                if isinstance(place, Function):
                    found = [value for value in self._set_in(place, node.id) if isinstance(value, ast.Dict | ast.Tuple)]
                    names = _parameters(place)
                    if node.id in names and not isinstance(place, ast.Lambda):
                        for value in self._given(place, names, node.id):
                            yield from self._literals(value)
                    if found:
                        yield from found
                        return
            yield from self._at_top(node)

    def _at_top(self, node: ast.Name) -> list[ast.expr]:
        """Return what a name is at the top of its module, or of the module that it was imported from."""
        path = self.home[node]
        module = self.imported.get((path, node.id), path.stem)
        found = self.tables.get((module, node.id), [])
        if found or (path, node.id) not in self.imported:
            return found
        return [value for (_stem, name), values in self.tables.items() if name == node.id for value in values]

    def _values(self, node: ast.expr, seen: frozenset[ast.AST]) -> Iterator[ast.Constant]:
        """Yield the constants of a table, whichever key is asked for."""
        for value in self._table_values(node):
            if isinstance(value, ast.Dict):
                for inner in value.values:
                    yield from self._held(inner, seen)
            else:
                yield from self._held(value, seen)

    def _given(self, function: ast.AST, names: list[str], name: str) -> Iterator[ast.expr]:
        """Yield what the calls of a function, in its own file, give for a parameter."""
        method = names[:1] == ["self"]
        place = names.index(name) - method
        for path, call in self.calls[getattr(function, "name", "")]:
            if path != self.home[function]:
                continue
            if len(call.args) > place:
                yield call.args[place]
            yield from (keyword.value for keyword in call.keywords if keyword.arg == name)


def _called(call: ast.Call) -> str:
    return call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")


def _parts(target: ast.expr) -> list[ast.expr]:
    return list(target.elts) if isinstance(target, ast.Tuple) else [target]


def _parameters(function: ast.AST) -> list[str]:
    given = getattr(function, "args", None)
    return [one.arg for one in [*given.posonlyargs, *given.args, *given.kwonlyargs]] if given is not None else []


def _assigned(node: ast.AST) -> Iterator[tuple[str, ast.expr]]:
    """Yield the names that a statement sets, with their values; names set together get their parts."""
    if isinstance(node, ast.Assign):
        for target in node.targets:
            if isinstance(target, ast.Name):
                yield target.id, node.value
            elif isinstance(target, ast.Tuple):
                for place, part in enumerate(target.elts):
                    if isinstance(part, ast.Name):
                        whole = isinstance(node.value, ast.Tuple) and len(node.value.elts) == len(target.elts)
                        yield part.id, node.value.elts[place] if whole else node.value
    elif (
        isinstance(node, ast.AnnAssign | ast.NamedExpr) and isinstance(node.target, ast.Name) and node.value is not None
    ):
        yield node.target.id, node.value
