"""Two general astronomy libraries as sanity checks only: they agree to seconds, for known reasons."""

from __future__ import annotations

import datetime as dt

import astronomy
import pytest
import swisseph

from controller.sky import Constants, Kind, Site, circumstances
from controller.units import ContactName

UNIX_EPOCH_JD, J2000_JD = 2440587.5, 2451545.0
PAIRS = [
    (Site(25.5, 33.2, 100), dt.date(2027, 8, 2)),
    (Site(42.2, -4.2, 900), dt.date(2026, 8, 12)),
    (Site(37.0, -87.7, 150), dt.date(2017, 8, 21)),
    (Site(25.3, -104.1, 1500), dt.date(2024, 4, 8)),
    (Site(11.4, -83.1, 0), dt.date(2023, 10, 14)),
    (Site(-30.0, -70.7, 2600), dt.date(2019, 7, 2)),
]


@pytest.mark.parametrize(("site", "date"), PAIRS)
def test_swiss_ephemeris_without_data_files(site, date):
    """Within 6 s, Delta-T being the same: its analytic Moon is off by up to an arcsecond or two (0.5"/s).

    Its own lunar and solar radii (k 0.272281 for all interior contacts, 959.63") add another second.
    """
    found = circumstances(site, date)
    start = swisseph.julday(date.year, date.month, date.day, 0.0) - 1
    swisseph.set_delta_t_userdef(found.delta_t.value_s / 86_400)
    try:
        where = (site.longitude_deg, site.latitude_deg, site.elevation_m)
        _, times, _ = swisseph.sol_eclipse_when_loc(start, where, swisseph.FLG_MOSEPH)
    finally:
        swisseph.set_delta_t_userdef(swisseph.DELTAT_AUTOMATIC)
    names = (ContactName.MID, ContactName.C1, ContactName.C2, ContactName.C3, ContactName.C4)
    for name, time in zip(names, times, strict=False):
        other_s = (time - UNIX_EPOCH_JD) * 86_400 + found.delta_t.value_s
        assert found.contact(name).tt_ns / 1e9 == pytest.approx(other_s, abs=6), name


@pytest.mark.parametrize(("site", "date"), PAIRS)
def test_astronomy_engine(site, date):
    """Within 8 s in TT once given its Delta-T, 1.5 to 7 s larger than measured; its Moon is truncated."""
    start = astronomy.Time.Make(date.year, date.month, date.day, 0, 0, 0).AddDays(-1)
    where = astronomy.Observer(site.latitude_deg, site.longitude_deg, site.elevation_m)
    other = astronomy.SearchLocalSolarEclipse(start, where)
    delta_t_s = (other.peak.time.tt - other.peak.time.ut) * 86_400
    found = circumstances(site, date, constants=Constants(959.63, delta_t_s=delta_t_s))
    kinds = {astronomy.EclipseKind.Total: Kind.TOTAL, astronomy.EclipseKind.Annular: Kind.ANNULAR}
    assert found.kind is kinds[other.kind]
    events = (other.partial_begin, other.total_begin, other.peak, other.total_end, other.partial_end)
    for contact, event in zip(found.contacts, events, strict=True):
        other_s = (event.time.tt + J2000_JD - UNIX_EPOCH_JD) * 86_400
        assert contact.tt_ns / 1e9 == pytest.approx(other_s, abs=8), contact.name
        # Its altitude is refracted; compare where refraction is below 0.1 degrees.
        if contact.altitude_deg > 12:
            assert contact.altitude_deg == pytest.approx(event.altitude, abs=0.12)
