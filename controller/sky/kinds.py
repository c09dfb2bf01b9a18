"""Which lunar radius counts for what, and what kind of eclipse a site gets by them."""

from __future__ import annotations

from dataclasses import dataclass

from controller.sky.model import MOON_K_MEAN, MOON_K_TOTAL, Constants, Kind


def decide_kind(
    sun_radius: float,
    separation: float,
    moon_radius_total: float,
    moon_radius_annular: float,
    moon_radius_exterior: float,
) -> Kind:
    """Return what a site gets, from the apparent radii and separation at the closest approach (one unit).

    The rule: *total* if the Sun is covered even by the Moon with the valleys of its limb filled by no
    more than their bottoms (k 0.272281); otherwise *annular* if the Moon of mean radius (k 0.2725076)
    lies inside the Sun's disk; otherwise *partial* if the disks overlap. The total radius being the
    smaller one, no site can be both. Between the two lies a band where neither holds: a kilometre or two
    inside the limits of a total eclipse, and some hundred kilometres along the line of a hybrid eclipse
    where it turns. There beads all round the Moon are the most to be expected: the answer is *partial*,
    no C2 is promised, and nothing that needs totality may be planned.
    """
    if separation < moon_radius_total - sun_radius:
        return Kind.TOTAL
    if separation < sun_radius - moon_radius_annular:
        return Kind.ANNULAR
    return Kind.PARTIAL if separation < sun_radius + moon_radius_exterior else Kind.NONE


@dataclass(frozen=True)
class Radii:
    """The lunar radii in use, Earth equatorial radii."""

    exterior: float
    total: float
    annular: float

    def interior(self, kind: Kind) -> float:
        """Return the radius of C2 and C3 at a site of this kind (the exterior one where there are none)."""
        return {Kind.TOTAL: self.total, Kind.ANNULAR: self.annular}.get(kind, self.exterior)


def radii_of(constants: Constants) -> Radii:
    """Return the radii that the constants ask for."""
    if constants.moon_k_interior is not None:
        return Radii(constants.moon_k_exterior, constants.moon_k_interior, constants.moon_k_interior)
    return Radii(constants.moon_k_exterior, MOON_K_TOTAL, MOON_K_MEAN)
