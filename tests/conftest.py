"""In which order the tests run."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Strew those that wait longest among the others, none at the end: several processes take a stretch each."""
    waiting = [item for item in items if item.get_closest_marker("waits")]
    others = [item for item in items if not item.get_closest_marker("waits")]
    for number, item in reversed(list(enumerate(waiting))):
        others.insert(number * len(others) // len(waiting), item)
    items[:] = others
