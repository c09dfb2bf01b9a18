"""The probes of the computer, on made-up supplies, settings and answers, and once on the computer at hand."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import pytest

from controller.live import computer
from controller.live.awake import AwakeKeeper
from controller.live.clockwatch import ClockQuality
from controller.live.computer import Verdict

# Names and values as the kernel documents them: Documentation/ABI/testing/sysfs-class-power.
MAINS = {"type": "Mains", "online": "1"}
NO_MAINS = {"type": "Mains", "online": "0"}
CHARGER = {"type": "USB", "online": "1"}
FULL = {"type": "Battery", "scope": "System", "capacity": "96", "status": "Full"}
DRAINING = {"type": "Battery", "capacity": "64", "status": "Discharging"}
NEARLY_EMPTY = {"type": "Battery", "capacity": "12", "status": "Discharging"}
MOUSE = {"type": "Battery", "scope": "Device", "capacity": "5", "status": "Discharging"}


def supplies(folder: Path, *found: dict[str, str]) -> Path:
    """A made-up power supply class of the kernel."""
    for number, files in enumerate(found):
        (folder / f"supply{number}").mkdir()
        for name, text in files.items():
            (folder / f"supply{number}" / name).write_text(text + "\n", encoding="ascii")
    return folder


def answers(**by_first_word: str) -> computer.Ask:
    """Programs that print what is given here, by their name, and else nothing."""
    return lambda command: by_first_word.get(command[0], "")


class Refused(AwakeKeeper):
    """A system that lets nobody hold off sleep."""

    def _hold_by_systemd(self) -> None:
        pass

    _hold_by_caffeinate = _hold_by_systemd


class Granted(AwakeKeeper):
    """A system that lets everybody."""

    def _hold_by_systemd(self) -> None:
        self.held, self.text = True, "sleep, idling and the lid switch are held off"


@pytest.mark.parametrize(
    ("found", "verdict", "says"),
    [
        ([MAINS], Verdict.GOOD, "on mains"),
        ([MAINS, FULL], Verdict.GOOD, "on mains, battery 96 %"),
        ([NO_MAINS, CHARGER, FULL], Verdict.GOOD, "on mains"),
        ([NO_MAINS, DRAINING], Verdict.LOOK, "on battery, 64 %"),
        ([DRAINING], Verdict.LOOK, "on battery, 64 %"),
        ([NO_MAINS, NEARLY_EMPTY, FULL], Verdict.MEND, "on battery, 12 %"),
        ([MAINS, MOUSE], Verdict.GOOD, "on mains"),
        ([NO_MAINS], Verdict.LOOK, "not on mains, battery not known"),
        ([MOUSE], Verdict.LOOK, "cannot tell"),
        ([], Verdict.LOOK, "cannot tell"),
    ],
)
def test_power_on_linux(found: list[dict[str, str]], verdict: Verdict, says: str, tmp_path: Path) -> None:
    """Mains, battery and what is neither are told apart; the battery of a mouse is none of the computer's."""
    finding = computer.power(supplies(tmp_path, *found), platform="linux")
    assert finding.verdict is verdict
    assert finding.text.startswith(says)
    assert bool(finding.mend) == (verdict is not Verdict.GOOD)


def test_no_power_supplies_at_all(tmp_path: Path) -> None:
    """A kernel that lists no supplies is no reason to guess."""
    assert "cannot tell" in computer.power(tmp_path / "none", platform="linux").text


@pytest.mark.parametrize(
    ("printed", "verdict"),
    [
        ("Now drawing from 'AC Power'\n -InternalBattery-0\t100%; charged;", Verdict.GOOD),
        ("Now drawing from 'Battery Power'\n -InternalBattery-0\t71%; discharging;", Verdict.LOOK),
        ("Now drawing from 'Battery Power'\n -InternalBattery-0\t9%; discharging;", Verdict.MEND),
        ("", Verdict.LOOK),
    ],
)
def test_power_on_macos(printed: str, verdict: Verdict, tmp_path: Path) -> None:
    """The lines of pmset are read (their form is from memory, never tried on that system)."""
    finding = computer.power(tmp_path, platform="darwin", ask_for=answers(pmset=printed))
    assert finding.verdict is verdict


def test_sleep_that_a_run_holds_off_is_good(tmp_path: Path) -> None:
    """Where the run can hold off sleep, no setting of the computer matters."""
    finding = computer.sleep(
        platform="linux",
        ask_for=answers(gsettings="'suspend'"),
        logind_folders=[tmp_path],
        keep_awake=lambda: Granted(platform="linux"),
    )
    assert finding.verdict is Verdict.GOOD
    assert "held off" in finding.text


def refused_sleep(ask_for: computer.Ask, *folders: Path, platform: str = "linux") -> computer.Finding:
    """What is found where a run cannot hold off sleep."""
    return computer.sleep(
        platform=platform, ask_for=ask_for, logind_folders=folders, keep_awake=lambda: Refused(platform=platform)
    )  # fmt: skip


def test_sleep_by_the_desktop_has_to_be_mended(tmp_path: Path) -> None:
    """Where it cannot, and the desktop suspends, that has to be switched off."""
    finding = refused_sleep(answers(gsettings="'suspend'"), tmp_path)
    assert finding.verdict is Verdict.MEND
    assert "sleep-inactive-ac-type is suspend" in finding.text


def test_sleep_by_logind_has_to_be_mended_and_the_last_file_decides(tmp_path: Path) -> None:
    """Settings of logind are read as it reads them: files of later folders, then pieces by name, override."""
    early, late = tmp_path / "early", tmp_path / "late"
    (late / "logind.conf.d").mkdir(parents=True)
    early.mkdir()
    (early / "logind.conf").write_text("[Login]\nIdleAction=suspend\n")
    assert refused_sleep(answers(), early, late).verdict is Verdict.MEND
    (late / "logind.conf").write_text("[Login]\n#IdleAction=suspend\n")
    assert refused_sleep(answers(), early, late).verdict is Verdict.MEND
    (late / "logind.conf.d" / "50-trip.conf").write_text("[Login]\nIdleAction=ignore\n")
    assert refused_sleep(answers(), early, late).verdict is Verdict.LOOK


def test_sleep_on_macos() -> None:
    """The line of pmset is read (its form is from memory, never tried on that system)."""
    soon = refused_sleep(
        answers(pmset=" displaysleep         10\n sleep                1\n"), platform="darwin"
    )
    never = refused_sleep(answers(pmset=" sleep                0\n"), platform="darwin")
    assert (soon.verdict, never.verdict) == (Verdict.MEND, Verdict.LOOK)


@pytest.mark.parametrize(
    ("free", "verdict"), [(1000, Verdict.GOOD), (299, Verdict.LOOK), (99, Verdict.MEND), (300, Verdict.GOOD)]
)
def test_disk(free: int, verdict: Verdict, tmp_path: Path) -> None:
    """Too little is to be mended, just enough is to be looked at; a folder still to be made counts by its parent."""
    finding = computer.disk(tmp_path / "runs" / "later", 100, free_bytes=lambda _: free)
    assert finding.verdict is verdict
    assert str(tmp_path) in finding.text


def test_disk_that_cannot_be_asked(tmp_path: Path) -> None:
    """An error of the system is told, not raised."""

    def fails(_: Path) -> int:
        raise OSError(5, "Input/output error")

    assert computer.disk(tmp_path, 100, free_bytes=fails).verdict is Verdict.LOOK


def test_second_place(tmp_path: Path) -> None:
    """Another disk is good, the same one and none are to be looked at."""
    other = next((path for path in (Path("/dev/shm"), Path("/run")) if path.is_dir()), None)  # noqa: S108
    if other is None or other.stat().st_dev == tmp_path.stat().st_dev or not os.access(other, os.W_OK):
        pytest.skip("no second file system that can be written to is at hand")
    apart = computer.second_place(tmp_path / "runs", [tmp_path / "state", other])
    assert (apart.verdict, str(other) in apart.text) == (Verdict.GOOD, True)
    same = computer.second_place(tmp_path / "runs", [tmp_path / "state"])
    assert (same.verdict, "same disk" in same.text) == (Verdict.LOOK, True)
    assert "nowhere" in computer.second_place(tmp_path / "runs", []).text


@pytest.mark.parametrize(
    ("known", "verdict"), [(True, Verdict.GOOD), (False, Verdict.MEND), (None, Verdict.LOOK)]
)
def test_clock(known: bool | None, verdict: Verdict) -> None:
    """A clock that nothing keeps has to be set; one that nothing is known of has to be compared."""
    finding = computer.clock(ClockQuality(known, "clock so and so: do this"))
    assert (finding.verdict, finding.text, finding.mend) == (verdict, "clock so and so", "Do this.")


@pytest.mark.parametrize(
    ("is_terminal", "size", "verdict"),
    [
        (True, (80, 24), Verdict.GOOD),
        (True, (79, 24), Verdict.LOOK),
        (True, (120, 20), Verdict.LOOK),
        (False, (120, 40), Verdict.LOOK),
    ],
)
def test_terminal(is_terminal: bool, size: tuple[int, int], verdict: Verdict) -> None:
    """A small terminal, and none, are told."""
    assert computer.terminal(is_terminal, size).verdict is verdict


@pytest.mark.parametrize(
    ("count", "text"),
    [(999, "999 bytes"), (1_500, "1.5 kB"), (2_000_000, "2.0 MB"), (81_750_000_000, "81.8 GB")],
)
def test_sizes(count: int, text: str) -> None:
    """Numbers of bytes are written in decimal units."""
    assert computer.size_text(count) == text


def test_on_this_computer(tmp_path: Path) -> None:
    """Every probe answers here, whatever this computer is, with a way to mend wherever it is not good."""
    findings: Sequence[computer.Finding] = [
        computer.power(), computer.sleep(), computer.disk(tmp_path, 1), computer.terminal(False, (80, 24)),
    ]  # fmt: skip
    for finding in findings:
        assert finding.text
        assert bool(finding.mend) == (finding.verdict is not Verdict.GOOD)
