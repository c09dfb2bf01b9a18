"""The scripted operator of rehearsals with simulated cameras: how soon it answers, if at all. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from controller.errors import UsageError
from controller.plan.fields import WrongValueError, format_duration, parse_duration_s
from controller.units import FilterState, UtcNs, seconds_to_ns

PROMPT_S = 2.0
"""How soon after being asked a prompt operator answers, seconds."""


class Manner(StrEnum):
    """The ways an operator may answer."""

    PROMPT = "prompt"
    LATE = "late"
    SILENT = "silent"


@dataclass(frozen=True, kw_only=True)
class Habit:
    """How an operator answers when asked for the filter."""

    manner: Manner
    delay_s: float = PROMPT_S
    """Prompt: seconds after being asked. Late: seconds after the phase was due. Silent: of no meaning."""

    @classmethod
    def parse(cls, text: str) -> Habit:
        """Read ``prompt``, ``prompt 5 s``, ``late 40 s`` or ``silent``.

        Raises:
            UsageError: if the text is no habit.
        """
        match = re.fullmatch(r"(prompt|silent|late)(?: (.+))?", " ".join(text.split()).casefold())
        if match:
            manner, duration = Manner(match[1]), match[2]
            if manner is Manner.SILENT and duration is None:
                return cls(manner=manner)
            if manner is Manner.PROMPT and duration is None:
                return cls(manner=manner, delay_s=PROMPT_S)
            if manner is not Manner.SILENT and duration is not None:
                try:
                    return cls(manner=manner, delay_s=parse_duration_s(duration))
                except WrongValueError as error:
                    raise UsageError(f"The operator's habit {text!r} has no usable delay: {error}") from None
        raise UsageError(
            f"{text!r} is no habit of an operator. Mend: write prompt, prompt 5 s, late 40 s or silent."
        )

    def __str__(self) -> str:
        if self.manner is Manner.SILENT:
            return self.manner.value
        return f"{self.manner.value} {format_duration(self.delay_s)}"


@dataclass(frozen=True)
class ScriptedOperator:
    """Stands in for a person where no real camera is: it says what it is asked for, at its own pace."""

    habit: Habit

    def answer(
        self, hold_opened_utc_ns: UtcNs, due_utc_ns: UtcNs, needs: FilterState, *, first: bool
    ) -> UtcNs | None:
        """Return the instant of the word that the filter is `needs`, UTC nanoseconds; None: it never comes.

        Args:
            hold_opened_utc_ns: when the filter was asked for.
            due_utc_ns: when the phase behind the hold is to start.
            needs: the state asked for.
            first: whether it is the rig's first hold, when the session is set up. Lateness is about the
                changes in the middle of the eclipse: a late or a silent operator still sets up in time.

        Raises:
            ValueError: if `needs` is no state a hold can ask for.
        """
        if needs not in (FilterState.ON, FilterState.OFF):
            raise ValueError(f"no hold asks for a filter that is {needs.value}")
        match self.habit.manner:
            case Manner.SILENT if not first:
                return None
            case Manner.LATE if not first:
                # Asked again after its time, it still needs a moment to answer.
                late = due_utc_ns + seconds_to_ns(self.habit.delay_s)
                return UtcNs(max(late, hold_opened_utc_ns + seconds_to_ns(PROMPT_S)))
            case Manner.LATE | Manner.SILENT:
                return UtcNs(hold_opened_utc_ns + seconds_to_ns(PROMPT_S))
            case Manner.PROMPT:
                return UtcNs(hold_opened_utc_ns + seconds_to_ns(self.habit.delay_s))
