"""One holdfire a camera: a lock that the kernel gives free when its holder dies.

Each camera has a file of its own in the user's runtime folder, locked (flock) while a process has the camera
open. The file's text only says who that is; an old text without a lock means nothing.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import multiprocessing
import os
import tempfile
import time
from pathlib import Path
from types import TracebackType

from controller.errors import CameraError
from controller.units import utc_iso


class CameraInUseError(CameraError):
    """Another holdfire has the camera open."""


def lock_folder() -> Path:
    """Return the folder of the locks: under ``XDG_RUNTIME_DIR``, else the user's own in the temporary folder."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and Path(runtime).is_dir():
        return Path(runtime) / "holdfire"
    return Path(tempfile.gettempdir()) / f"holdfire-{os.getuid()}"


class CameraLock:
    """A camera that this process, and no other holdfire, may open; a context manager."""

    def __init__(self, key: str, called: str) -> None:
        """Take the lock, at once or not at all.

        Where no lock file can be made (a read-only or full disk) there is no lock: that must not cost a picture.

        Args:
            key: what identifies the camera on this computer: its serial number, or its model and port.
            called: the camera, as its user knows it.

        Raises:
            CameraInUseError: if another process has it.
        """
        self._file: int | None = None
        path = lock_folder() / f"{hashlib.sha256(key.encode()).hexdigest()[:24]}.lock"
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        except OSError:
            return
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.read(file, 4096)
            os.close(file)
            raise CameraInUseError(
                f"{called} is in use by another holdfire ({_who(holder)}). "
                "Mend: end that one first, or give this rig another camera (`match`)."
            ) from None
        except OSError:  # a file system without locks
            os.close(file)
            return
        self._file = file
        _write_holder(file)

    def release(self) -> None:
        """Give the camera free; twice is as good as once. The file stays: removing it would race."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def __enter__(self) -> CameraLock:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def _write_holder(file: int) -> None:
    parent = multiprocessing.parent_process()
    holder = {"pid": os.getpid() if parent is None else parent.pid, "since": utc_iso(time.time_ns(), 0)}
    try:
        os.ftruncate(file, 0)
        os.pwrite(file, json.dumps(holder).encode(), 0)
    except OSError:  # a full disk: the lock holds all the same
        return


def _who(text: bytes) -> str:
    try:
        holder = json.loads(text)
        return f"process {int(holder['pid'])}, since {holder['since']}"
    except (ValueError, KeyError, TypeError):
        return "another process"
