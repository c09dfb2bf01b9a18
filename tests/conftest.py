"""In which order the tests run, and how many cases hypothesis draws: the same ones each time."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

EXAMPLES = int(os.environ.get("HOLDFIRE_EXAMPLES", "50"))
"""How many cases are drawn where a test does not say; more with this variable in the environment."""
settings.register_profile("suite", max_examples=EXAMPLES, derandomize=True, deadline=None)
settings.load_profile("suite")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Strew those that wait longest among the others, none at the end: several processes take a stretch each."""
    waiting = [item for item in items if item.get_closest_marker("waits")]
    others = [item for item in items if not item.get_closest_marker("waits")]
    for number, item in reversed(list(enumerate(waiting))):
        others.insert(number * len(others) // len(waiting), item)
    items[:] = others
