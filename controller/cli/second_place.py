"""Where a run's journal may go on when its own disk takes no more."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from controller.errors import UsageError

VARIABLE = "HOLDFIRE_SECOND_PLACE"
"""The environment variable that names the folder to use instead of the usual ones."""


def second_folders() -> list[Path]:
    """Return the folders to try, in order: the user's state (XDG Base Directory rule), temporary, in memory.

    Raises:
        UsageError: if the user names a folder that cannot be made.
    """
    if given := os.environ.get(VARIABLE):
        try:
            Path(given).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(
                f"{given}: this folder cannot be made ({error.strerror}). Mend: have {VARIABLE} name a folder "
                "that you can write to, or nothing."
            ) from error
        return [Path(given)]
    state = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return [Path(state) / "holdfire", Path(tempfile.gettempdir()), Path("/dev/shm")]  # noqa: S108 (files are kept private)
