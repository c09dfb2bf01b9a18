"""The terminal through a whole rehearsed eclipse, driven by keys in a tmux as somebody at it would."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.account.audit import audit
from controller.account.practice import find_practices, late_words
from controller.engine.view import RunState
from controller.journal.folder import RunFolder
from controller.operator.layout import CONFIRM_S
from controller.operator.wording import CAUTION, CAUTION_SHORT, STATE_WORDS
from tests.cli.command import HOLDFIRE, environment, only_run

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="no tmux on this machine")

PATIENCE_S = 40.0
"""No wait takes longer unless something is broken."""
LOOKS_KEPT = os.environ.get("HOLDFIRE_SCREENS")
"""A folder that the captured screens are kept in, to be looked at."""
WIDE = "next in phase"
"""Headings of columns that stand only on a screen wider than 80."""
STOP = f"Press y within {CONFIRM_S} s to STOP THE RUN for good."
PLAN = """\
holdfire_plan: 1
title: Short eclipse from Kestrel Ledge
site: {name: Kestrel Ledge, latitude: 36.758 N, longitude: 5.72 W, elevation: 150 m, time_zone: Europe/Madrid}
eclipse: 2027-08-02
rigs:
  - name: long
    camera: {driver: simulated, frame_gap: 0.4 s}
    optics: {focal_length: 400 mm, aperture: f/8}
    filter: {kind: glass, density: 5.0}
    mount: tracking
    iso: 100
  - name: land
    camera: {driver: simulated, frame_gap: 0.4 s}
    optics: {focal_length: 24 mm, aperture: f/8}
    points_at: landscape
    iso: 100
holds: {filter_off_earliest: 8 s before C2, filter_on_latest: 8 s after C3, lead: 6 s}
phases:
  - name: last crescent
    from: 20 s before C2
    until: 9 s before C2
    filter: on
    rigs: [long]
    shots:
      - {name: crescents, wanted: want, exposure: 1/400, every: 1 s}
  - name: totality
    from: 2 s before C2
    until: C3
    filter: off
    rigs: [long]
    shots:
      - {name: corona, wanted: want, exposure: 1/60, every: 1 s}
  - name: first crescent
    from: 9 s after C3
    until: 15 s after C3
    filter: on
    rigs: [long]
    shots:
      - {name: crescents again, wanted: want, exposure: 1/400, every: 1 s}
  - name: shadow on the land
    from: 20 s before C2
    until: 15 s after C3
    filter: not needed
    rigs: [land]
    shots:
      - {name: shadow, wanted: nice, exposure: 1/125, every: 2 s}
"""
"""Totality lasts some 13 s there, near the edge of the path."""


class Seat:
    """Somebody's place at a terminal."""

    def __init__(self, folder: Path, columns: int, rows: int, words: list[str]) -> None:
        self.folder = folder
        self._socket = str(folder / "tmux")
        self._looks = 0
        plan = folder / "short.yaml"
        plan.write_text(PLAN)
        command = shlex.join([*HOLDFIRE, "rehearse", str(plan), "--live", "--silent", *words])
        command += '; echo "left with $?"; exec sleep 600'
        self._tmux("new-session", "-d", "-x", str(columns), "-y", str(rows), command, ";",
                   "set-option", "-g", "status", "off")  # fmt: skip

    def _tmux(self, *words: str) -> str:
        inside = {**environment(), "LC_ALL": "C.UTF-8"}
        inside.pop("COLUMNS")  # the screen itself is to say how wide it is
        done = subprocess.run(
            ["tmux", "-u", "-f", "/dev/null", "-S", self._socket, *words],
            cwd=self.folder, env=inside, capture_output=True, text=True, timeout=PATIENCE_S, check=True,
        )  # fmt: skip
        return done.stdout

    def press(self, keys: str) -> None:
        """Press keys, one after another."""
        self._tmux("send-keys", "-l", keys)

    def resize(self, columns: int, rows: int) -> None:
        """Make the window another size."""
        self._tmux("resize-window", "-x", str(columns), "-y", str(rows))

    def screen(self, *, scrolled: bool = False) -> str:
        """What stands on the screen, or, `scrolled`, on it and above it."""
        return self._tmux("capture-pane", "-p", *(["-S", "-"] if scrolled else []))

    def see(self, *sentences: str, without: str = "NOTHING OF THIS") -> str:
        """Wait until all of these stand on the screen at once, however broken into lines, and one does not.

        Returns the screen.
        """
        end = time.monotonic() + PATIENCE_S
        while True:
            screen = self.screen()
            shown = flat(screen)
            if flat(without) not in shown and all(flat(one) in shown for one in sentences):
                self.keep(screen)
                return screen
            assert time.monotonic() < end, f"never seen together: {sentences}\n{screen}"
            time.sleep(0.05)

    def keep(self, screen: str) -> None:
        """Keep a screen to be looked at, where that is asked for."""
        self._looks += 1
        if LOOKS_KEPT:
            (Path(LOOKS_KEPT) / f"{self.folder.name}-{self._looks:02d}.txt").write_text(screen)

    def left_with(self) -> int:
        """Wait until the command has ended; return its exit code."""
        end = time.monotonic() + PATIENCE_S
        while not (found := re.search(r"^left with (\d+)$", self.screen(), re.MULTILINE)):
            assert time.monotonic() < end, self.screen()
            time.sleep(0.05)
        self.keep(self.screen(scrolled=True))
        return int(found[1])

    def leave(self) -> None:
        """End the terminal and what runs in it."""
        with contextlib.suppress(subprocess.CalledProcessError):
            self._tmux("kill-server")


def flat(text: str) -> str:
    """Text without regard to where its lines are broken."""
    return " ".join(text.split())


def fired(screen: str, rig: str) -> int:
    """The number of frames that the screen's table says a rig has fired."""
    lines = screen.splitlines()
    heading = next(number for number, line in enumerate(lines) if "filter asked" in line)
    end = lines[heading].index("fired") + len("fired")
    row = next(line for line in lines[heading:] if re.match(rf" \d {rig} ", line))
    return int(row[:end].split()[-1])


@contextlib.contextmanager
def sitting_at(folder: Path, columns: int, rows: int, *words: str) -> Iterator[Seat]:
    """A seat at a terminal of this size at which a rehearsal begins; nothing of it is left."""
    folder.mkdir()
    seat = Seat(folder, columns, rows, list(words))
    try:
        yield seat
    finally:
        seat.leave()


@pytest.mark.waits
def test_a_whole_eclipse_at_the_terminal(tmp_path: Path) -> None:
    """HF-S14: asks, cautions, what was heard, counts and faults stand on the screen, at 80 and at 120 columns."""
    start = ("--no-page", "--from", "19 s before C2", "--fault", "lost 2 s after C2 for 6 s")
    with sitting_at(tmp_path / "whole", 80, 24, *start) as seat:
        ask_on = ('Nothing of "last crescent" fires until you say it.', "Press n when it IS ON", CAUTION)
        seat.see("LATE", *ask_on)
        seat.resize(120, 40)
        seat.see(WIDE, "LATE", *ask_on)
        seat.press("n")
        before = seat.see("Heard: filter is ON", STATE_WORDS[RunState.GOING])
        ask_off = ('"totality"', "Press f when it IS OFF, not before.", CAUTION)
        after = seat.see(WIDE, *ask_off)
        assert fired(after, "long") > fired(before, "long")
        seat.resize(80, 24)
        seat.see(*ask_off, without=WIDE)
        seat.press("f")
        seat.see("Heard: filter is OFF", without=CAUTION)
        seat.see("CAMERA NOT READY")
        seat.resize(120, 40)
        seat.see(WIDE, "CAMERA NOT READY")
        seat.press("p")
        seat.see("Heard: pause", STATE_WORDS[RunState.PAUSED], "PAUSED: nothing fires.")
        seat.press("g")
        seat.see("Heard: go on", STATE_WORDS[RunState.GOING], without="PAUSED")
        seat.resize(80, 24)
        seat.see('"first crescent"', "Press n when it IS ON", CAUTION, without=WIDE)
        seat.press("n")
        seat.see("Heard: filter is ON", without=CAUTION)
        assert seat.left_with() == 0
        told = flat(seat.screen(scrolled=True))
    folder = RunFolder.open(only_run(tmp_path / "whole" / "runs"))
    records = folder.read().records
    assert audit(folder.timeline(), records) == []
    said = [(record["state"], record["by"]) for record in records if record["kind"] == "filter_said"]
    assert said == [("on", "terminal"), ("off", "terminal"), ("on", "terminal")]
    assert f"{sum(record['kind'] == 'frame_fired' for record in records)} of " in told
    assert "journal intact" in told.lower()
    (day,) = find_practices(tmp_path / "whole" / "runs").days
    assert [word.needs for word in day.newest.words] == ["off", "on"]
    for word in day.newest.words:
        assert f'long: filter {word.needs.upper()} for "{word.phase}"' in told
        assert late_words(word) in told


def test_stop_takes_two_keys_on_a_small_screen(tmp_path: Path) -> None:
    """At 40 columns and 15 rows the ask and its caution are there; q asks, another key drops it, q and y stop."""
    with sitting_at(tmp_path / "stop", 40, 15, "--no-page", "--from", "19 s before C2") as seat:
        ask = ("fires until you say it", "Press n when it IS ON", CAUTION_SHORT)
        seat.see(*ask)
        seat.press("q")
        seat.see(STOP)
        seat.press("x")
        seat.see(*ask, without=STOP)
        seat.press("y")
        seat.press("q")
        seat.see(STOP)
        seat.press("y")
        assert seat.left_with() == 10
        assert "stop asked by terminal" in flat(seat.screen(scrolled=True))
