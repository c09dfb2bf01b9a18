"""Where a run's journal may go on when its own disk takes no more."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def second_folders() -> list[Path]:
    """Return the folders to try, in order: the user's state (XDG Base Directory rule), temporary, in memory."""
    state = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return [Path(state) / "holdfire", Path(tempfile.gettempdir()), Path("/dev/shm")]  # noqa: S108 (files are kept private)
