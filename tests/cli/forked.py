"""Commands in processes of their own, each forked from one that has loaded the program: most of a short one is loading.

What is loaded when, and how a command starts from nothing, is for the tests that start an interpreter of their own.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import importlib
import json
import os
import pkgutil
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

ROOT = Path(__file__).resolve().parents[2]


class Loaded:
    """The process that is forked, from the side of the tests. One command at a time."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from tests.cli.forked import serve; serve()"], cwd=ROOT,
            env={**environment, "PYTHONPATH": str(ROOT)}, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        self._lock = threading.Lock()

    def run(
        self, words: Sequence[str], cwd: Path, environment: Mapping[str, str], stdin: str, timeout: float
    ) -> subprocess.CompletedProcess[str]:
        """Run a command to its end, as `subprocess.run` would.

        Raises:
            subprocess.TimeoutExpired: if it took longer; it is killed.
        """
        with self._lock, tempfile.TemporaryDirectory() as base:
            printed, told = Path(base) / "out", Path(base) / "err"
            self._send(
                words=list(words), cwd=str(cwd), environment=dict(environment), stdin=stdin, out=str(printed),
                err=str(told),
            )  # fmt: skip
            pid = self._answer()
            if not select.select([self._process.stdout], [], [], timeout)[0]:
                os.kill(pid, signal.SIGKILL)
                self._answer()
                raise subprocess.TimeoutExpired(list(words), timeout)
            code = self._answer()
            return subprocess.CompletedProcess(
                list(words), code, printed.read_text(encoding="utf-8"), told.read_text(encoding="utf-8")
            )

    def _send(self, **request: object) -> None:
        assert self._process.stdin
        self._process.stdin.write(json.dumps(request).encode() + b"\n")
        self._process.stdin.flush()

    def _answer(self) -> int:
        assert self._process.stdout
        return int(os.read(self._process.stdout.fileno(), 11))


def serve() -> None:
    """Load the program, then fork for every request on standard input, until it ends."""
    import controller

    for found in pkgutil.walk_packages(controller.__path__, "controller."):
        if not found.name.startswith(("controller.page", "controller.cameras.shared")):
            importlib.import_module(found.name)
    _look_at_the_sky()
    gc.collect()
    gc.freeze()
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            _run(json.loads(line))
        _tell(pid)
        _tell(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))


def _look_at_the_sky() -> None:
    """Have ephemeris, tables and numerics loaded too."""
    import datetime as dt

    import piexif  # noqa: F401
    import PIL.JpegImagePlugin  # noqa: F401

    from controller.sky import Site, circumstances

    circumstances(Site(36.12, -5.72, 150.0), dt.date(2027, 8, 2))


def _tell(number: int) -> None:
    os.write(1, b"%10d\n" % number)


def _run(request: dict[str, Any]) -> NoReturn:
    """Be the command, from its arguments to its exit code."""
    code: object = 1
    try:
        reader, writer = os.pipe()
        os.write(writer, request["stdin"].encode())
        os.close(writer)
        os.dup2(reader, 0)
        os.close(reader)
        for number, path in ((1, request["out"]), (2, request["err"])):
            file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            os.dup2(file, number)
            os.close(file)
        sys.stdin, sys.stdout = open(0, encoding="utf-8"), open(1, "w", encoding="utf-8")  # noqa: SIM115
        sys.stderr = open(2, "w", buffering=1, encoding="utf-8", errors="backslashreplace")  # noqa: SIM115
        os.environ.clear()
        os.environ.update(request["environment"])
        time.tzset()
        os.chdir(request["cwd"])
        sys.argv = ["-c", *request["words"]]
        from controller.cli import main

        main()
        code = 0
    except SystemExit as left:
        code = left.code
    except BaseException:  # noqa: BLE001 - as the interpreter does
        traceback.print_exc()
    with contextlib.suppress(BaseException):
        threading._shutdown()  # type: ignore[attr-defined]  # waits for threads, as the interpreter does
        atexit._run_exitfuncs()
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(code if isinstance(code, int) else 0 if code is None else 1)
