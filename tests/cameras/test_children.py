"""Processes of a run for real: what they have from the one they are forked from, and what they have not."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from controller.cameras import children


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


def test_start_that_fails_is_told_as_the_system_would(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process that is forked may end in that very moment: the standard library then raises EOFError."""

    def ends(self: object) -> None:
        raise EOFError("unexpected EOF")

    monkeypatch.setattr(type(children.children().Process()), "start", ends)
    with pytest.raises(OSError, match="another is started the next time"):
        children.start_child("camera", print)
