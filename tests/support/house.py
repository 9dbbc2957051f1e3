"""The house rules as small functions over one file: each yields "line: what, and what to use instead"."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Callable, Iterator

Rule = Callable[[str, str], Iterator[str]]
"""Takes a path relative to the tree's top and the text; ``.py`` rules see nothing else."""

PURE = ("daemon/nightheron/guard/", "daemon/nightheron/chemistry/", "daemon/nightheron/model.py")
PROGRAM = ("daemon/", "drivers/", "deploy/")
MAY_READ_CLOCKS = ("daemon/nightheron/runtime/clock.py", "drivers/", "tests/")
PURE_IMPORTS = {
    "__future__",
    "bisect",
    "collections",
    "dataclasses",
    "enum",
    "functools",
    "itertools",
    "math",
} | {"nightheron", "operator", "statistics", "struct", "types", "typing"}
TIME_READS = {"time", "monotonic", "perf_counter", "process_time", "thread_time", "clock_gettime"} | {
    "time_ns",
    "monotonic_ns",
    "perf_counter_ns",
    "process_time_ns",
    "thread_time_ns",
    "clock_gettime_ns",
}
MOST_LINES = (  # the first match counts
    ("daemon/nightheron/guard/interlock.py", 300),  # one table, read row by row
    ("daemon/nightheron/guard/", 250),
    ("daemon/nightheron/chemistry/", 250),
    ("daemon/nightheron/journal/chain.py", 250),
    ("daemon/nightheron/runtime/keeper.py", 250),
    ("daemon/nightheron/cli/", 200),
    ("drivers/", 200),
    ("tests/", 500),
    ("", 300),
)
MOST_FUNCTION_LINES = 60
DIRECTIVE = re.compile(
    r"#\s*(noqa(:\s*[A-Z]+\d+(\s*,\s*[A-Z]+\d+)*)?"
    r"|type:\s*ignore(\[[\w\-, ]+\])?|pragma:\s*no (cover|branch))"
)
UNFINISHED = re.compile(r"\b(FIX" + r"ME|TO" + r"DO|XX" + r"X)\b")
ELSEWHERE = re.compile(
    r"(?<![\w./-])/(wo" + r"rk|ro" + r"ot|workspace|home/\w+|opt/pypi)/"  # paths of one machine
    r"|/tmp/(venv|nh)\b|file:/" + r"//|\bpy" + r"pi\.org|python" + r"hosted"  # nor where it got its packages
    r"|\b(pit" + r"falls|des" + r"ign|INTER" + r"FACES)\.md\b|\b(LL" + r"M|lang" + r"uage model)\b"
)


def imports(text: str) -> Iterator[tuple[int, str]]:
    """Line and dotted name of everything a module imports, wherever it stands."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


def names_used(text: str) -> Iterator[tuple[int, str]]:
    """Line and text of every attribute and called name, an import's alias taken back to its name."""
    alias = {}
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            alias.update({a.asname: a.name for a in node.names if a.asname})
        elif isinstance(node, ast.ImportFrom):
            alias.update({a.asname or a.name: f"{node.module}.{a.name}" for a in node.names})
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute | ast.Name):
            head, dot, rest = ast.unparse(node).partition(".")
            yield node.lineno, alias.get(head, head) + dot + rest


def pure_core(path: str, text: str) -> Iterator[str]:
    """Guard, chemistry and model import values and mathematics only, and touch no file."""
    if not path.startswith(PURE):
        return
    for line, name in imports(text):
        if name.partition(".")[0] not in PURE_IMPORTS:
            yield f"{line}: imports {name}; the core gets everything as an event and answers with effects"
    for line, name in names_used(text):
        if name in {"open", "print", "input", "eval", "exec", "__import__"}:
            yield f"{line}: uses {name}(); return an effect and let runtime/ do it"


def clocks(path: str, text: str) -> Iterator[str]:
    """One file and the drivers read clocks; whoever waits says why on the line."""
    source = text.splitlines()
    for line, name in names_used(text):
        head, _, last = name.rpartition(".")
        reads = head == "time" and last in TIME_READS
        reads |= last in {"now", "utcnow", "today"} and head.rpartition(".")[2] in {"datetime", "date"}
        if reads and not path.startswith(MAY_READ_CLOCKS):
            yield f"{line}: reads {name}; take the time from nightheron.runtime.clock, or as an argument"
        if name == "time.sleep" and not path.startswith("tests/") and "# waits: " not in source[line - 1]:
            yield (
                f"{line}: time.sleep cannot be woken by a stop; wait on the queue, selector or event with "
                "a timeout, or end the line with '# waits: why'"
            )


def processes(path: str, text: str) -> Iterator[str]:
    """No process is a copy of one with threads in it."""
    for line, name in [*imports(text), *names_used(text)]:
        if name in {"os.fork", "os.forkpty", "pty.fork"} or name.partition(".")[0] == "multiprocessing":
            yield f"{line}: {name}; start a fresh program with subprocess.Popen([sys.executable, '-m', ...])"
        elif name.endswith("ProcessPoolExecutor"):
            yield f"{line}: {name} forks; use a thread, or subprocess.Popen"


def faults_named(path: str, text: str) -> Iterator[str]:
    """Handlers name what they catch, and run-time checks survive ``python -O``."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ExceptHandler) and node.type is None:
            yield f"{node.lineno}: bare except; name the exceptions, or 'except Exception' with a reason"
        elif isinstance(node, ast.Assert) and path.startswith(PROGRAM):
            yield f"{node.lineno}: assert vanishes under python -O; use 'if not ...: raise'"


def sizes(path: str, text: str) -> Iterator[str]:
    """A file can be read in one sitting and a function on one screen; blank lines are free."""
    most = next(most for start, most in MOST_LINES if path.startswith(start))
    lines = sum(1 for line in text.splitlines() if line.strip())
    if lines > most:
        yield f"1: {lines} lines, at most {most} here; split it by the question each part answers"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = (node.end_lineno or node.lineno) - node.lineno + 1
            if length > MOST_FUNCTION_LINES:
                yield f"{node.lineno}: {node.name}: {length} lines, {MOST_FUNCTION_LINES} at most; split it"


def exemptions(path: str, text: str) -> Iterator[str]:
    """Whoever switches a checker off says which rule and why, on the same line."""
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type != tokenize.COMMENT:
            continue
        for found in DIRECTIVE.finditer(token.string):
            if found[0].endswith(("noqa", "ignore")):
                yield f"{token.start[0]}: {found[0]!r} switches everything off; name the code"
        if DIRECTIVE.search(token.string) and len(re.findall(r"\w", DIRECTIVE.sub("", token.string))) < 8:
            yield f"{token.start[0]}: an exemption without its reason; add '- why' to the same line"


def promises(path: str, text: str) -> Iterator[str]:
    """Every test says in one sentence what holds."""
    if not path.startswith("tests/"):
        return
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_"):
            said = (ast.get_docstring(node) or "").strip()
            if len(said.split()) < 3 or not said.endswith("."):
                yield f"{node.lineno}: {node.name} needs a docstring: one sentence that holds of the program"


def drivers_apart(path: str, text: str) -> Iterator[str]:
    """A driver knows the model and the protocols, nothing else of the program."""
    if not path.startswith("drivers/"):
        return
    for line, name in imports(text):
        if name.partition(".")[0] == "nightheron" and not name.startswith("nightheron.model"):
            yield f"{line}: a driver imports {name}; it may know nightheron.model and its own protocols"


def words(path: str, text: str) -> Iterator[str]:
    """Nothing unfinished, and nothing that is true on one machine only. Sees every text file."""
    for number, line in enumerate(text.splitlines(), 1):
        if found := UNFINISHED.search(line):
            yield f"{number}: {found[0]}; do it now, or describe it under known limits in DEVELOPERS.md"
        if found := ELSEWHERE.search(line):
            yield f"{number}: {found[0]!r} belongs to one machine; use a relative path or an option"


PYTHON_RULES: tuple[Rule, ...] = (
    pure_core,
    clocks,
    processes,
    faults_named,
    sizes,
    exemptions,
    promises,
    drivers_apart,
)
