"""Change one computing line at a time and see whether the fast tests notice.

``python -m tests.mutation core/market --count 40`` draws forty places in a room; ``python -m tests.mutation --count
1000`` draws over all rooms, as many in each as it has places to change. The first call traces which test runs which
line (kept in ``.mutation/``, made anew with ``--trace``); each change then runs only the tests that reach it, in a
fresh process, until one fails or the tests tried come to ``--seconds`` as traced: those of its own room first, of files
that import the changed one before others, and quickest first. A change that every test so tried lets pass counts as
unnoticed, though a later one might see it; one that runs on past three times the processor seconds foreseen counts as
noticed, and is told apart as hung. Survivors are printed with their line, and written to ``.mutation/last-PART.json``
after each change.
"""

from __future__ import annotations

import argparse
import ast
import importlib.abc
import importlib.machinery
import itertools
import json
import os
import random
import re
import resource
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
KEPT = ROOT / ".mutation"
# Rooms whose tests are traced; the pages and the slow tests are left out.
TESTS = [
    str(path.relative_to(ROOT))
    for path in sorted((ROOT / "tests").iterdir())
    if path.is_dir() and path.name not in {"dashboard", "benchmarks", "__pycache__"}
]
FAST = ["-m", "not slow and not browser and not postgres"]
TRYING = ["-q", "-n", "0", "-p", "no:cacheprovider", "-p", "no:timeout", *FAST]
# Processor seconds that a change may run beyond three times what its tests took under the tracer.
SECONDS_TO_START = 30
OPERATORS = {
    ast.Add: "-",
    ast.Sub: "+",
    ast.Mult: "/",
    ast.Div: "*",
    ast.FloorDiv: "*",
    ast.Pow: "*",
    ast.Mod: "*",
    ast.Lt: "<=",
    ast.LtE: "<",
    ast.Gt: ">=",
    ast.GtE: ">",
    ast.Eq: "!=",
    ast.NotEq: "==",
    ast.And: "or",
    ast.Or: "and",
}
SWAPPED = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "any": "all",
    "all": "any",
    "ceil": "floor",
    "floor": "ceil",
    "cumsum": "cumprod",
    "exp": "expm1",
    "log": "log1p",
    "sum": "mean",
    "mean": "sum",
}


@dataclass(frozen=True)
class Change:
    """One change: in which file and line, what stands there, and what is put in its place (positions in the text)."""

    file: str
    line: int
    start: int
    end: int
    old: str
    new: str
    kind: str
    names: tuple[str, ...] = ()
    """What the line defines where it runs at import only: constants, tables, fields."""

    @property
    def room(self) -> str:
        """Return the room of the file."""
        return self.file.split("/")[1]


class _Finder(ast.NodeVisitor):
    """Collect the places of a file that compute something."""

    def __init__(self, file: str, source: str) -> None:
        self.file, self.source, self.found = file, source, list[Change]()
        self.starts = [0]
        for line in source.encode().splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.bytes = source.encode()

    def at(self, line: int, column: int) -> int:
        return self.starts[line - 1] + column

    def add(self, node: ast.AST, start: int, end: int, new: str, kind: str) -> None:
        old = self.bytes[start:end].decode()
        self.found.append(Change(self.file, node.lineno, start, end, old, new, kind))  # type: ignore[attr-defined]

    def between(self, left: ast.AST, right: ast.AST, operator: ast.AST, node: ast.AST) -> None:
        start = self.at(left.end_lineno, left.end_col_offset)  # type: ignore[attr-defined]
        end = self.at(right.lineno, right.col_offset)  # type: ignore[attr-defined]
        text = self.bytes[start:end].decode()
        new = OPERATORS.get(type(operator))
        sign = text.replace("(", " ").replace(")", " ").replace("\\", " ").strip().split("#")[0].strip()
        if new is None or not sign or text.count(sign) != 1 or "\n#" in text or "#" in text:
            return
        here = start + len(text[: text.index(sign)].encode())
        self.add(node, here, here + len(sign.encode()), new, "operator")

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if not any(
            isinstance(part, ast.Constant | ast.JoinedStr) and isinstance(getattr(part, "value", ""), str)
            for part in (node.left, node.right)
        ):
            self.between(node.left, node.right, node.op, node)
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        for left, operator, right in zip([node.left, *node.comparators], node.ops, node.comparators, strict=False):
            self.between(left, right, operator, node)
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        self.between(node.values[0], node.values[1], node.op, node)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.USub | ast.Not):
            start = self.at(node.lineno, node.col_offset)
            self.add(node, start, self.at(node.operand.lineno, node.operand.col_offset), "", "sign")
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        start, end = self.at(node.lineno, node.col_offset), self.at(node.end_lineno, node.end_col_offset)  # type: ignore[arg-type]
        if isinstance(node.value, bool):
            self.add(node, start, end, str(not node.value), "constant")
        elif isinstance(node.value, int):
            self.add(node, start, end, str(node.value + 1), "constant")
        elif isinstance(node.value, float):
            self.add(node, start, end, repr(node.value * 1.1 + (0.1 if node.value == 0 else 0)), "constant")

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func
        if isinstance(name, ast.Attribute) and name.attr in SWAPPED and isinstance(name.value, ast.Name):
            end = self.at(name.end_lineno, name.end_col_offset)  # type: ignore[arg-type]
            self.add(node, end - len(name.attr), end, SWAPPED[name.attr], "function")
        elif isinstance(name, ast.Name) and name.id in ("min", "max", "any", "all"):
            start = self.at(name.lineno, name.col_offset)
            self.add(node, start, start + len(name.id), SWAPPED[name.id], "function")
        for part in [node.func, *node.args, *(item.value for item in node.keywords if item.arg != "strict")]:
            self.visit(part)

    # What is not computing: words, types, errors, decorators, the widths of formats, the guard of a `zip`.
    def visit_Raise(self, node: ast.Raise) -> None: ...
    def visit_JoinedStr(self, node: ast.JoinedStr) -> None: ...
    def visit_Assert(self, node: ast.Assert) -> None: ...
    def visit_Subscript(self, node: ast.Subscript) -> None:
        self.visit(node.value)
        if isinstance(node.ctx, ast.Load) and not isinstance(node.slice, ast.Constant | ast.Tuple):
            self.visit(node.slice)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for part in [*node.args.defaults, *[item for item in node.args.kw_defaults if item is not None], *node.body]:
            self.visit(part)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for part in node.body:
            self.visit(part)

    def visit_If(self, node: ast.If) -> None:
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self.generic_visit(node)


def changes_of(path: Path) -> list[Change]:
    """Return every change that can be made in a file."""
    source = path.read_text(encoding="utf-8")
    tree = ast.parse(source)
    finder = _Finder(path.relative_to(ROOT).as_posix(), source)
    finder.visit(tree)
    defined = _defined_at_import(tree)
    return [replace(change, names=defined.get(change.line, ())) for change in finder.found]


def drawn(everything: Sequence[Change], count: int, seed: int) -> list[Change]:
    """Return so many changes drawn by chance, each of which still parses."""
    kept: list[Change] = []
    for change in random.Random(seed).sample(everything, len(everything)):
        if len(kept) == count:
            break
        try:
            compile(changed((ROOT / change.file).read_text(encoding="utf-8"), change), change.file, "exec")
        except SyntaxError:
            continue
        kept.append(change)
    return kept


def _defined_at_import(tree: ast.Module) -> dict[int, tuple[str, ...]]:
    """Return which names the lines outside functions define, by line."""
    found: dict[int, tuple[str, ...]] = {}
    bodies = [tree.body, *(node.body for node in ast.walk(tree) if isinstance(node, ast.ClassDef))]
    for statement in itertools.chain.from_iterable(bodies):
        if isinstance(statement, ast.Assign | ast.AnnAssign):
            targets = statement.targets if isinstance(statement, ast.Assign) else [statement.target]
            names = tuple(part.id for target in targets for part in ast.walk(target) if isinstance(part, ast.Name))
            found |= dict.fromkeys(range(statement.lineno, (statement.end_lineno or statement.lineno) + 1), names)
    return found


def uses_of_names() -> dict[str, list[tuple[str, int]]]:
    """Return where each name is read in core, by itself or after a point: file and line."""
    found: dict[str, list[tuple[str, int]]] = {}
    for path in computing_files(["core"]):
        file = path.relative_to(ROOT).as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
                name = node.id if isinstance(node, ast.Name) else node.attr
                found.setdefault(name, []).append((file, node.end_lineno or node.lineno))
    return found


def changed(source: str, change: Change) -> str:
    """Return a file's text with a change made."""
    text = source.encode()
    return (text[: change.start] + change.new.encode() + text[change.end :]).decode()


def computing_files(places: Sequence[str]) -> Iterator[Path]:
    """Yield the files of the named folders or files, without migrations and command lines."""
    for place in places:
        path = ROOT / place
        for file in [path] if path.is_file() else sorted(path.rglob("*.py")):
            if "migrations" not in file.parts and file.name not in ("__main__.py", "__init__.py", "errors.py"):
                yield file


class _Tracer:
    """A pytest plug-in that notes which test runs which line, and how long each takes."""

    def __init__(self, tracing: Any) -> None:
        self.tracing, self.seconds, self.failed = tracing, dict[str, float](), set[str]()

    def pytest_runtest_protocol(self, item: Any, nextitem: Any) -> None:
        self.tracing.switch_context(item.nodeid)

    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> None:
        if fixturedef.scope in ("module", "session", "package"):
            self.tracing.switch_context(f"{request.node.nodeid.split('::')[0]}::*")

    def pytest_fixture_post_finalizer(self, fixturedef: Any, request: Any) -> None: ...

    def pytest_pyfunc_call(self, pyfuncitem: Any) -> None:
        self.tracing.switch_context(pyfuncitem.nodeid)

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if report.failed:
            self.failed.add(report.nodeid)


def trace(tests: Sequence[str]) -> dict[str, Any]:
    """Run the fast tests once under a tracer; return the tests of each line and the seconds of each test."""
    import coverage
    import pytest

    tracing = coverage.Coverage(data_file=None, source=[str(ROOT / "core")], config_file=False)
    plugin = _Tracer(tracing)
    tracing.start()
    code = pytest.main(["-q", "-n", "0", "-p", "no:cacheprovider", *FAST, *tests], plugins=[plugin])
    tracing.stop()
    if code not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        raise RuntimeError("the tests could not be run: no change would be noticed")
    data = tracing.get_data()
    lines: dict[str, dict[str, list[str]]] = {}
    for file in data.measured_files():
        name = Path(file).relative_to(ROOT).as_posix()
        lines[name] = {str(line): sorted(filter(None, who)) for line, who in data.contexts_by_lineno(file).items()}
    # a test that fails with nothing changed would notice everything
    return {
        "lines": lines,
        "seconds": {test: took for test, took in plugin.seconds.items() if test not in plugin.failed},
    }


def tests_for(change: Change, map_: dict[str, Any], budget: float, uses: dict[str, list[tuple[str, int]]]) -> list[str]:
    """Return tests that run a changed line, worth ``budget`` seconds as traced (at least three tests).

    Its own room's come first, then those of files that import it, and the quickest first. What runs at import only is
    tried by tests of the lines that read what it defines, else by the room's tests.
    """
    reached = map_["lines"].get(change.file, {}).get(str(change.line), [])
    if not reached:
        places = [place for name in change.names for place in uses.get(name, [])]
        reached = [test for file, line in places for test in map_["lines"].get(file, {}).get(str(line), [])]
    seconds = map_["seconds"]
    found = set()
    for name in reached:
        if name.endswith("::*"):
            found |= {test for test in seconds if test.startswith(name[:-1])}
        else:
            found.add(name)
    if not found:
        found = {test for test in seconds if test.startswith(f"tests/{change.room}/")}
    own = f"tests/{change.room}/"
    near = {file: _brings_in(file, change.file) for file in {test.split("::")[0] for test in found}}
    order = sorted(
        found & seconds.keys(),
        key=lambda test: (not test.startswith(own), not near[test.split("::")[0]], seconds[test]),
    )
    spent = itertools.accumulate((seconds[test] for test in order), initial=0.0)
    return [
        test for place, (test, before) in enumerate(zip(order, spent, strict=False)) if place < 3 or before < budget
    ]


@cache
def _brings_in(test_file: str, file: str) -> bool:
    """Return whether a test file imports a file of core itself."""
    text = (ROOT / test_file).read_text(encoding="utf-8")
    room, name = file.removesuffix(".py").replace("/", ".").rsplit(".", 1)
    return f"{room}.{name}" in text or re.search(rf"from {re.escape(room)} import .*\b{name}\b", text) is not None


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.SourceLoader):
    """Give one module with its change made; all others as they stand."""

    def __init__(self, change: Change) -> None:
        self.path = str(ROOT / change.file)
        self.name = change.file.removesuffix(".py").replace("/", ".")
        self.text = changed(Path(self.path).read_text(encoding="utf-8"), change).encode()

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> Any:
        if name != self.name:
            return None
        return importlib.machinery.ModuleSpec(name, self, origin=self.path)

    def get_filename(self, fullname: str) -> str:
        return self.path

    def get_data(self, path: str) -> bytes:
        return self.text


def outcome(change: Change, tests: Sequence[str], foreseen: float) -> str:
    """Return "survived", "noticed" or "hung": all tests pass with the change made, one fails, or they run on past
    three times the processor seconds foreseen (in a process of its own, so that nothing of a change stays).
    """
    if not tests:
        return "survived"
    child = os.fork()
    if child == 0:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1), os.dup2(quiet, 2)
        limit = int(3 * foreseen + SECONDS_TO_START)
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
        signal.alarm(20 * limit)
        sys.meta_path.insert(0, _Changed(change))
        import pytest

        code = 1
        try:
            code = int(pytest.main(["-x", *TRYING, *tests]))
        finally:
            os._exit(0 if code in (0, 5) else 1)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "hung"
    return "survived" if os.WEXITSTATUS(status) == 0 else "noticed"


def all_can_be_tried(tests: Sequence[str]) -> bool:
    """Return whether every file of the tests is read without a fault while nothing is changed (else each change in
    its reach would count as noticed).
    """
    child = os.fork()
    if child == 0:
        import pytest

        code = 1
        try:
            code = int(pytest.main(["--collect-only", *TRYING, *sorted({test.split("::")[0] for test in tests})]))
        finally:
            os._exit(0 if code == 0 else 1)
    return os.waitpid(child, 0)[1] == 0


def _warm_up() -> None:
    """Bring in what every test needs, so that each process starts with it (nothing of the project itself)."""
    for name in (
        "numpy",
        "pandas",
        "scipy.stats",
        "scipy.optimize",
        "sqlalchemy",
        "alembic.command",
        "hypothesis",
        "pytest",
        "babel",
        "openpyxl",
        "xlsxwriter",
        "icalendar",
        "requests",
    ):
        try:
            importlib.import_module(name)
        except ImportError:
            continue


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw changes, try them, and print what was noticed by room."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("places", nargs="*", default=["core"], help="folders or files of core")
    parser.add_argument("--count", type=int, default=40, help="how many changes to draw")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trace", action="store_true", help="trace the tests anew")
    parser.add_argument("--tests", nargs="*", default=TESTS, help="test folders to trace")
    parser.add_argument(
        "--part", default="0/1", help="i/n: try only every n-th of the draw, so that n processes share it"
    )
    parser.add_argument("--seconds", type=float, default=60.0, help="traced seconds of tests to try on each change")
    chosen = parser.parse_args(arguments)
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    KEPT.mkdir(exist_ok=True)
    kept = KEPT / "map.json"
    if chosen.trace or not kept.exists():
        if os.fork() == 0:
            code = 1
            try:
                kept.write_text(json.dumps(trace(chosen.tests)), encoding="utf-8")
                code = 0
            finally:
                os._exit(code)
        if os.wait()[1]:
            return 1
    map_ = json.loads(kept.read_text(encoding="utf-8"))
    _warm_up()
    if not all_can_be_tried(list(map_["seconds"])):
        return 1
    everything = [change for file in computing_files(chosen.places) for change in changes_of(file)]
    draw = drawn(everything, chosen.count, chosen.seed)
    part, parts = (int(piece) for piece in chosen.part.split("/"))
    uses = uses_of_names()
    counts: dict[str, dict[str, int]] = {}
    left = []
    for change in draw[part::parts]:
        begun = time.perf_counter()
        tests = tests_for(change, map_, chosen.seconds, uses)
        end = outcome(change, tests, sum(map_["seconds"][test] for test in tests))
        row = counts.setdefault(change.room, {"noticed": 0, "hung": 0, "survived": 0})
        row[end] += 1
        if end == "survived":
            left.append({**asdict(change), "tests": len(tests)})
            took = f"{len(tests)} tests, {time.perf_counter() - begun:.0f} s"
            print(f"survived  {change.file}:{change.line}  {change.old!r} -> {change.new!r}  ({took})", flush=True)
        written = json.dumps({"by_room": counts, "survivors": left}, indent=1)
        (KEPT / f"last-{part}.json").write_text(written, encoding="utf-8")
    together = {end: sum(row[end] for row in counts.values()) for end in ("noticed", "hung", "survived")}
    for room, row in [*sorted(counts.items()), ("all", together)]:
        tried = sum(row.values())
        dead = tried - row["survived"]
        share = 100 * dead / max(tried, 1)
        print(f"{room:12} {dead:4} of {tried:4} noticed ({share:.0f} %), {row['hung']} of them by hanging")
    print(f"{len(everything)} places could be changed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
