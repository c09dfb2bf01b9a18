"""Which exposures a shot is made of, in the order they are fired."""

from __future__ import annotations

from controller.light.stops import bracket_exposures, coarse_to_fine
from controller.plan.model import BracketPlan, ShotPlan


def bracket_times(bracket: BracketPlan) -> tuple[float, ...]:
    """Return the exposure times of a bracket in seconds, in the order the plan names them.

    Raises:
        ValueError: if it is neither a whole `list` nor a whole `from`, `to`, `step`, or its ends or step
            are not in the series that cameras list.
    """
    ends = (bracket.start, bracket.end, bracket.step)
    if bracket.list is not None and not any(end is not None for end in ends):
        return tuple(bracket.list)
    if (
        bracket.list is None
        and bracket.start is not None
        and bracket.end is not None
        and bracket.step is not None
    ):
        return bracket_exposures(bracket.start, bracket.end, bracket.step)
    raise ValueError("a bracket is made of from, to and step, or of list")


def take_exposures(shot: ShotPlan) -> tuple[float, ...]:
    """Return the exposure times of one take of a shot in seconds, in firing order: coarse to fine.

    Raises:
        ValueError: if the shot has not exactly one of `exposure` and `bracket`, or as `bracket_times`.
    """
    if shot.exposure is not None and shot.bracket is None:
        return (shot.exposure,)
    if shot.bracket is not None and shot.exposure is None:
        return coarse_to_fine(bracket_times(shot.bracket))
    raise ValueError("a shot is made of one exposure or one bracket")
