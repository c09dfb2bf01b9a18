"""What each rig of a plan sees, made where the ephemeris is at hand, and kept in the run's folder for going on."""

from __future__ import annotations

import contextlib
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import TypeAdapter

from controller.journal.folder import RunFolder
from controller.light.scene import Outlook
from controller.timeline.model import Timeline
from controller.units import FilterState

if TYPE_CHECKING:
    from controller.cli.prepare import Prepared

OUTLOOKS_NAME = "outlooks.json"
_SENSOR_MM = (36.0, 24.0)
"""Taken where the plan does not say the sensor."""
_ARCSEC = 206_264.8


def outlooks_of(prepared: Prepared, ephemeris: Path | None) -> dict[str, Outlook]:
    """Return what each rig with a solar filter sees; the Moon's edge is made up, the same for the same plan."""
    from controller.light.sampling import scene_of
    from controller.light.scene import made_up_limb
    from controller.light.stops import teleconverter_loss_stops
    from controller.plan.sensors import field_of

    plan, timeline = prepared.loaded.plan, prepared.compiled.timeline
    scene = scene_of(prepared.sky, ephemeris=ephemeris)
    limb = made_up_limb(zlib.crc32(prepared.plan_bytes))
    outlooks = {}
    for rig in plan.rigs:
        if rig.filter is None or rig.points_at != "sun":
            continue
        optics = rig.optics
        focal_mm = optics.focal_length * optics.teleconverter * optics.crop
        field = field_of(rig)
        across, high = (
            (side / focal_mm * _ARCSEC for side in _SENSOR_MM)
            if field is None
            else (2 * half * field.arcsec_per_px for half in field.half_px)
        )
        outlooks[rig.name] = Outlook(
            scene=scene,
            field_arcsec=(across, high),
            filter_density=rig.filter.density,
            filter_off_utc_ns=_filter_off(timeline, rig.name),
            light_lost_stops=teleconverter_loss_stops(optics.teleconverter),
            limb=limb,
        )
    return outlooks


def keep(folder: RunFolder, outlooks: Mapping[str, Outlook]) -> None:
    """Write them into the run's folder; a run goes on without them, so a disk that does not take them is no fault."""
    with contextlib.suppress(OSError):
        (folder.path / OUTLOOKS_NAME).write_bytes(_OUTLOOKS.dump_json(dict(outlooks)))


def kept(folder: RunFolder) -> dict[str, Outlook]:
    """Return what `keep` wrote; nothing where it is missing or spoiled: pictures are then not judged."""
    try:
        return _OUTLOOKS.validate_json((folder.path / OUTLOOKS_NAME).read_bytes())
    except (OSError, ValueError):
        return {}


_OUTLOOKS: TypeAdapter[dict[str, Outlook]] = TypeAdapter(dict[str, Outlook])


def _filter_off(timeline: Timeline, rig: str) -> tuple[tuple[int, int], ...]:
    return tuple(
        (phase.starts_utc_ns, phase.ends_utc_ns)
        for phase in timeline.phases
        if phase.rig == rig and phase.filter_need is FilterState.OFF
    )
