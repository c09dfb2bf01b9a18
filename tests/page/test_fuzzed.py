"""Requests made up from the page's own OpenAPI document (schemathesis), against its real process."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis import Case

from controller.page.app import make_api
from controller.page.hub import Hub
from controller.page.messages import Limits, PageSpec
from tests.operator.views import ASKS_OFF
from tests.page.serving import PATIENCE_S, Served, loose, serving

FUZZ = settings(
    max_examples=25, deadline=None, derandomize=True, database=None, phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip


def _document() -> dict[str, object]:
    with socket.socket() as unused:
        spec = PageSpec(
            listening=unused, secure=False, certificate=None, certificate_key=None, names=(), day=b"{}",
            language="en", code="",
        )  # fmt: skip
        return make_api(spec, Hub(Limits(), "en"), lambda _: None, lambda: 0.0)[0].openapi()


SCHEMA = schemathesis.openapi.from_dict(_document()).exclude(path="/api/events")  # it never ends


@pytest.fixture(scope="module")
def served() -> Iterator[Served]:
    """A page that asks for a filter change."""
    with serving(loose()) as one:
        one.page.show(ASKS_OFF)
        yield one


@pytest.fixture(scope="module")
def closed() -> Iterator[Served]:
    """Another, that strangers alone speak to."""
    with serving(loose()) as one:
        one.page.show(ASKS_OFF)
        yield one


@SCHEMA.parametrize()
@FUZZ
def test_without_a_session_nothing_is_done(case: Case, closed: Served) -> None:
    """HF-S27: whatever a stranger sends is refused without a fault of the server, and no word reaches the run."""
    answer = case.call(base_url=closed.origin, headers={"Origin": closed.origin}, timeout=PATIENCE_S)
    assert answer.status_code in ({400, 403, 413, 422} if case.path == "/api/pair" else {403, 413})
    assert closed.said() == []


@SCHEMA.parametrize()
@FUZZ
def test_with_a_session_nothing_breaks(case: Case, served: Served) -> None:
    """Whatever a paired browser sends is answered without a fault of the server."""
    with served.paired() as browser:
        cookies = {one.name: str(one.value) for one in browser.cookies.jar}
        answer = case.call(
            base_url=served.origin, headers={"Origin": served.origin}, cookies=cookies, timeout=PATIENCE_S
        )
    assert answer.status_code < 500


def test_the_document_names_what_is_fuzzed() -> None:
    """The paths of the page are all there, so the tests above try each."""
    paths = set(_document()["paths"])  # type: ignore[attr-defined]
    assert paths == {
        "/api/pair", "/api/leave", "/api/day", "/api/events", "/api/words", "/api/pictures/{rig}",
    }  # fmt: skip
