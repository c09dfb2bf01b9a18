"""What is known of the Moon's edge at an eclipse: profile, contacts through the valleys, beads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from controller.sky.numeric import Array
from controller.units import ContactName, UtcNs, utc_iso

_KM_PER_DEGREE = 1737.4 * 3.141592653589793 / 180


@dataclass(frozen=True, kw_only=True)
class TerrainInfo:
    """Which grid of heights is used."""

    name: str
    what: str
    sha256: str
    """Of the file with the heights; empty when they were not read from a file."""
    pixels_per_degree: float
    west_deg: float
    lowest_m: float
    highest_m: float

    @property
    def km_per_pixel(self) -> float:
        """Return the size of a pixel on the Moon's equator."""
        return _KM_PER_DEGREE / self.pixels_per_degree

    @property
    def sentence(self) -> str:
        """Return all of it in a few words."""
        digest = f", sha256 {self.sha256[:12]}" if self.sha256 else ""
        return f"{self.name}, {self.pixels_per_degree:g} pixels a degree ({self.km_per_pixel:.2g} km){digest}"


@dataclass(frozen=True, kw_only=True, eq=False)
class LimbProfile:
    """The Moon's edge all round, as seen from one place at one instant."""

    position_angle_deg: Array
    """Around the Moon's centre, from celestial north (true equator of date) through east; even steps."""
    height_km: Array
    """Above the sphere of 1737.4 km: of the sphere that would show the same edge there."""
    distance_km: float
    """From the observer to the Moon's centre."""
    libration_longitude_deg: float
    """Of the point of the Moon nearest to the observer (topocentric libration), east positive."""
    libration_latitude_deg: float
    axis_position_angle_deg: float
    """Of the Moon's north pole, 0 to 360."""

    @property
    def height_arcsec(self) -> Array:
        """Return the heights as the observer sees them, to first order in height over radius."""
        height: Array = self.height_km / (self.distance_km**2 - 1737.4**2) ** 0.5 * 206_264.806
        return height


@dataclass(frozen=True, kw_only=True)
class Bead:
    """A valley through which the Sun shines on its own, neighbours dark."""

    contact: ContactName
    """C2 or C3: which it belongs to."""
    position_angle_deg: float
    """Around the Moon's centre, from celestial north through east."""
    starts_utc_ns: UtcNs
    """When it separates from its neighbours or, appearing, when it lights up."""
    ends_utc_ns: UtcNs
    """When it goes out or, growing, when it joins a neighbour."""

    @property
    def lasts_s(self) -> float:
        """Return how long it stands alone."""
        return (self.ends_utc_ns - self.starts_utc_ns) / 1e9


@dataclass(frozen=True, kw_only=True, eq=False)
class LimbContact:
    """C2 or C3 with the Moon's real edge."""

    name: ContactName
    utc_ns: UtcNs
    mean_utc_ns: UtcNs
    """The same contact with the mean limb."""
    position_angle_deg: float
    """Where the last light goes out (C2) or the first appears (C3); in an annular eclipse, where the ring
    closes or breaks. Around the Moon's centre, from celestial north through east."""
    sun_edge_km: Array
    """How high the Sun's edge stands then at the profile's angles, as the profile's `height_km`."""
    uncertainty_s: float

    @property
    def shift_s(self) -> float:
        """Return how much later it is than with the mean limb."""
        return (self.utc_ns - self.mean_utc_ns) / 1e9


@dataclass(frozen=True, kw_only=True)
class LimbCircumstances:
    """C2, C3 and the beads with the Moon's real edge. `c2` and `c3` are None when the edge leaves none."""

    c2: LimbContact | None
    c3: LimbContact | None
    duration_s: float | None
    """From `c2` to `c3`."""
    beads: tuple[Bead, ...]
    """In order of time, those that stand alone for a fifth of a second or more within 15 s of C2 or C3."""
    profiles: tuple[LimbProfile, LimbProfile]
    """At C2 and at C3."""
    terrain: TerrainInfo
    uncertainty_s: float
    """Standard uncertainty of the worse of `c2` and `c3`: what the grid does not resolve, the Sun's radius,
    Delta-T."""
    note: str

    def contacts(self) -> tuple[LimbContact, ...]:
        """Return those of C2 and C3 that exist."""
        return tuple(contact for contact in (self.c2, self.c3) if contact is not None)

    def to_json_dict(self) -> dict[str, Any]:
        """Return plain data for JSON, without the profile."""
        first = self.profiles[0]
        return {
            "terrain": {
                "name": self.terrain.name,
                "what": self.terrain.what,
                "sha256": self.terrain.sha256,
                "pixels_per_degree": self.terrain.pixels_per_degree,
                "km_per_pixel": round(self.terrain.km_per_pixel, 4),
            },
            "contacts": [
                {
                    "name": contact.name.value,
                    "utc": utc_iso(contact.utc_ns),
                    "mean_utc": utc_iso(contact.mean_utc_ns),
                    "shift_s": round(contact.shift_s, 3),
                    "position_angle_deg": round(contact.position_angle_deg, 2),
                    "uncertainty_s": round(contact.uncertainty_s, 2),
                }
                for contact in self.contacts()
            ],
            "duration_s": None if self.duration_s is None else round(self.duration_s, 3),
            "beads": [
                {
                    "contact": bead.contact.value,
                    "position_angle_deg": round(bead.position_angle_deg, 2),
                    "starts_utc": utc_iso(bead.starts_utc_ns),
                    "ends_utc": utc_iso(bead.ends_utc_ns),
                }
                for bead in self.beads
            ],
            "libration_longitude_deg": round(first.libration_longitude_deg, 4),
            "libration_latitude_deg": round(first.libration_latitude_deg, 4),
            "axis_position_angle_deg": round(first.axis_position_angle_deg, 4),
            "uncertainty_s": round(self.uncertainty_s, 2),
            "note": self.note,
        }
