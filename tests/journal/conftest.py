"""Small journals to damage."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.journal.records import Kind
from controller.journal.writing import JournalWriter

T0_NS = 1_800_000_000_000_000_000


def _write(folder: Path, *, close: bool) -> bytes:
    with JournalWriter.create(folder) as writer:
        writer.append(Kind.RUN_BEGAN, T0_NS, title="Día de sombra", mode="rehearsal")
        writer.append(Kind.FILTER_SAID, T0_NS + 1, rig=None, state="off")
        writer.append(
            Kind.FRAME_INTENT, T0_NS + 2, frame_id="a/1", rig="a", due_utc_ns=T0_NS + 9, exposure_s=0.001
        )
        writer.append(
            Kind.FRAME_FIRED, T0_NS + 3, frame_id="a/1", rig="a", read_back={"iso": 100, "words": {}}
        )
        writer.append(Kind.NOTE, T0_NS + 4, text='she said "one, two}" \\ and left\n')
        if close:
            writer.append(
                Kind.RUN_ENDED, T0_NS + 5, outcome="finished", fired=1, missed=0, failed=0, unknown=0
            )
    return (folder / "journal.jsonl").read_bytes()


@pytest.fixture
def closed_journal(tmp_path: Path) -> bytes:
    """Return the bytes of a small journal whose run ended."""
    folder = tmp_path / "closed"
    folder.mkdir()
    return _write(folder, close=True)


@pytest.fixture
def open_folder(tmp_path: Path) -> Path:
    """Return a folder with a small journal whose run has not ended."""
    folder = tmp_path / "open"
    folder.mkdir()
    _write(folder, close=False)
    return folder


@pytest.fixture
def folder_with(tmp_path: Path) -> Callable[[bytes], Path]:
    """Return a function that makes a new folder whose journal holds the given bytes."""
    made = 0

    def make(data: bytes) -> Path:
        nonlocal made
        made += 1
        folder = tmp_path / f"made-{made}"
        folder.mkdir()
        (folder / "journal.jsonl").write_bytes(data)
        return folder

    return make
