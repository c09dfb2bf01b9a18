"""C2, C3 and beads behind edges whose answer is known beforehand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from controller.sky import Kind, Site
from controller.sky.limb.contacts import BEADS_WITHIN_S
from controller.sky.limb.profile import limb_profile
from controller.units import ContactName
from tests.sky.limb.synthetic import (
    ANNULAR,
    EARTH_RADIUS_KM,
    RADIUS_KM,
    SHORT,
    TOTAL,
    Looker,
    contact_tt_s,
    moon_of,
    moon_round_the_edge,
    seen,
    sphere,
    wedge,
    with_terrain,
)

CASES = {"2027": TOTAL, "2026": SHORT, "2023": ANNULAR}
C2, C3 = ContactName.C2, ContactName.C3


@pytest.mark.parametrize("height_m", [-2000.0, 0.0, 1500.0])
@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_a_sphere_gives_the_mean_limb(case, height_m):
    """On a smooth sphere C2 and C3 are those of the mean limb of the same radius, within 0.01 s.

    So raising all the terrain lengthens totality, and shortens the ring, by what the radius does.
    """
    mean = seen(case, (RADIUS_KM + height_m / 1000) / EARTH_RADIUS_KM)
    found = with_terrain(case, sphere(height_m)).limb
    assert (found.c2.utc_ns - mean.contact(C2).utc_ns) / 1e9 == pytest.approx(0, abs=0.01)
    assert (found.c3.utc_ns - mean.contact(C3).utc_ns) / 1e9 == pytest.approx(0, abs=0.01)
    assert found.duration_s == pytest.approx(mean.duration_s, abs=0.01)
    assert found.beads == ()


def test_the_mean_contacts_stay_beside_the_corrected_ones():
    """Terrain leaves the contacts of the circumstances alone and carries the mean ones in the new ones."""
    plain, found = seen(TOTAL), with_terrain(TOTAL, sphere(-1000.0))
    assert found.contacts == plain.contacts
    assert found.limb.c2.mean_utc_ns == plain.contact(C2).utc_ns
    # 1 km is 0.54 arcseconds, 1.3 s at each contact.
    assert 1.0 < found.limb.c2.shift_s < 2.0
    assert -2.0 < found.limb.c3.shift_s < -1.0
    assert found.lunar_limb_utc_ns[C2] == found.limb.c2.utc_ns
    assert found.lunar_limb_utc_ns[ContactName.C1] == plain.contact(ContactName.C1).utc_ns


# Where the wedge stands (degrees from the contact of the sphere), its width, its height ----------------
WEDGES = {
    "valley at the contact": (0.0, 12.0, -1500.0),
    "valley beside it": (14.0, 8.0, -3000.0),
    "valley on the other side": (-20.0, 10.0, -4000.0),
    "valley too far away to matter": (100.0, 10.0, -4000.0),
    "mountain on the contact": (0.0, 10.0, 2500.0),
    "mountain beside it": (9.0, 6.0, 2000.0),
}


@pytest.mark.parametrize(
    ("case", "where"),
    [(case, where) for case in ("2027", "2023") for where in WEDGES]
    + [("2026", "valley at the contact"), ("2026", "valley on the other side")],
)
def test_one_valley_or_mountain_gives_the_computed_shift(case, where):
    """One wedge of known depth and width at a known position angle moves a contact as it must, to 0.05 s.

    C2 and C3 have one each in the same terrain, far enough apart not to meet.
    """
    case = CASES[case]
    away_deg, width_deg, height_m = WEDGES[where]
    mean, looker = seen(case), Looker(case)
    kind = mean.kind
    wedges = {
        name: wedge(mean.contact(name).position_angle_deg + away_deg, width_deg, height_m)
        for name in (C2, C3)
    }
    terrain = moon_round_the_edge(
        looker.aspect(mean.contact(ContactName.MID).tt_ns),
        lambda angle_deg: wedges[C2](angle_deg) + wedges[C3](angle_deg),
    )
    for found in with_terrain(case, terrain).limb.contacts():
        contact = mean.contact(found.name)
        around_s = looker.seconds(contact.tt_ns)
        expected_s = contact_tt_s(looker, found.name, kind, wedges[found.name], around_s)
        assert found.shift_s == pytest.approx(expected_s - around_s, abs=0.05)
        if where == ("mountain on the contact" if kind is Kind.ANNULAR else "valley at the contact"):
            # Wide as it is: the mean limb of that radius.
            alike = seen(case, (RADIUS_KM + height_m / 1000) / EARTH_RADIUS_KM).contact(found.name)
            assert found.utc_ns / 1e9 == pytest.approx(alike.utc_ns / 1e9, abs=0.05)
            assert abs(found.shift_s) > 1
        if where == "valley too far away to matter":
            assert found.shift_s == pytest.approx(0, abs=0.01)


def rough(latitude_deg, longitude_deg):
    """Return hills of a few kilometres with no sharp edges (made up)."""
    x = np.cos(np.radians(latitude_deg)) * np.cos(np.radians(longitude_deg))
    y = np.cos(np.radians(latitude_deg)) * np.sin(np.radians(longitude_deg))
    z = np.sin(np.radians(latitude_deg)) * np.ones_like(y)
    return 900 * np.sin(31 * x + 17 * z) + 700 * np.sin(43 * y + 2) + 600 * np.sin(57 * z - 23 * y)


@pytest.mark.parametrize("case", [TOTAL, SHORT], ids=["2027", "2026"])
def test_raising_rough_terrain_lengthens_totality(case):
    """A tenth of a kilometre more everywhere, and totality grows by what a radius does, within 3 percent."""
    low = with_terrain(case, moon_of(rough)).limb
    high = with_terrain(case, moon_of(lambda a, b: rough(a, b) + 100.0)).limb
    grown = seen(case, (RADIUS_KM + 0.1) / EARTH_RADIUS_KM).duration_s - seen(case).duration_s
    assert high.c2.utc_ns < low.c2.utc_ns < low.c3.utc_ns < high.c3.utc_ns
    assert high.duration_s - low.duration_s == pytest.approx(grown, rel=0.03)


def test_no_light_in_totality_and_some_just_outside():
    """With rough terrain all is dark from C2 to C3, light is left 20 ms before and seen 20 ms after."""
    mean, looker = seen(TOTAL), Looker(TOTAL)
    limb = with_terrain(TOTAL, moon_of(rough)).limb
    for contact, profile, outwards in ((limb.c2, limb.profiles[0], -1), (limb.c3, limb.profiles[1], 1)):
        at_s = looker.seconds(mean.contact(contact.name).tt_ns) + contact.shift_s

        def brightest(tt_s, profile=profile):
            heights_m = profile.height_km * 1000
            return looker.light_arcsec(tt_s, profile.position_angle_deg, heights_m).max()

        assert brightest(at_s + outwards * 0.02) > 0
        assert all(brightest(at_s - outwards * step) < 0 for step in (0.02, 0.5, 5.0, 60.0))
        light = looker.light_arcsec(at_s, profile.position_angle_deg, profile.height_km * 1000)
        assert profile.position_angle_deg[light.argmax()] == pytest.approx(
            contact.position_angle_deg, abs=0.1
        )


def test_two_valleys_and_the_ridge_between_make_three_beads():
    """Ridge and trenches go out one after the other, each when its own light is gone.

    They part when the foot of the wall between them goes dark, which the ridge's height tells.
    """
    mean, looker = seen(TOTAL), Looker(TOTAL)
    contact = mean.contact(C2)
    centre = contact.position_angle_deg
    left, right = wedge(centre - 6, 5, -3500.0), wedge(centre + 7, 5, -2500.0)

    def edge(angle_deg):
        return np.minimum(left(angle_deg), right(angle_deg))

    terrain = moon_round_the_edge(looker.aspect(contact.tt_ns), edge)
    limb = with_terrain(TOTAL, terrain).limb
    around_s = looker.seconds(contact.tt_ns)

    def gone_s(heights, *angles_deg):
        angles = np.array(angles_deg) if angles_deg else None
        return contact_tt_s(looker, C2, Kind.TOTAL, heights, around_s, angles) - around_s

    flat = wedge(0, 0, 0)
    # Where, from when, until when: the walls of the trenches stand at -8.5, -3.5, 4.5 and 9.5 degrees.
    expected = [
        (centre, max(gone_s(flat, centre - 3.5), gone_s(flat, centre + 4.5)), 0.0),
        (centre + 4.5, gone_s(flat, centre + 4.5), gone_s(right)),
        (centre - 3.5, gone_s(flat, centre - 3.5), gone_s(left)),
    ]
    beads = sorted((bead for bead in limb.beads if bead.contact is C2), key=lambda bead: bead.ends_utc_ns)
    assert len(beads) == 3
    for bead, (angle_deg, start_s, end_s) in zip(beads, expected, strict=True):
        assert bead.position_angle_deg == pytest.approx(angle_deg, abs=0.3)
        assert (bead.starts_utc_ns - contact.utc_ns) / 1e9 == pytest.approx(start_s, abs=0.05)
        assert (bead.ends_utc_ns - contact.utc_ns) / 1e9 == pytest.approx(end_s, abs=0.05)
    assert beads[-1].ends_utc_ns == pytest.approx(limb.c2.utc_ns, abs=1e6)


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_beads_stand_before_c2_and_after_c3(case):
    """Every bead lies within 15 s on the bright side of its contact, in order, and lasts a fifth of a second."""
    limb = with_terrain(case, moon_of(rough)).limb
    assert {bead.contact for bead in limb.beads} == {C2, C3}
    assert list(limb.beads) == sorted(limb.beads, key=lambda bead: (bead.starts_utc_ns, bead.ends_utc_ns))
    for bead in limb.beads:
        assert bead.lasts_s >= 0.2
        if bead.contact is C2:
            assert limb.c2.utc_ns - BEADS_WITHIN_S * 1e9 <= bead.starts_utc_ns
            assert bead.ends_utc_ns <= limb.c2.utc_ns + 1e7
        else:
            assert limb.c3.utc_ns - 1e7 <= bead.starts_utc_ns
            assert bead.ends_utc_ns <= limb.c3.utc_ns + BEADS_WITHIN_S * 1e9


def test_a_trench_all_round_leaves_no_totality_near_a_limit():
    """Where totality is short, valleys deep enough leave light at every moment: no C2, no C3, and it is said."""
    site, date = Site(39.5, -7.5), dt.date(2026, 8, 12)
    near = Site(40.75, -4.0, 0)
    plain = seen((near, date), 0.272281)
    assert plain.kind is Kind.TOTAL
    assert plain.duration_s < 60
    found = with_terrain((near, date), sphere(-9000.0), 0.272281)
    assert (found.limb.c2, found.limb.c3, found.limb.duration_s, found.limb.beads) == (None, None, None, ())
    assert "never quite covered" in found.limb.note
    assert found.lunar_limb_utc_ns is None
    assert found.to_json_dict()["lunar_limb"]["contacts"] == []
    # And where there is no totality with the mean limb, none is looked for.
    assert with_terrain((site, date), sphere(), 0.272281).limb is None


def test_uncertainty_is_less_than_with_the_mean_limb_and_grows_with_the_pixel():
    """The limb leaves the Sun's radius as the largest doubt: half a second, and more on a coarser grid."""
    fine, coarse = with_terrain(TOTAL, moon_of(rough)), with_terrain(TOTAL, moon_of(rough, 2))
    assert 0.4 < fine.limb.uncertainty_s < coarse.limb.uncertainty_s < fine.uncertainty_s / 2


def test_json_carries_both_limbs():
    """The plain data has the mean contacts unchanged, the corrected ones beside them, and the terrain."""
    found = with_terrain(TOTAL, sphere(-1000.0))
    data, plain = found.to_json_dict(), seen(TOTAL).to_json_dict()
    assert data["contacts"] == plain["contacts"]
    assert plain["lunar_limb"] is None
    limb = data["lunar_limb"]
    assert [contact["name"] for contact in limb["contacts"]] == ["C2", "C3"]
    assert limb["contacts"][0]["mean_utc"] == data["contacts"][1]["utc"]
    assert limb["duration_s"] == pytest.approx(found.limb.duration_s, abs=1e-3)
    assert limb["terrain"]["pixels_per_degree"] == 4


def test_the_profile_may_stand_still_around_a_contact():
    """A minute before the contact the edge is the same to 60 m where hills are smooth: 0.03 arcseconds."""
    looker, contact = Looker(TOTAL), seen(TOTAL).contact(C2)
    terrain = moon_of(rough)
    at, before = (limb_profile(terrain, looker.aspect(contact.tt_ns - s * 10**9)) for s in (0, 60))
    assert 0 < np.abs(at.height_km - before.height_km).max() < 0.06
