"""Holding off the computer's sleep, with programs of our own in the place of the system's."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.live.awake import NOT_HELD, AwakeKeeper

GRANTS = 'echo "$1" >> "{log}"\nfor last; do :; done\n"$last"\necho let go >> "{log}"\n'
REFUSES_SLEEP = 'echo "$1" >> "{log}"\ncase "$1" in *sleep*) exit 1;; esac\nexec cat\n'
REFUSES = 'echo "$1" >> "{log}"\nexit 1\n'
SILENT = "exec sleep 60\n"


def install(folder: Path, name: str, body: str) -> Path:
    """Put a shell program under a name in front of the PATH's others; return where it may write."""
    log = folder / "log"
    folder.mkdir(exist_ok=True)
    program = folder / name
    program.write_text("#!/bin/sh\n" + body.replace("{log}", str(log)), encoding="utf-8")
    program.chmod(0o755)
    return log


@pytest.fixture
def tools(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in front of the PATH."""
    folder = tmp_path / "tools"
    folder.mkdir()
    monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")
    return folder


def test_sleep_is_held_off_until_closing(tools: Path) -> None:
    """The lock is asked for with all it should hold, kept while the keeper lives, and given back."""
    log = install(tools, "systemd-inhibit", GRANTS)
    with AwakeKeeper(platform="linux", patience_s=20) as keeper:
        assert keeper.held
        assert "sleep, idling and the lid switch" in keeper.text
        assert log.read_text() == "--what=sleep:idle:handle-lid-switch\n"
        assert keeper._process is not None
        assert keeper._process.poll() is None
    assert not keeper.held


def test_less_is_held_where_the_whole_is_refused(tools: Path) -> None:
    """Where sleep and lid may not be held off, idling is, and the sentence says that it is alone."""
    log = install(tools, "systemd-inhibit", REFUSES_SLEEP)
    with AwakeKeeper(platform="linux", patience_s=20) as keeper:
        assert keeper.held
        assert "alone" in keeper.text
    assert log.read_text().splitlines() == ["--what=sleep:idle:handle-lid-switch", "--what=idle"]


def test_a_refusal_is_told_and_costs_nothing(tools: Path) -> None:
    """A system that refuses is told as such; nothing is raised and nothing is left running."""
    install(tools, "systemd-inhibit", REFUSES)
    with AwakeKeeper(platform="linux", patience_s=20) as keeper:
        assert not keeper.held
        assert keeper.text == NOT_HELD
        assert keeper._process is None


def test_a_silent_tool_is_not_waited_for(tools: Path) -> None:
    """A tool that never grants anything counts as a refusal once the patience is over."""
    install(tools, "systemd-inhibit", SILENT)
    with AwakeKeeper(platform="linux", patience_s=0.05) as keeper:
        assert not keeper.held


def test_without_a_tool_nothing_is_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a system without the tool the keeper says so."""
    monkeypatch.setenv("PATH", str(tmp_path))
    for platform in ("linux", "darwin"):
        with AwakeKeeper(platform=platform) as keeper:
            assert not keeper.held


def test_the_other_system_has_its_own_tool(tools: Path) -> None:
    """The macOS tool is told which process to watch (a stand-in for it: the real one was never tried)."""
    log = install(tools, "caffeinate", 'echo "$@" > "{log}"\nread nothing\n')
    with AwakeKeeper(platform="darwin") as keeper:
        assert keeper.held
        while not (log.exists() and log.read_text()):
            time.sleep(0.01)
        assert log.read_text() == f"-i -s -w {os.getpid()}\n"


def test_the_lock_ends_with_a_killed_run(tools: Path) -> None:
    """A run that is killed leaves no computer awake for ever: the lock's holder sees the broken pipe."""
    os.mkfifo(tools / "log")
    install(tools, "systemd-inhibit", 'for last; do :; done\n"$last"\necho let go > "{log}"\n')
    code = (
        "import time; from controller.live.awake import AwakeKeeper; "
        "k = AwakeKeeper(platform='linux', patience_s=20); print(k.held, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "True\n"
        run.send_signal(signal.SIGKILL)
    reader = os.open(tools / "log", os.O_RDONLY | os.O_NONBLOCK)
    try:
        assert select.select([reader], [], [], 30)[0]
        assert os.read(reader, 100) == b"let go\n"
    finally:
        os.close(reader)
