"""One rehearsed eclipse for all tests of gathering."""

from __future__ import annotations

import pytest

from tests.account.gather.eclipse import Eclipse, rehearse


@pytest.fixture(scope="session")
def eclipse(tmp_path_factory: pytest.TempPathFactory) -> Eclipse:
    """The day of three rigs, with dark pictures: what they show does not matter for whose they are."""
    return rehearse(tmp_path_factory.mktemp("eclipse"), rendered=False)


@pytest.fixture(scope="session")
def rendered_eclipse(tmp_path_factory: pytest.TempPathFactory) -> Eclipse:
    """The same day with pictures rendered from the brightness model."""
    return rehearse(tmp_path_factory.mktemp("rendered"), rendered=True)
