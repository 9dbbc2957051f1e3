"""Which tests show which rule of the interlock, found in the tests themselves, and the page that says so.

A unit test shows a rule by its name, ``test_row_<reason>``; a test with real drivers by ``@live``. The page
is made by ``python -m tests.support.rules``.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from nightheron.guard.interlock import RULES
from nightheron.model import Reason

TESTS = Path(__file__).parents[1]
PAGE = TESTS / "RULES.md"
HEAD = """# Rules and their tests

Made by `python -m tests.support.rules` from the tests: do not change it by hand. Each rule of the interlock
is shown twice: on the core alone, as a timeline of facts, and live, in a running service with a real broker
and serial lines, from the signal to the order on the valve and back to permission.

| rule | closes when | on the core | live |
| --- | --- | --- | --- |
"""
Test = TypeVar("Test", bound=Callable[..., None])


def live(*reasons: str) -> Callable[[Test], Test]:
    """Marks a test that shows these rules in a running service, from the signal to the valve and back."""
    known = [Reason(one) for one in reasons]

    def mark(test: Test) -> Test:
        if not known:
            raise ValueError(f"{test.__name__} names no rule")
        return test

    return mark


def live_tests() -> Iterator[tuple[str, str, str]]:
    """Reason, file and name of every test marked ``@live``."""
    for path in sorted([*TESTS.glob("faults/test_*.py"), *TESTS.glob("system/test_*.py")]):
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.FunctionDef):
                for reason in _marked(node):
                    yield reason, str(path.relative_to(TESTS)), node.name


def core_tests() -> Iterator[tuple[str, str, str]]:
    """Reason, file and name of every ``test_row_<reason>``."""
    for path in sorted(TESTS.glob("unit/test_*.py")):
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_row_"):
                yield node.name.removeprefix("test_row_"), str(path.relative_to(TESTS)), node.name


def page() -> str:
    """The whole page, in the order of the table."""
    core, shown = list(core_tests()), list(live_tests())
    lines = [
        f"| `{reason}` | {rule.closes_when} | {_cell(core, reason)} | {_cell(shown, reason)} |"
        for reason, rule in RULES.items()
    ]
    return HEAD + "\n".join(lines) + "\n"


def _marked(test: ast.FunctionDef) -> list[str]:
    calls = [one for one in test.decorator_list if isinstance(one, ast.Call)]
    return [
        str(argument.value)
        for call in calls
        if isinstance(call.func, ast.Name) and call.func.id == "live"
        for argument in call.args
        if isinstance(argument, ast.Constant)
    ]


def _cell(tests: list[tuple[str, str, str]], reason: str) -> str:
    return "<br>".join(f"{path}: `{name}`" for shown, path, name in tests if shown == reason)


if __name__ == "__main__":
    PAGE.write_text(page())
