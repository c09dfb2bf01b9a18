"""A browser in front of a page, and views that live on like a run's."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, expect, sync_playwright

from controller.engine.view import RigView, RunState, RunView
from controller.timeline.model import Timeline
from controller.units import ContactName, FilterState, UtcNs
from tests.engine.builder import at, frame, rig_info, timeline
from tests.page.serving import PATIENCE_S, Served

CHROMIUM = Path("/usr/bin/chromium")
WITHOUT = "chromium is not installed at /usr/bin/chromium"
_ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-extensions", "--in-process-gpu", "--process-per-site",
    "--renderer-process-limit=1", "--disable-features=SpareRendererForSitePerProcess,Translate,OptimizationHints",
]  # fmt: skip

PHONE, LAPTOP, NARROW, ON_ITS_SIDE = (390, 844), (1280, 800), (320, 640), (844, 390)


@contextlib.contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's Chromium, without a window."""
    with sync_playwright() as tools:
        expect.set_options(timeout=PATIENCE_S * 1000)
        browser = tools.chromium.launch(executable_path=str(CHROMIUM), args=_ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


@contextlib.contextmanager
def opened(
    browser: Browser, origin: str, *, size: tuple[int, int] = PHONE, palette: str = "night", **more: Any
) -> Iterator[Page]:
    """A page of a browser that knows nothing yet; nothing it asks for leaves its own origin."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if palette == "night" else "light",
        **more,
    )
    context.set_default_timeout(PATIENCE_S * 1000)
    asked: list[str] = []
    failed: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    try:
        page = context.new_page()
        page.on("pageerror", lambda error: failed.append(str(error)))
        page.goto(f"{origin}/")
        yield page
        assert failed == []
        assert [url for url in asked if not url.startswith(f"{origin}/")] == []
    finally:
        context.close()


def pair(page: Page, code: str) -> None:
    """Pair by the form, as a person does."""
    page.get_by_label("Code of eight digits").fill(code)
    page.get_by_role("button", name="Pair").click()
    page.locator("#headline-figures:not(:empty)").wait_for()


def hold(page: Page, name: str) -> None:
    """Hold a button of the filter's word down with the mouse until it has counted."""
    button = page.get_by_role("button", name=name)
    button.hover()
    page.mouse.down()
    button.and_(page.locator(".holding")).wait_for()
    page.locator(".holding").wait_for(state="detached")
    page.mouse.up()


class Shown:
    """Shows a view to a page again and again, in which only the time goes on, until it is told to be silent."""

    def __init__(self, served: Served) -> None:
        self._served = served
        self._view: RunView | None = None
        self._since_ns = 0  # since when the view is shown, by the steady clock
        self._tick = threading.Event()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._go_on, daemon=True)
        self._thread.start()

    def show(self, view: RunView | None) -> None:
        """Show this from now on; None: fall silent."""
        self._since_ns = time.monotonic_ns()
        self._view = view
        self._tick.set()

    @property
    def now_utc_ns(self) -> UtcNs:
        """Now, by the view that is shown: a page's clock goes on between two views, too."""
        assert self._view
        return UtcNs(self._view.now_utc_ns + time.monotonic_ns() - self._since_ns)

    def change(self, change: Callable[[RunView], RunView]) -> None:
        """Change what is shown."""
        assert self._view
        self.show(change(self._view))

    def close(self) -> None:
        """End."""
        self._ended.set()
        self._tick.set()
        self._thread.join()

    def _go_on(self) -> None:
        while not self._ended.is_set():
            self._tick.wait(0.2)
            self._tick.clear()
            view = self._view
            if view is not None:
                self._served.page.show(view)
                since_ns = time.monotonic_ns()
                later = replace(view, now_utc_ns=UtcNs(view.now_utc_ns + since_ns - self._since_ns))
                if self._view is view:
                    self._view, self._since_ns = later, since_ns


# --- made-up days and views ---------------------------------------------------------------------

NAMES = ("long", "wide", "corona", "spectrum", "all-sky", "second refractor", "guide", "land")


def day_of(rigs: int) -> Timeline:
    """The engine tests' day of 200 s, with so many rigs."""
    names = NAMES[:rigs]
    frames = [
        frame(number, due, rig=name, need=need, phase=phase, ends_by=end)
        for name in names
        for number, (due, need, phase, end) in enumerate(
            [(t, FilterState.ON, "partial in", 80.0) for t in range(2, 78, 4)]
            + [(t / 2, FilterState.OFF, "totality", 130.0) for t in range(202, 256)]
            + [(t, FilterState.ON, "partial out", 200.0) for t in range(152, 198, 4)],
            start=1,
        )
        if name != "land"
    ]
    infos = tuple(rig_info(name, points_at_sun=name != "land") for name in names)
    return timeline(frames, rigs=infos)


def calm(rigs: int, now: float = 90.0) -> RunView:
    """A view of that day in which all is well: the filters are on, C2 comes next."""
    return RunView(
        now_utc_ns=at(now),
        title="test day",
        time_zone="Europe/Madrid",
        state=RunState.GOING,
        next_contact=ContactName.C2,
        next_contact_utc_ns=at(110),
        next_cue="Second contact: totality",
        next_cue_utc_ns=at(110),
        last_said="Ten seconds",
        alarm="",
        rigs=tuple(
            RigView(
                name=name, phase="totality", filter_asked=None, filter_asked_late_s=0.0,
                filter_said=FilterState.NOT_NEEDED if name == "land" else FilterState.ON, camera_ready=True,
                paused=False, planned=85, fired=19, missed=0, failed=0, unknown=0,
                next_due_utc_ns=at(101), frames_left=812, battery_percent=83, last_error="",
            )
            for name in NAMES[:rigs]
        ),
    )  # fmt: skip


def asking(view: RunView, state: FilterState, *, late_s: float = -8.0) -> RunView:
    """The view with every rig that has a filter asked for a state."""
    rigs = tuple(
        rig
        if rig.filter_said is FilterState.NOT_NEEDED
        else replace(rig, filter_asked=state, filter_asked_late_s=late_s)
        for rig in view.rigs
    )
    return replace(view, rigs=rigs)


def faulty(view: RunView) -> RunView:
    """The view with the last rig's camera lost."""
    *others, last = view.rigs
    lost = replace(
        last, camera_ready=False, missed=7, unknown=1, frames_left=None, battery_percent=None,
        last_error="no answer in 5 s",
    )  # fmt: skip
    return replace(view, rigs=(*others, lost), alarm=f"camera of {last.name} lost: no answer in 5 s")
