"""The state tables of the engine, as data. What is not in a table does not happen."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final


class FrameState(StrEnum):
    """Where one frame is. The last four are ends: nothing leaves them."""

    PLANNED = "planned"
    HANDED = "handed over"
    """Its intent is journalled and its camera has it."""
    FIRED = "fired"
    MISSED = "missed"
    FAILED = "failed"
    UNKNOWN = "unknown"


class FrameStep(StrEnum):
    """What can happen to a frame."""

    HAND_OVER = "hand over"
    GIVE_UP = "give up"
    """It will not be fired: too late, held, no camera, no room, stopped."""
    CAMERA_SAYS_FIRED = "camera says fired"
    CAMERA_SAYS_FAILED = "camera says failed"
    LOSE_TRACK = "lose track"
    """The run died between intent and outcome."""


FRAME_TABLE: Final[Mapping[tuple[FrameState, FrameStep], FrameState]] = MappingProxyType(
    {
        (FrameState.PLANNED, FrameStep.HAND_OVER): FrameState.HANDED,
        (FrameState.PLANNED, FrameStep.GIVE_UP): FrameState.MISSED,
        (FrameState.HANDED, FrameStep.GIVE_UP): FrameState.MISSED,
        (FrameState.HANDED, FrameStep.CAMERA_SAYS_FIRED): FrameState.FIRED,
        (FrameState.HANDED, FrameStep.CAMERA_SAYS_FAILED): FrameState.FAILED,
        (FrameState.HANDED, FrameStep.LOSE_TRACK): FrameState.UNKNOWN,
    }
)

FRAME_ENDS: Final = frozenset({FrameState.FIRED, FrameState.MISSED, FrameState.FAILED, FrameState.UNKNOWN})


class HoldState(StrEnum):
    """Where one hold is."""

    AHEAD = "ahead"
    OPEN = "open"
    """The word is asked for."""
    PASSED = "passed"
    EXPIRED = "expired"
    """Its phase ended and nobody had said it."""


class HoldStep(StrEnum):
    """What can happen to a hold. There is no step of time that passes one."""

    TIME_OPENS = "time opens"
    TIME_CLOSES = "time closes"
    WORD_MATCHES = "word matches"
    WORD_CONTRADICTS = "word contradicts"
    """The operator says that the filter is in the other state."""
    WORD_VOIDED = "word voided"
    """The program was down in between: the word no longer stands."""


HOLD_TABLE: Final[Mapping[tuple[HoldState, HoldStep], HoldState]] = MappingProxyType(
    {
        (HoldState.AHEAD, HoldStep.TIME_OPENS): HoldState.OPEN,
        (HoldState.OPEN, HoldStep.WORD_MATCHES): HoldState.PASSED,
        (HoldState.OPEN, HoldStep.TIME_CLOSES): HoldState.EXPIRED,
        (HoldState.PASSED, HoldStep.WORD_CONTRADICTS): HoldState.OPEN,
        (HoldState.PASSED, HoldStep.WORD_VOIDED): HoldState.OPEN,
    }
)
