"""What planning assumes of each rig's camera: defaults, under what was measured, under what the plan says."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

from controller.gear.body import SIMULATED_BODY, TETHERED_BODY, CameraBody
from controller.gear.profile import CameraProfile
from controller.plan.loading import LoadedPlan
from controller.plan.model import RigPlan

_T = TypeVar("_T")


def known(given: _T | None, assumed: _T) -> _T:
    """Return what a plan gives, or where it gives nothing what is assumed."""
    return assumed if given is None else given


def body_of(rig: RigPlan, measured: CameraProfile | None = None) -> CameraBody:
    """Return what planning assumes of the rig's camera.

    The driver's defaults, over them what its profile measured, over that the plan's own figures.
    """
    base = SIMULATED_BODY if rig.camera.driver == "simulated" else TETHERED_BODY
    if measured is not None:
        base = measured.body(base)
    camera = rig.camera
    return replace(
        base,
        shutter_s=tuple(known(camera.shutter_speeds, list(base.shutter_s))),
        f_numbers=tuple(known(camera.apertures, list(base.f_numbers))),
        isos=tuple(known(camera.isos, list(base.isos))),
        card_frames=known(camera.card_frames, base.card_frames),
        **camera.own_times(),
    )


def bodies_of(loaded: LoadedPlan) -> dict[str, CameraBody]:
    """Return what planning assumes of each rig's camera, by the rig's name."""
    profiles = loaded.profiles
    return {
        rig.name: body_of(rig, profiles[rig.name].measured if rig.name in profiles else None)
        for rig in loaded.plan.rigs
    }
