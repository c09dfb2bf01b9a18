"""The table of faults in DEVELOPERS.md keeps step with the tests that cause them, in both directions."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
TABLE = (
    (ROOT / "DEVELOPERS.md")
    .read_text(encoding="utf-8")
    .partition("\n## What the run does when\n")[2]
    .partition("\n## ")[0]
)
ROWS = [
    [cell.strip() for cell in row.strip("|").split(" |")]
    for row in re.findall(r"^\| .*\|$", TABLE, re.MULTILINE)
][1:]
MODULES = ("tests/account/test_faults.py", "tests/live/test_faults.py")
READS_AN_ACCOUNT = {"only", "troubles", "told", "stop"}
"""What a test of those modules calls to read the account's "What went wrong"."""


def _tests_in(path: Path) -> dict[str, ast.FunctionDef]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = [node for node in tree.body if isinstance(node, ast.FunctionDef)]
    return {node.name: node for node in found if node.name.startswith("test_")}


def _named() -> dict[str, list[tuple[str, str]]]:
    """For each fault of the table, the tests that its row names: file and function."""
    named = {}
    for fault, *_, tests in ROWS:
        file, named[fault] = "", []
        for path, test in re.findall(r"`(tests/[\w/.]+)?::(\w+)`", tests):
            file = path or file
            named[fault].append((file, test))
    return named


def test_every_fault_has_its_behaviour_and_a_test_that_exists() -> None:
    """Each row says what happens, what the run does, what is recorded, and which tests cause it."""
    named = _named()
    assert len(named) == len(ROWS) >= 36
    for row in ROWS:
        assert len(row) == 4, row[0]
        assert row[1], row[0]
        assert named[row[0]], row[0]
    for fault, tests in named.items():
        for file, test in tests:
            assert test in _tests_in(ROOT / file), f"{fault}: {file}::{test}"


def test_every_test_of_a_fault_is_in_the_table_and_reads_an_account() -> None:
    """No fault is caused in the two modules without a row, and each of their tests reads what the account tells."""
    named = {test for tests in _named().values() for test in tests}
    for module in MODULES:
        tests = _tests_in(ROOT / module)
        assert len(tests) >= 8
        for name, function in tests.items():
            assert (module, name) in named, f"{module}::{name} has no row"
            called = {
                getattr(node.func, "id", getattr(node.func, "attr", ""))
                for node in ast.walk(function)
                if isinstance(node, ast.Call)
            }
            assert called & READS_AN_ACCOUNT, f"{module}::{name}"
