"""A whole rehearsed eclipse, lived through the page in a browser: real time, simulated cameras, made-up place."""

from __future__ import annotations

import os
import re
import signal
from pathlib import Path

import pytest
from playwright.sync_api import expect

from controller.account.audit import audit
from controller.journal.folder import RunFolder
from controller.operator.wording import CAUTION
from tests.cli.command import child_of, only_run
from tests.page.browsing import CHROMIUM, LAPTOP, WITHOUT, chromium, hold, opened, pair
from tests.page.serving import PATIENCE_S, until
from tests.page.test_rehearsal import rehearsing

pytestmark = [
    pytest.mark.skipif(not CHROMIUM.exists(), reason=WITHOUT),
    pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="no /proc to find a child process in"),
]

RIG = """
  - name: {name}
    camera:
      driver: simulated
    optics:
      focal_length: {focal_length} mm
      aperture: f/8
    filter:
      kind: coated sheet in a push-on cell
      density: 5.0
    mount: tracking
"""

PLAN = f"""
holdfire_plan: 1
title: A few seconds at the edge
site:
  latitude: 36.7585 N
  longitude: 5.72 W
  elevation: 150 m
eclipse: 2027-08-02
rigs:
{RIG.format(name="long", focal_length=600)}
{RIG.format(name="wide", focal_length=200)}
holds:
  filter_off_earliest: 6 s before C2
  filter_on_latest: 8 s after C3
  lead: 20 s
phases:
  - name: partial in
    from: 5 min before C2
    until: 8 s before C2
    filter: on
    shots:
      - name: last crescents
        wanted: want
        exposure: 1/400
        every: 1 s
        from: 12 s before C2
  - name: totality
    from: 1 s before C2
    until: 1 s after C3
    filter: off
    shots:
      - name: corona
        wanted: must
        exposure: 1/100
        every: 700 ms
        from: C2
        until: C3
  - name: partial out
    from: 7 s after C3
    until: 12 s after C3
    filter: on
    shots:
      - name: first crescents
        wanted: want
        exposure: 1/400
        every: 1 s
"""
"""Totality lasts nine seconds here, so near to the edge of the path: the whole of it is a matter of seconds."""

FAULT = "lost 1 s after C2 for 3 s"


@pytest.mark.waits
def test_a_whole_eclipse_through_the_page(tmp_path: Path) -> None:
    """Pairing, both words by press and hold, a fault, a lost and healed link, two pages, the end: as in the journal."""
    plan = tmp_path / "edge.yaml"
    plan.write_text(PLAN)
    words = [
        "rehearse", str(plan), "--live", "--from", "18 s before C2", "--fault", FAULT,
        "--runs", str(tmp_path / "runs"),
    ]  # fmt: skip
    with (
        chromium() as browser,
        rehearsing(tmp_path, words) as run,
        opened(browser, run.origin) as phone,
        opened(browser, run.origin, size=LAPTOP, palette="day") as laptop,
    ):
        pair(phone, run.code)
        code = run.corner()[1]
        pair(laptop, code)

        # The filter is on: said on the phone, shown on both.
        expect(phone.locator("#headline")).to_have_text("FILTER ON")
        expect(phone.locator("#caution")).to_have_text(f"Caution: {CAUTION}")
        hold(phone, "Hold here when they ALL are ON")
        expect(phone.get_by_role("status")).to_have_text("HEARD: filter is ON (all rigs)")
        for page in (phone, laptop):
            expect(page.locator("#headline-top")).to_have_text("C2 in")
            expect(page.locator(".said")).to_have_text(["ON", "ON"])

        # Off, with a key held down on the laptop, in the window before C2.
        expect(laptop.locator("#headline")).to_have_text("FILTER OFF")
        expect(phone.locator("#headline")).to_have_text("FILTER OFF")
        expect(laptop.locator("#caution")).to_have_text(f"Caution: {CAUTION}")
        laptop.get_by_role("button", name="Hold here when they ALL are OFF").focus()
        laptop.keyboard.down("Enter")
        laptop.locator(".holding").wait_for()
        laptop.locator(".holding").wait_for(state="detached")
        laptop.keyboard.up("Enter")
        expect(laptop.get_by_role("status")).to_have_text("HEARD: filter is OFF (all rigs)")
        expect(phone.locator(".said")).to_have_text(["OFF", "OFF"])

        # In totality the cameras are gone for some seconds, and come back.
        expect(phone.locator("#wrong")).to_contain_text("lost")
        expect(laptop.locator(".trouble").first).to_contain_text("CAMERA NOT READY")
        expect(phone.locator(".trouble").first).not_to_contain_text("CAMERA NOT READY")

        # The link is lost, and heals.
        pid = child_of(run.process.pid, "page")
        os.kill(pid, signal.SIGSTOP)
        try:
            for page in (phone, laptop):
                expect(page.locator("#headline-top")).to_have_text("NO NEWS")
        finally:
            os.kill(pid, signal.SIGCONT)
        for page in (phone, laptop):
            expect(page.locator("#headline-top")).not_to_have_text("NO NEWS")

        # On again after C3.
        expect(phone.locator("#headline")).to_have_text("FILTER ON")
        expect(phone.locator("#caution")).to_have_text(f"Caution: {CAUTION}")
        hold(phone, "Hold here when they ALL are ON")
        expect(phone.get_by_role("status")).to_have_text("HEARD: filter is ON (all rigs)")

        # The page's process is killed: another takes its place, and both browsers are still paired.
        os.kill(pid, signal.SIGKILL)
        until(lambda: any("started again" in record["text"] for record in run.of("note")))
        for page in (phone, laptop):
            expect(page.locator("#run-state")).to_have_text("DONE")
            expect(page.locator("#sentence")).to_have_text("The run is over. Nothing more fires.")
        fired = [
            sum(map(int, re.findall(r"fired (\d+)/", page.locator("#rigs").inner_text())))
            for page in (phone, laptop)
        ]

        assert run.process.wait(PATIENCE_S) in (0, 11)  # 11: what was due while the cameras were gone
        folder = RunFolder.open(only_run(run.folder))
        records = folder.read().records
        assert fired == [len(run.of("frame_fired"))] * 2
        states = [(one["state"], one["by"]) for one in records if one["kind"] == "filter_said"]
        assert states == [("on", "page"), ("off", "page"), ("on", "page")]
        assert all(one["word_id"] for one in records if one["kind"] == "filter_said")
        assert len(run.of("camera_lost")) == 2
        assert audit(folder.timeline(), records) == []
