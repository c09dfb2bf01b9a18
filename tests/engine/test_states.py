"""The state tables, tried exhaustively."""

from __future__ import annotations

from itertools import product

import pytest

from controller.engine.states import (
    FRAME_ENDS,
    FRAME_TABLE,
    HOLD_TABLE,
    FrameState,
    FrameStep,
    HoldState,
    HoldStep,
)

P, H = FrameState.PLANNED, FrameState.HANDED


@pytest.mark.parametrize(("state", "step"), list(product(FrameState, FrameStep)))
def test_every_frame_state_and_step(state: FrameState, step: FrameStep) -> None:
    """Each pair leads where it should or nowhere: no way to fire unhanded, none out of an end (HF-S09)."""
    wanted = {
        (P, FrameStep.HAND_OVER): H,
        (P, FrameStep.GIVE_UP): FrameState.MISSED,
        (H, FrameStep.GIVE_UP): FrameState.MISSED,
        (H, FrameStep.CAMERA_SAYS_FIRED): FrameState.FIRED,
        (H, FrameStep.CAMERA_SAYS_FAILED): FrameState.FAILED,
        (H, FrameStep.LOSE_TRACK): FrameState.UNKNOWN,
    }
    assert FRAME_TABLE.get((state, step)) == wanted.get((state, step))
    if state in FRAME_ENDS:
        assert (state, step) not in FRAME_TABLE


@pytest.mark.parametrize(("state", "step"), list(product(HoldState, HoldStep)))
def test_every_hold_state_and_step(state: HoldState, step: HoldStep) -> None:
    """Only a matching word passes a hold; time never does (HF-S02)."""
    after = HOLD_TABLE.get((state, step))
    if after is HoldState.PASSED and state is not HoldState.PASSED:
        assert step is HoldStep.WORD_MATCHES
    if state is HoldState.EXPIRED:
        assert after is None
    if step is HoldStep.WORD_CONTRADICTS and after:
        assert after is HoldState.OPEN


def test_tables_cannot_be_written() -> None:
    """The tables are data that no code can change."""
    with pytest.raises(TypeError):
        FRAME_TABLE[P, FrameStep.LOSE_TRACK] = FrameState.FIRED  # type: ignore[index]
