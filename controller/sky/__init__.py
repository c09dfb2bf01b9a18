"""The sky: ephemeris in, contacts and local circumstances of solar eclipses out.

Importing this package loads neither the ephemeris library nor any data; the first computation does.
Nothing here ever uses the network.
"""

from controller.sky.earth_rotation import earth_rotation_table
from controller.sky.horizon import Edge, HiddenBy, Horizon, Shown
from controller.sky.kinds import decide_kind
from controller.sky.local import circumstances, eclipse_days, eclipses_at
from controller.sky.model import (
    Circumstances,
    Constants,
    Contact,
    Crossing,
    DeltaT,
    DeltaTState,
    EclipseDay,
    Kind,
    Site,
)
from controller.sky.zone import time_zone_at

__all__ = [
    "Circumstances",
    "Constants",
    "Contact",
    "Crossing",
    "DeltaT",
    "DeltaTState",
    "EclipseDay",
    "Edge",
    "HiddenBy",
    "Horizon",
    "Kind",
    "Shown",
    "Site",
    "circumstances",
    "decide_kind",
    "earth_rotation_table",
    "eclipse_days",
    "eclipses_at",
    "time_zone_at",
]
