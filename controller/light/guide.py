"""The published exposure guide: a brightness exponent Q for each phenomenon.

Source: F. Espenak and J. Anderson, Total Solar Eclipse of 1997 March 9, NASA RP-1369, Table 16 (solar
eclipse exposure guide by F. Espenak), and the text beside it. Later editions keep the same list (from
memory). The table's times are the formula's, rounded to whole stops of a shutter dial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.light.stops import density_to_stops

SOURCE = "published exposure guide (F. Espenak, NASA RP-1369, Table 16)"

Q_FILTERED: dict[float, float] = {4.0: 11.0, 5.0: 8.0}
"""Q of the partial and annular phases, by the optical density of the filter."""
Q_BEADS = 12.0
Q_CHROMOSPHERE = 11.0
Q_PROMINENCES = 9.0
Q_DIAMOND_RING = 5.0
"""The guide gives the diamond ring the exposure of the corona at 0.2 solar radii."""

Q_CORONA: tuple[tuple[float, float], ...] = (
    (0.1, 7.0),
    (0.2, 5.0),
    (0.5, 3.0),
    (1.0, 1.0),
    (2.0, 0.0),
    (4.0, -1.0),
    (8.0, -3.0),
)
"""Height and Q. The table prints the height in solar radii without saying from where; it is read as
height above the limb, so that the distance from the Sun's centre is one more (from memory, the usual reading)."""

THIN_CRESCENT_STOPS = 2.0
"""A narrow crescent may need two stops more, for the Sun's limb is dimmer than its middle (same source)."""


@dataclass(frozen=True)
class GuideRow:
    """One row of the table."""

    name: str
    q: float
    filter_density: float | None
    """Density of the filter the row is for; None where the lens is bare."""


def guide_rows() -> tuple[GuideRow, ...]:
    """Return the rows of the guide in the order of the table."""
    return (
        *(GuideRow(f"partial and annular phases, density {d:.1f}", q, d) for d, q in Q_FILTERED.items()),
        GuideRow("Baily's beads", Q_BEADS, None),
        GuideRow("chromosphere", Q_CHROMOSPHERE, None),
        GuideRow("prominences", Q_PROMINENCES, None),
        GuideRow("diamond ring", Q_DIAMOND_RING, None),
        *(GuideRow(f"corona at {height:g} solar radii above the limb", q, None) for height, q in Q_CORONA),
    )


def guide_exposure_s(q: float, f_number: float, iso: float) -> float:
    """Return the exposure of the guide in seconds: t = f^2 / (I 2^Q).

    Raises:
        ValueError: if f-number or ISO is not above zero.
    """
    if not (0 < f_number < math.inf and 0 < iso < math.inf):
        raise ValueError(f"f/{f_number:g} and ISO {iso:g} must be above zero")
    return float(f_number**2 / (iso * 2.0**q))


def filtered_q(filter_density: float) -> float:
    """Return Q for the Sun behind a filter of any density.

    The guide prints densities 4 and 5, whose Q differ by a rounded 3 (exact: 3.32 stops). Between them Q
    is taken along the line; outside, counted exactly from the nearer row.
    """
    if filter_density <= 4:
        return Q_FILTERED[4.0] + density_to_stops(4 - filter_density)
    if filter_density >= 5:
        return Q_FILTERED[5.0] - density_to_stops(filter_density - 5)
    return Q_FILTERED[4.0] + (filter_density - 4) * (Q_FILTERED[5.0] - Q_FILTERED[4.0])


def corona_q(radius: float) -> float:
    """Return Q for the corona at a distance from the Sun's centre, in solar radii.

    Between rows Q is taken along the line of the logarithm of the height above the limb; outside them
    along the nearest two rows.

    Raises:
        ValueError: if the radius is not outside the limb.
    """
    if not 1 < radius < math.inf:
        raise ValueError(f"the corona begins beyond 1 solar radius from the centre, not at {radius:g}")
    place = math.log2(radius - 1)
    marks = [(math.log2(height), q) for height, q in Q_CORONA]
    upper = next((index for index, (mark, _) in enumerate(marks) if mark >= place), len(marks) - 1)
    (x0, q0), (x1, q1) = marks[max(upper, 1) - 1], marks[max(upper, 1)]
    return q0 + (place - x0) / (x1 - x0) * (q1 - q0)
