"""Processes of a run for real: what they have from the one they are forked from, and what they have not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from controller.cameras import children
from tests.cli.command import state_and_parent_of


def _told_by(name: str, folder: Path) -> list[str]:
    told = folder / "told"
    script = 'printf "%s\\n" "$HOLDFIRE_TRIED" "$PWD" "$(cat /proc/$PPID/comm)" > "$0"'
    children.start_child(name, subprocess.run, ["sh", "-c", script, str(told)]).join(60)
    return told.read_text().splitlines()


@pytest.mark.skipif(sys.platform != "linux", reason="the name of a process is looked up in /proc")
def test_child_has_environment_folder_and_name_of_its_start(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Not those of the first child, which the process that both are forked from was started with."""
    monkeypatch.setenv("HOLDFIRE_TRIED", "first")
    assert _told_by("camera one", tmp_path)[0] == "first"
    monkeypatch.setenv("HOLDFIRE_TRIED", "second")
    monkeypatch.chdir(tmp_path)
    assert _told_by("camera of a long name", tmp_path) == ["second", str(tmp_path), "camera of a lon"]
    monkeypatch.delenv("HOLDFIRE_TRIED")
    assert _told_by("camera two", tmp_path)[0] == ""


@pytest.mark.skipif(sys.platform != "linux", reason="children are forked on Linux alone")
def test_child_is_killed_though_what_it_was_forked_from_is_gone() -> None:
    """SIGKILL of that process, another child, then of one that stands still: it is alive until it is killed."""
    child = children.start_child("camera", time.sleep, 60)
    _, forked_from = state_and_parent_of(child.pid)
    while Path(f"/proc/{child.pid}/comm").read_text() != "camera\n":  # until it is itself
        time.sleep(0.01)
    os.kill(child.pid or 0, signal.SIGSTOP)
    os.kill(forked_from, signal.SIGKILL)
    while state_and_parent_of(forked_from)[0] != "Z":
        time.sleep(0.01)
    children.start_child("another", time.sleep, 0).join(60)
    assert child.is_alive()
    child.join(0.05)
    assert child.is_alive()
    child.kill()
    child.join(60)
    assert not child.is_alive()


@pytest.mark.skipif(sys.platform != "linux", reason="children are forked on Linux alone")
def test_nothing_is_loaded_from_the_folder_of_the_start(tmp_path: Path) -> None:
    """A module there that has the name of one of the program's, and fails, is none of a child's."""
    for name in ("queue.py", "piexif.py"):
        (tmp_path / name).write_text("raise RuntimeError('a stranger')")
    program = (
        "import subprocess\nfrom controller.cameras import children\nchildren.render_in_children()\n"
        "children.start_child('one', subprocess.run, ['echo', 'begun']).join()"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", program],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout == "begun\n"
    assert "stranger" not in done.stderr


def test_start_that_fails_is_told_as_the_system_would(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process that is forked may end in that very moment: the standard library then raises EOFError."""

    def ends(self: object) -> None:
        raise EOFError("unexpected EOF")

    monkeypatch.setattr(type(children.children().Process()), "start", ends)
    with pytest.raises(OSError, match="another is started the next time"):
        children.start_child("camera", print)
