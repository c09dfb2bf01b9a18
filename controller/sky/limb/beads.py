"""Beads: patches of light that stand alone for a while before they go out."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from controller.sky.numeric import Array


def lone_stretches(
    gone: Array, opens: float, closes: float, shortest: float
) -> list[tuple[int, float, float]]:
    """Return the patches of light that stand alone, from when the light goes out at each angle of a circle.

    A patch is a peak of `gone`. Its light is cut off from the neighbouring patches on both sides when
    the higher of the two passes beside it has gone dark, and it is out at the peak. Peaks that stand
    alone for less than `shortest` are taken for part of their neighbour, the least first.

    Args:
        gone: when the light goes out, an angle each, going round; `opens` where there is none from the
            start, `closes` where it stays.
        opens: the beginning of the time that is looked at.
        closes: its end; a patch still lit then is no bead, but a neighbour. Nor is one that parted from no
            neighbour since `opens`: that is the crescent.
        shortest: in the unit of `gone`.

    Returns:
        Index of the peak, and from when to when it stands alone, in the order in which they go out.
    """
    lowest = int(np.argmin(gone))
    turned = np.roll(gone, -lowest)  # starts in the deepest pass, so that no peak lies across the seam
    rises = np.diff(turned, append=turned[0])
    steps = np.nonzero(rises)[0]
    if not steps.size:
        return []
    # Peaks and passes alternate where the sign of the change turns; level stretches count once.
    signs = np.sign(rises[steps])
    peaks = [int(steps[i]) for i in range(len(steps) - 1) if signs[i] > 0 > signs[i + 1]]
    if signs[-1] > 0:
        peaks.append(int(steps[-1]))
    peaks = [peak + 1 if rises[peak] > 0 else peak for peak in peaks]
    passes = [float(turned[a : b + 1].min()) for a, b in pairwise(peaks)]
    outer = float(turned[0])
    sides = [outer, *passes, outer]  # the passes left and right of each peak
    while len(peaks) > 1:
        alone = [turned[p] - max(sides[i], sides[i + 1]) for i, p in enumerate(peaks)]
        least = int(np.argmin(alone))
        if alone[least] >= shortest:
            break
        # It joins the neighbour over the higher pass; the lower one stays the border.
        keep = min(sides[least], sides[least + 1])
        del peaks[least]
        sides[least : least + 2] = [keep]
    found = [
        ((peak + lowest) % len(gone), max(sides[i], sides[i + 1]), float(turned[peak]))
        for i, peak in enumerate(peaks)
    ]
    return sorted(
        (bead for bead in found if opens < bead[1] and bead[2] < closes and bead[2] - bead[1] >= shortest),
        key=lambda bead: bead[2],
    )
