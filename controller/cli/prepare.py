"""From a plan file to a compiled plan: load, compute the contacts, compile."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from controller.cli import skyline
from controller.cli.moon import chosen_terrain
from controller.errors import PlanError
from controller.gear.drift import SunSeen
from controller.journal.folder import profile_name
from controller.plan.loading import LoadedPlan, load_plan
from controller.plan.model import SitePlan
from controller.sky import Circumstances, Constants, Horizon, Kind, Site, circumstances, time_zone_at
from controller.sky.track import sun_track
from controller.timeline.compile import Compiled, SiteContacts, compile_plan
from controller.timeline.phrases import Phrases

MEAN_LIMB, LUNAR_LIMB = "mean limb", "lunar limb"


@dataclass(frozen=True)
class Prepared:
    """A plan with its contacts and its timeline."""

    loaded: LoadedPlan
    sky: Circumstances
    compiled: Compiled

    @property
    def plan_bytes(self) -> bytes:
        """Return the plan as it was read and compiled, whatever became of the file since."""
        return self.loaded.source.text.encode()

    @property
    def profile_files(self) -> dict[str, bytes]:
        """Return the profiles as they were read, under the names that a run keeps them by."""
        profiles = self.loaded.profiles
        return {
            profile_name(number): profiles[rig.name].content
            for number, rig in enumerate(self.loaded.plan.rigs)
            if rig.name in profiles
        }


def site_contacts(sky: Circumstances, keyed_to: str = MEAN_LIMB) -> SiteContacts:
    """Return what compiling needs of the circumstances.

    C2 and C3 are those of the Moon's real edge if the plan is keyed to it and the circumstances have them.
    """
    mean = sky.contacts_utc_ns if sky.kind is not Kind.NONE else {}
    lunar = sky.lunar_limb_utc_ns if keyed_to == LUNAR_LIMB and sky.kind.is_central else None
    limb = None if lunar is None else sky.limb
    return SiteContacts(
        kind=sky.kind.value,
        contacts_utc_ns=mean if lunar is None else lunar,
        note=sky.note if limb is None else f"Keyed to the lunar limb. {limb.note} {sky.note}",
        uncertainty_s=sky.uncertainty_s if limb is None else limb.uncertainty_s,
        keyed_to=MEAN_LIMB if lunar is None else LUNAR_LIMB,
        mean_utc_ns={} if lunar is None else mean,
        below_horizon=tuple(contact.name for contact in sky.contacts if not contact.visible),
        horizon_words=skyline.warnings(sky),
    )


def site_of(plan: SitePlan) -> Site:
    """Return the place of a plan with what stands around it."""
    horizon = Horizon(tuple(plan.horizon or ()), plan.above_surroundings)
    return Site(plan.latitude, plan.longitude, plan.elevation, horizon)


def prepare(
    path: Path,
    constants: Constants | None = None,
    ephemeris: Path | None = None,
    terrain: Path | None = None,
    *,
    both_limbs: bool = False,
    phrases: Phrases | None = None,
) -> Prepared:
    """Load, compute and compile.

    Args:
        path: the plan.
        constants: radii and Earth rotation.
        ephemeris: an SPK file; DE421 when None.
        terrain: a grid of lunar heights or a kept limb; "none" for the mean limb; the kept limb when None.
        both_limbs: look at the kept limb also when the plan is keyed to the mean limb.
        phrases: what is said; the plan's own sentences when None.

    Raises:
        PlanError: with every fault of the plan.
        SkyError: if the contacts cannot be computed.
    """
    loaded = load_plan(path)
    site = site_of(loaded.plan.site)
    keyed_to = loaded.plan.contacts
    heights = chosen_terrain(terrain, wanted=both_limbs or keyed_to == LUNAR_LIMB)
    sky = circumstances(
        site, loaded.plan.eclipse, constants=constants or Constants(), ephemeris=ephemeris, terrain=heights
    )
    if keyed_to == LUNAR_LIMB and sky.kind.is_central:
        _require_limb(loaded, sky)
    zone = loaded.plan.site.time_zone or time_zone_at(site.latitude_deg, site.longitude_deg)
    contacts = site_contacts(sky, keyed_to)
    if sky.contacts and any(rig.optics.sensor is not None for rig in loaded.plan.rigs):
        track = sun_track(sky, ephemeris=ephemeris)
        contacts = replace(contacts, sun=SunSeen(track.at, track.sun_radius_arcsec))
    return Prepared(loaded, sky, compile_plan(loaded, contacts, time_zone=zone, phrases=phrases))


def _require_limb(loaded: LoadedPlan, sky: Circumstances) -> None:
    if sky.limb is None:
        what = "The plan is keyed to the lunar limb, and no terrain of the Moon is at hand."
        mend = (
            "read a published grid once with holdfire moon FILE, give one with --terrain FILE, "
            "or write contacts: mean limb."
        )
    elif sky.lunar_limb_utc_ns is None:
        what = f"The plan is keyed to the lunar limb, which leaves no C2 and C3 here. {sky.limb.note}"
        mend = "choose a site farther inside the path."
    else:
        return
    raise PlanError(loaded.source.path, [loaded.source.fault(("contacts",), what, mend)])
