"""What goes into a computation of local circumstances, and what comes out of it.

Instants are UTC integer nanoseconds (POSIX count), with the same instant in Terrestrial Time
beside them: published tables are compared in TT, which no leap second and no Delta-T touches.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from controller.errors import SkyError
from controller.sky.horizon import Edge, HiddenBy, Horizon, Shown
from controller.sky.limb.model import LimbCircumstances
from controller.units import ContactName, UtcNs, utc_iso

EARTH_RADIUS_KM = 6378.137
"""Equatorial radius of the Earth, WGS84; the Moon's k is in units of it."""
AU_KM = 149_597_870.700
"""The astronomical unit, IAU 2012 Resolution B2."""
MOON_K_MEAN = 0.2725076
"""Mean lunar radius in Earth equatorial radii, IAU 1982 (1738.09 km)."""
MOON_K_TOTAL = 0.272281
"""The smaller radius published with total eclipses (1736.65 km): the bottoms of the limb's valleys."""

HORIZON_DEG = -50 / 60
"""Altitude of the Sun's centre, without refraction, at sunrise and sunset: 34 arcminutes of refraction
and 16 of radius, the convention of almanacs. Hills and the dip of the horizon are left out: they are told
beside it (`Contact.hidden_by`) and change no kind of eclipse and no filter rule."""


class Kind(StrEnum):
    """What a site gets of an eclipse."""

    NONE = "none"
    PARTIAL = "partial"
    ANNULAR = "annular"
    TOTAL = "total"

    @property
    def is_central(self) -> bool:
        """Return whether C2 and C3 belong to it."""
        return self in (Kind.ANNULAR, Kind.TOTAL)


def _require(condition: bool, what: str, mend: str) -> None:
    if not condition:
        raise SkyError(f"{what} Mend: {mend}")


@dataclass(frozen=True)
class Site:
    """A place on the WGS84 ellipsoid.

    Raises:
        SkyError: if a coordinate is no number or outside its range.
    """

    latitude_deg: float
    """Geodetic latitude, degrees, north positive."""
    longitude_deg: float
    """Longitude, degrees, east positive, -180 to 180."""
    elevation_m: float = 0.0
    """Height above the ellipsoid, metres. Height above sea level is off by the geoid, 100 m at most: 0.2 s where
    the Sun is low, 0.02 s where it is high."""
    horizon: Horizon = field(default_factory=Horizon)
    """What stands around the site. It moves no contact: it says which of them are hidden."""

    def __post_init__(self) -> None:
        _require(
            -90 <= self.latitude_deg <= 90,
            f"The latitude {self.latitude_deg} is not between -90 and 90 degrees.",
            "give degrees north, south negative.",
        )
        _require(
            -180 <= self.longitude_deg <= 180,
            f"The longitude {self.longitude_deg} is not between -180 and 180 degrees.",
            "give degrees east, west negative.",
        )
        _require(
            -500 <= self.elevation_m <= 40_000,
            f"The elevation {self.elevation_m} is not between -500 and 40000 metres.",
            "give metres above sea level.",
        )


@dataclass(frozen=True)
class Constants:
    """The radii and, when it is to be overridden, the Earth's rotation a computation uses.

    Raises:
        SkyError: if a value is no number or cannot be meant.
    """

    solar_radius_arcsec: float = 959.95
    """Radius of the Sun seen from 1 au. 959.95: Quaglia et al. 2021 (eclipse of 2017-08-21); 959.63 is
    the standard value of Auwers 1891 that published tables use."""
    moon_k_exterior: float = MOON_K_MEAN
    """Moon's radius in Earth radii for C1, C4 and a partial eclipse's magnitude."""
    moon_k_interior: float | None = None
    """The same for C2 and C3. None: chosen by kind at the site, 0.272281 for total and 0.2725076 for
    annular (see `controller.sky.local.decide_kind`)."""
    delta_t_s: float | None = None
    """TT - UT1, seconds. None: from the Earth rotation table."""
    earth_rotation: Path | None = None
    """A finals2000A.all file of the IERS. None: the one that comes with the installation."""

    def __post_init__(self) -> None:
        _require(
            900 <= self.solar_radius_arcsec <= 1000,
            f"A solar radius of {self.solar_radius_arcsec} arcseconds cannot be meant.",
            "give the radius seen from 1 au, such as 959.95 or 959.63.",
        )
        for k in (self.moon_k_exterior, self.moon_k_interior):
            _require(
                k is None or 0.27 <= k <= 0.275,
                f"A lunar radius k of {k} Earth radii cannot be meant.",
                "give one such as 0.2725076 or 0.272281.",
            )
        _require(
            self.delta_t_s is None or -100 <= self.delta_t_s <= 1000,
            f"A Delta-T of {self.delta_t_s} s cannot be meant.",
            "give TT minus UT1 in seconds, such as 69.2.",
        )

    @property
    def solar_radius_km(self) -> float:
        """Return the Sun's radius in kilometres."""
        return AU_KM * math.sin(math.radians(self.solar_radius_arcsec / 3600))


class DeltaTState(StrEnum):
    """How a Delta-T is known."""

    MEASURED = "measured"
    PREDICTED = "predicted"
    EXTRAPOLATED = "extrapolated"
    GIVEN = "given by the user"


@dataclass(frozen=True, kw_only=True)
class DeltaT:
    """TT - UT1 at an instant, and how well it is known."""

    value_s: float
    uncertainty_s: float
    state: DeltaTState
    source: str
    table: str
    """The Earth rotation table in use: leap seconds and polar motion are its own in any state."""
    measured_until: dt.date
    """The last day of the table with a measured UT1."""
    predicted_until: dt.date
    """The last day of the table."""
    leap_seconds: str
    """What is assumed of leap seconds past the table's end; nothing before it."""


@dataclass(frozen=True, kw_only=True)
class Contact:
    """One instant of an eclipse at a site, and where the Sun stands then."""

    name: ContactName
    utc_ns: UtcNs
    """UTC; before 1972, where there is no UTC of today's kind, UT1."""
    tt_ns: int
    """The same instant as Terrestrial Time, nanoseconds since 1970-01-01T00:00:00 TT."""
    altitude_deg: float
    """Of the Sun's centre above the mathematical horizon, without refraction."""
    azimuth_deg: float
    """Of the Sun's centre, from north through east."""
    position_angle_deg: float
    """On the Sun's disk from celestial north (true equator of date) through east: of the point of
    contact; at mid, of the Moon's centre."""
    zenith_angle_deg: float
    """The same from the zenith, counter-clockwise as seen in the sky."""
    apparent_altitude_deg: float
    """Of the Sun's centre, with refraction: what a clinometer at the site would show."""
    horizon_altitude_deg: float
    """How high the terrain, or the dipped horizon, is seen in that direction."""
    visible: bool
    """Whether some of the Sun is above a level horizon by the almanacs' convention: its centre higher than
    `HORIZON_DEG`. Kind and totality go by this; terrain, dip and the day's air do not enter."""
    hidden_by: HiddenBy
    """What stands before the Sun's disk or a part of it; ``none`` only while the whole disk is clear."""
    shown: Shown
    """How much of the disk is clear of the horizon or terrain, by refraction in the site's air."""
    uncertainty_s: float
    """See `Circumstances.uncertainty_s`."""
    residual_arcsec: float
    """How far the disks are from touching at the computed instant; 0 at mid."""


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """An edge of the Sun's disk meets the horizon or the terrain; to a few minutes where it is low."""

    utc_ns: UtcNs
    edge: Edge
    behind: HiddenBy
    apparent_altitude_deg: float
    """Of the Sun's centre, with refraction."""
    azimuth_deg: float


@dataclass(frozen=True, kw_only=True)
class Circumstances:
    """A solar eclipse at one site: mean lunar limb; refraction lifts altitudes and moves no contact."""

    site: Site
    eclipse_date: dt.date
    """UTC date of the eclipse's greatest phase on Earth: the date the eclipse is known by."""
    kind: Kind
    """What the site sees: of each phase some moment with the Sun above `HORIZON_DEG` is needed."""
    geometric_kind: Kind
    """What it would see if it could look through the Earth."""
    contacts: tuple[Contact, ...]
    """In order of time. Contacts below the horizon are there, with `visible` false. Empty on a miss."""
    crossings: tuple[Crossing, ...]
    """When the Sun's disk meets the horizon or the terrain between C1 and C4, in order of time."""
    closest_utc_ns: UtcNs
    """When the site is nearest to the axis of the shadow (mid, when there is an eclipse)."""
    duration_s: float | None
    """C2 to C3, seconds; None when there is no C2."""
    magnitude: float
    """(rs + rm - d) / (2 rs) at mid: the covered fraction of the Sun's diameter; 0 on a miss. Tables of
    central eclipses print `diameter_ratio` under this name."""
    diameter_ratio: float
    """rm / rs at mid (closest approach), the Moon's apparent diameter in the Sun's."""
    obscuration: float
    """Covered fraction of the Sun's area at mid, at most 1."""
    miss_arcsec: float | None
    """On a miss, the smallest gap between the limbs of Sun and Moon; None when they touch."""
    miss_km: float | None
    """On a miss, the gap between site and penumbra measured across the shadow (not over the ground)."""
    highest_sun_deg: float
    """Greatest altitude of the Sun's centre between C1 and C4 (on a miss, at the closest approach)."""
    constants: Constants
    moon_k_used: float
    """The lunar radius of C2 and C3, `magnitude`, `diameter_ratio` and `obscuration`."""
    moon_k_reason: str
    ephemeris: str
    delta_t: DeltaT
    uncertainty_s: float
    """Standard uncertainty, seconds, of the least certain of C2 and C3, or of C1 and C4 when there are
    no others: Delta-T, solar radius, and 1 arcsecond for the lunar limb that is not modelled."""
    note: str
    """All of this in one sentence."""
    limb: LimbCircumstances | None = None
    """C2, C3 and beads with the Moon's real edge, where a terrain was given and the eclipse is central."""

    @property
    def contacts_utc_ns(self) -> dict[ContactName, UtcNs]:
        """Return the instants that exist at this site, in order of time."""
        return {contact.name: contact.utc_ns for contact in self.contacts}

    @property
    def lunar_limb_utc_ns(self) -> dict[ContactName, UtcNs] | None:
        """Return the instants with C2 and C3 of the Moon's real edge, or None where these are not known.

        Mid stays unless it is no longer between them; then it is their middle.
        """
        if self.limb is None or self.limb.c2 is None or self.limb.c3 is None:
            return None
        instants = dict(self.contacts_utc_ns)
        c2, c3 = self.limb.c2.utc_ns, self.limb.c3.utc_ns
        instants[ContactName.C2], instants[ContactName.C3] = c2, c3
        if not c2 < instants[ContactName.MID] < c3:
            instants[ContactName.MID] = UtcNs((c2 + c3) // 2)
        return instants

    def contact(self, name: ContactName) -> Contact:
        """Return one contact.

        Raises:
            KeyError: if the eclipse has no such contact here.
        """
        for contact in self.contacts:
            if contact.name == name:
                return contact
        raise KeyError(name)

    def to_json_dict(self) -> dict[str, Any]:
        """Return plain data for JSON: ISO 8601 UTC instants, units in the names of the keys."""
        return {
            "eclipse_date": self.eclipse_date.isoformat(),
            "kind": self.kind.value,
            "geometric_kind": self.geometric_kind.value,
            "site": {
                "latitude_deg": self.site.latitude_deg,
                "longitude_deg": self.site.longitude_deg,
                "elevation_m": self.site.elevation_m,
                "horizon": [list(point) for point in self.site.horizon.terrain],
            },
            "contacts": [
                {
                    "name": contact.name.value,
                    "utc": utc_iso(contact.utc_ns),
                    "tt": utc_iso(contact.tt_ns).removesuffix("Z"),
                    "altitude_deg": round(contact.altitude_deg, 4),
                    "apparent_altitude_deg": round(contact.apparent_altitude_deg, 3),
                    "horizon_altitude_deg": round(contact.horizon_altitude_deg, 3),
                    "azimuth_deg": round(contact.azimuth_deg, 4),
                    "position_angle_deg": round(contact.position_angle_deg, 3),
                    "zenith_angle_deg": round(contact.zenith_angle_deg, 3),
                    "visible": contact.visible,
                    "hidden_by": contact.hidden_by.value,
                    "sun_shown": contact.shown.value,
                    "uncertainty_s": round(contact.uncertainty_s, 2),
                }
                for contact in self.contacts
            ],
            "horizon_crossings": [
                {
                    "utc": utc_iso(crossing.utc_ns, 0),
                    "what": crossing.edge.value,
                    "behind": crossing.behind.value,
                    "apparent_altitude_deg": round(crossing.apparent_altitude_deg, 2),
                    "azimuth_deg": round(crossing.azimuth_deg, 2),
                }
                for crossing in self.crossings
            ],
            "closest_utc": utc_iso(self.closest_utc_ns),
            "duration_s": None if self.duration_s is None else round(self.duration_s, 3),
            "magnitude": round(self.magnitude, 6),
            "diameter_ratio": round(self.diameter_ratio, 6),
            "obscuration": round(self.obscuration, 6),
            "miss_arcsec": None if self.miss_arcsec is None else round(self.miss_arcsec, 2),
            "miss_km": None if self.miss_km is None else round(self.miss_km, 2),
            "highest_sun_deg": round(self.highest_sun_deg, 4),
            "constants": {
                "solar_radius_arcsec": self.constants.solar_radius_arcsec,
                "moon_k_exterior": self.constants.moon_k_exterior,
                "moon_k_used": self.moon_k_used,
                "moon_k_reason": self.moon_k_reason,
                "earth_radius_km": EARTH_RADIUS_KM,
            },
            "ephemeris": self.ephemeris,
            "delta_t": {
                "value_s": round(self.delta_t.value_s, 4),
                "uncertainty_s": round(self.delta_t.uncertainty_s, 4),
                "state": self.delta_t.state.value,
                "source": self.delta_t.source,
                "table": self.delta_t.table,
                "measured_until": self.delta_t.measured_until.isoformat(),
                "predicted_until": self.delta_t.predicted_until.isoformat(),
                "leap_seconds": self.delta_t.leap_seconds,
            },
            "uncertainty_s": round(self.uncertainty_s, 2),
            "note": self.note,
            "lunar_limb": None if self.limb is None else self.limb.to_json_dict(),
        }


@dataclass(frozen=True, kw_only=True)
class EclipseDay:
    """A solar eclipse somewhere on Earth."""

    date: dt.date
    """UTC date of the greatest phase."""
    greatest_utc_ns: UtcNs
    """When the axis of the shadow passes nearest to the Earth's centre."""
    gamma: float
    """The axis' least distance from the Earth's centre, equatorial radii, north positive."""
