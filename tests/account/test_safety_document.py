"""SAFETY.md keeps step with the code: its numbers, and the tests it names."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "SAFETY.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| (HF-S\d\d) \|(.*)\|$", TEXT, flags=re.MULTILINE)


def _tests_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_requirements_are_numbered_without_a_gap() -> None:
    """Every requirement has its own number, counted from 1, and names where it is verified."""
    assert [number for number, _ in ROWS] == [f"HF-S{n:02}" for n in range(1, len(ROWS) + 1)]
    assert len(ROWS) >= 24
    for number, row in ROWS:
        assert "`tests/" in row.split("|")[-1], number


def test_named_tests_exist() -> None:
    """Every test file, folder and test that the document names is there."""
    named = 0
    for number, row in ROWS:
        file: Path | None = None
        for path, test in re.findall(r"`(tests/[\w/.]+)?(?:::(\w+))?`", row):
            file = ROOT / path if path else file
            assert file is not None, number
            assert file.exists(), f"{number}: {file}"
            if test:
                named += 1
                assert test in _tests_in(file), f"{number}: {test}"
    assert named >= 30


def test_numbers_in_code_and_tests_are_requirements() -> None:
    """No code and no test cites a requirement that the document does not have."""
    known = {number for number, _ in ROWS}
    for folder in ("controller", "tests"):
        for path in (ROOT / folder).rglob("*.py"):
            cited = set(re.findall(r"HF-S\d+", path.read_text(encoding="utf-8")))
            assert cited <= known, path
