"""From a plan file to a compiled plan: load, compute the contacts, compile."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from controller.cli import skyline
from controller.plan.loading import LoadedPlan, load_plan
from controller.plan.model import SitePlan
from controller.sky import Circumstances, Constants, Horizon, Site, circumstances, time_zone_at
from controller.timeline.compile import Compiled, SiteContacts, compile_plan


@dataclass(frozen=True)
class Prepared:
    """A plan with its contacts and its timeline."""

    plan_bytes: bytes
    loaded: LoadedPlan
    sky: Circumstances
    compiled: Compiled


def site_contacts(sky: Circumstances) -> SiteContacts:
    """Return what compiling needs of the circumstances."""
    return SiteContacts(
        kind=sky.kind.value,
        contacts_utc_ns=sky.contacts_utc_ns if sky.kind.value != "none" else {},
        note=sky.note,
        uncertainty_s=sky.uncertainty_s,
        below_horizon=tuple(contact.name for contact in sky.contacts if not contact.visible),
        horizon_words=skyline.warnings(sky),
    )


def site_of(plan: SitePlan) -> Site:
    """Return the place of a plan with what stands around it."""
    horizon = Horizon(tuple(plan.horizon or ()), plan.above_surroundings)
    return Site(plan.latitude, plan.longitude, plan.elevation, horizon)


def prepare(path: Path, constants: Constants | None = None, ephemeris: Path | None = None) -> Prepared:
    """Load, compute and compile.

    Raises:
        PlanError: with every fault of the plan.
        SkyError: if the contacts cannot be computed.
    """
    loaded = load_plan(path)
    site = site_of(loaded.plan.site)
    sky = circumstances(site, loaded.plan.eclipse, constants=constants or Constants(), ephemeris=ephemeris)
    zone = loaded.plan.site.time_zone or time_zone_at(site.latitude_deg, site.longitude_deg)
    return Prepared(path.read_bytes(), loaded, sky, compile_plan(loaded, site_contacts(sky), time_zone=zone))
