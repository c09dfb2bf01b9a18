"""Made-up pictures for the tests: rendered from the brightness model, with the frames that they are."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

import numpy as np

from controller.account.pictures.taken import Taken
from controller.light.rendering import Framing, developed, exposed, jpeg
from controller.light.scene import Disks, Limb, Scene
from controller.timeline.model import Frame, RigInfo, Settings, Timeline
from controller.units import ContactName, FilterState, UtcNs, Wanted, parse_utc_iso, seconds_to_ns

MID_NS = parse_utc_iso("2027-08-02T08:47:22Z")
SUN_ARCSEC, MOON_ARCSEC = 946.0, 1013.0
SPEED_ARCSEC_S = 0.45
"""Of the Moon over the Sun, about."""
HALF_TOTALITY_S = (MOON_ARCSEC - SUN_ARCSEC) / SPEED_ARCSEC_S


def scene() -> Scene:
    """A Moon that passes over the Sun centrally, from west to east, at an even pace."""
    steps = range(-80, 81)
    count = len(steps)
    return Scene(
        starts_utc_ns=MID_NS - seconds_to_ns(80 * 60),
        step_s=60.0,
        east_arcsec=tuple(SPEED_ARCSEC_S * 60.0 * step for step in steps),
        north_arcsec=(0.0,) * count,
        sun_radius_arcsec=(SUN_ARCSEC,) * count,
        moon_radius_arcsec=(MOON_ARCSEC,) * count,
        sun_altitude_deg=(40.0,) * count,
        zenith_angle_deg=(0.0,) * count,
    )


def mean_contacts() -> dict[ContactName, UtcNs]:
    """The contacts of that Moon if it were smooth."""
    outer = (MOON_ARCSEC + SUN_ARCSEC) / SPEED_ARCSEC_S
    far = {
        ContactName.C1: -outer, ContactName.C2: -HALF_TOTALITY_S, ContactName.MID: 0.0,
        ContactName.C3: HALF_TOTALITY_S, ContactName.C4: outer,
    }  # fmt: skip
    return {name: UtcNs(MID_NS + seconds_to_ns(seconds)) for name, seconds in far.items()}


def thickest_arcsec(disks: Disks, limb: Limb | None) -> float:
    """How far the Sun stands out of the Moon's edge where it stands out most, by plane geometry."""
    angle = np.radians(np.arange(0.0, 360.0, 0.02))
    edge = np.full_like(angle, disks.moon_radius_arcsec)
    if limb is not None:
        heights = np.array([*limb.heights_arcsec, limb.heights_arcsec[0]])
        edge += np.interp(angle, np.linspace(0, 2 * math.pi, len(heights)), heights)
    # the Sun's centre as seen from the Moon's lies opposite to the Moon's from the Sun's
    away = angle - math.radians(disks.position_angle_deg) - math.pi
    along = disks.separation_arcsec * np.cos(away)
    across = disks.separation_arcsec * np.sin(away)
    return float((along + np.sqrt(disks.sun_radius_arcsec**2 - across**2) - edge).max())


def true_contact_ns(sky: Scene, limb: Limb | None, contact: ContactName) -> int:
    """The instant at which the last of the Sun goes behind the limb, or the first comes out, by bisection."""
    sign = -1 if contact is ContactName.C2 else 1
    inside, outside = 0.0, HALF_TOTALITY_S + 20.0
    for _ in range(50):
        middle = (inside + outside) / 2
        lit = thickest_arcsec(sky.at(MID_NS + seconds_to_ns(sign * middle)), limb) > 0
        inside, outside = (inside, middle) if lit else (middle, outside)
    return MID_NS + seconds_to_ns(sign * inside)


def frame(
    number: int, due_ns: int, settings: Settings, *, phase: str = "totality", shot: str = "beads",
    take: int = 1, step: int = 1, need: FilterState = FilterState.OFF, rig: str = "long",
) -> Frame:  # fmt: skip
    """A frame of a rig called long."""
    due = UtcNs(due_ns)
    return Frame(
        frame_id=f"{rig}/{number:04d}", rig=rig, phase=phase, shot=shot, take=take, step=step, settings=settings,
        wanted=Wanted.WANT, filter_need=need, due_utc_ns=due, deadline_utc_ns=due, ends_by_utc_ns=due,
        starts_from_utc_ns=due, movable_until_utc_ns=due, slot_ns=seconds_to_ns(1.0),
    )  # fmt: skip


def timeline(frames: tuple[Frame, ...] = (), *, uncertainty_s: float = 2.0) -> Timeline:
    """A total eclipse without holds, over a place without a name."""
    contacts = mean_contacts()
    names = dict.fromkeys(one.rig for one in frames) or {"long": None}
    rig = RigInfo(
        name="long",
        driver="simulated",
        match=None,
        points_at_sun=True,
        filter_text="film",
        release_lag_s=0.05,
    )
    return Timeline(
        title="Made up", site_name="Kestrel Hill", latitude_deg=36.12, longitude_deg=-5.72, elevation_m=150.0,
        time_zone="Europe/Madrid", kind="total", contacts_utc_ns=contacts, contacts_note="made up",
        contacts_uncertainty_s=uncertainty_s, unfiltered_from_utc_ns=contacts[ContactName.C2],
        unfiltered_until_utc_ns=contacts[ContactName.C3], rigs=tuple(replace(rig, name=name) for name in names),
        phases=(), holds=(), frames=frames, cues=(),
    )  # fmt: skip


def picture(
    path: Path, opened_ns: int, settings: Settings, *, framing: Framing, limb: Limb | None = None, seed: int = 0,
    density: float | None = None, sky: Scene | None = None, cloud_stops: float = 0.0,
) -> None:  # fmt: skip
    """Render what the camera saw, at the middle of the exposure, into a JPEG."""
    middle = opened_ns + seconds_to_ns(settings.exposure_s / 2)
    image = exposed(
        (sky or scene()).at(middle), framing, exposure_s=settings.exposure_s, f_number=settings.f_number,
        iso=settings.iso, filter_density=density, limb=limb, seed=seed, pixels_joined=100.0, cloud_stops=cloud_stops,
    )  # fmt: skip
    path.write_bytes(jpeg(developed(image), quality=92))


def series(
    folder: Path, contact: ContactName, seed: int, *, limb: Limb, cadence_s: float, exposures_s: list[float],
    span_s: float = 8.0, clock_s: float = 0.05, coarser: float = 1.0,
) -> list[Taken]:  # fmt: skip
    """Pictures around a contact, at uneven steps, told to have opened when the camera's clock says so.

    That clock, after its offset was taken off, is still wrong by one draw of `clock_s`. Pixels are of 10 to 18
    arcseconds, times `coarser`.
    """
    drawn = random.Random(seed)
    sky, about = scene(), mean_contacts()[contact]
    wrong_ns = seconds_to_ns(drawn.gauss(0.0, clock_s))
    framing = Framing(
        arcsec_per_px=coarser * drawn.uniform(10.0, 18.0), width_px=round(240 / coarser),
        height_px=round(220 / coarser), up_deg=drawn.uniform(0, 360),
    )  # fmt: skip
    now, number, made = -span_s + drawn.uniform(0, cadence_s), 0, []
    while now < span_s:
        settings = Settings(exposure_s=exposures_s[number % len(exposures_s)], f_number=8.0, iso=100)
        opened = about + seconds_to_ns(now)
        path = folder / f"HF_{seed:02d}{number:03d}.JPG"
        picture(path, opened, settings, framing=framing, limb=limb, seed=seed * 1000 + number, sky=sky)
        made.append(
            Taken(
                frame=frame(number, opened, settings), path=path, opened_utc_ns=opened + wrong_ns,
                settings=settings, clock_s=clock_s,
            )
        )  # fmt: skip
        now += cadence_s * drawn.uniform(0.8, 1.3)
        number += 1
    return made
