"""The time zone of a place, offline."""

from __future__ import annotations

from functools import lru_cache

from controller.errors import SkyError
from controller.sky.model import Site


@lru_cache(maxsize=256)
def time_zone_at(latitude_deg: float, longitude_deg: float) -> str:
    """Return the IANA time zone at a place; at sea one of ``Etc/GMT±h`` (whose sign is reversed by custom).

    Raises:
        SkyError: if the coordinates are no place, or no zone is known there.
    """
    from timezonefinder import TimezoneFinder

    Site(latitude_deg, longitude_deg)
    with TimezoneFinder() as finder:
        name = finder.timezone_at(lat=latitude_deg, lng=longitude_deg)
    if name is None:
        raise SkyError(
            f"No time zone is known at {latitude_deg}, {longitude_deg}. Mend: name the time zone in the plan."
        )
    return str(name)
