"""The errors a user can cause. Each is one clear line: what, where, and how to mend it.

They live apart from the code that raises them so that every layer can raise and the command
line can catch them without import loops.
"""

from __future__ import annotations

from dataclasses import dataclass


class HoldfireError(Exception):
    """Base of every error that is the user's to mend; its text is one line and complete."""

    exit_code = 1
    """The process exit code the command line ends with."""


class UsageError(HoldfireError):
    """Raised when a command is asked for something that cannot be (exit code 2)."""

    exit_code = 2


@dataclass(frozen=True, order=True)
class Fault:
    """One thing wrong with a plan, and how to mend it."""

    line: int
    """Line in the plan file, from 1."""
    column: int
    """Column in the line, from 1."""
    what: str
    """What is wrong, in one sentence."""
    mend: str
    """How to mend it, in one sentence."""
    severity: str = "error"
    """``error`` (the plan is refused) or ``warning`` (it runs, but something is lost)."""

    def text(self, path: str) -> str:
        """Return the fault as ``file:line:column: what. Mend: how``."""
        return f"{path}:{self.line}:{self.column}: {self.severity}: {self.what} Mend: {self.mend}"


class PlanError(HoldfireError):
    """Raised when a plan has faults; carries all of them (exit code 3)."""

    exit_code = 3

    def __init__(self, path: str, faults: list[Fault]) -> None:
        self.path = path
        self.faults = sorted(faults)
        super().__init__("\n".join(fault.text(path) for fault in self.faults))


class SkyError(HoldfireError):
    """Raised when the sky cannot be computed: no eclipse on the date, date outside the ephemeris."""

    exit_code = 4


class CameraError(HoldfireError):
    """Raised when a camera cannot be found, opened or set up before a run (exit code 5)."""

    exit_code = 5


class JournalError(HoldfireError):
    """Raised when a journal is missing, torn, altered or in use by another run (exit code 6)."""

    exit_code = 6


class OperatorError(HoldfireError):
    """Raised when a run has no way to hear the operator's word (exit code 7)."""

    exit_code = 7
