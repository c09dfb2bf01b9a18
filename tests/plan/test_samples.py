"""The sample plans: they load, their eclipses are real at their sites, their exposures follow the guide."""

import math
from pathlib import Path

import astronomy
import pytest

from controller.light.stops import stops_between
from controller.plan.brackets import take_exposures
from controller.plan.loading import load_plan
from controller.units import FilterState, Wanted

FOLDER = Path(__file__).parents[2] / "sample_plans"
PATHS = sorted(FOLDER.glob("*.yaml"))

KINDS = {
    "total_2027": astronomy.EclipseKind.Total,
    "fixed_tripod_2028": astronomy.EclipseKind.Total,
    "two_rigs_2026": astronomy.EclipseKind.Total,
    "annular_2028": astronomy.EclipseKind.Annular,
    "partial_2027": astronomy.EclipseKind.Partial,
}

# Brightness exponents Q of F. Espenak's exposure guide, t = f^2 / (I * 2^Q), NASA RP-1369, Table 16.
GUIDE_Q = {
    "beads": 12,
    "chromosphere": 11,
    "prominences": 9,
    "diamond ring": 5,
    "earthshine": -3,  # as for the corona at 8 solar radii, the faintest row of the table
    "crescent": 8,  # partial phases behind density 5.0
    "ring": 8,  # annular phase behind density 5.0
    "sequence": 8,
}


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_samples_load_without_a_warning(path):
    """A beginner's first plan gives no fault of any kind, and has something that must be taken."""
    loaded = load_plan(path)
    assert loaded.warnings == ()
    assert any(shot.wanted is Wanted.MUST for phase in loaded.plan.phases for shot in phase.shots)
    assert all(rig.camera.driver == "simulated" for rig in loaded.plan.rigs)


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_samples_begin_with_a_caution(path):
    """Each sample warns of eye injury before its first key and defers to makers and eye-care professionals."""
    head = " ".join(path.read_text(encoding="utf-8").split("holdfire_plan")[0].replace("#", " ").split())
    assert "CAUTION" in head
    assert "injures the eyes" in head
    assert "its maker" in head
    assert "eye-care professionals" in head


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_sample_sites_see_their_eclipse(path):
    """An independent library (astronomy-engine) finds the eclipse named, at the site, on the day."""
    plan = load_plan(path).plan
    site = astronomy.Observer(plan.site.latitude, plan.site.longitude, plan.site.elevation)
    day = plan.eclipse
    eclipse = astronomy.SearchLocalSolarEclipse(
        astronomy.Time.Make(day.year, day.month, day.day, 0, 0, 0), site
    )
    assert str(eclipse.peak.time)[:10] == day.isoformat()
    assert eclipse.kind is KINDS[path.stem]
    assert eclipse.peak.altitude > 5
    unfiltered = any(phase.filter is FilterState.OFF for phase in plan.phases)
    assert unfiltered == (eclipse.kind is astronomy.EclipseKind.Total)


def test_one_sample_stands_on_a_fixed_tripod():
    """A long lens that does not follow the Sun, with its sensor, so that drift and aiming are computed."""
    rig = load_plan(FOLDER / "fixed_tripod_2028.yaml").plan.rigs[0]
    assert rig.mount == "fixed"
    assert rig.optics.focal_length >= 300
    assert rig.optics.sensor is not None


def test_every_kind_of_eclipse_has_a_sample():
    """The samples are exactly those whose kind is checked here."""
    assert {path.stem for path in PATHS} == KINDS.keys()


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_sample_exposures_follow_the_guide(path):
    """The shortest exposure of each named phenomenon lies within 1.2 stops of the published guide.

    RP-1369's table is itself rounded to whole stops; density 5.0 and Q as in `GUIDE_Q`.
    """
    plan = load_plan(path).plan
    rig = plan.rigs[0]
    checked = 0
    for phase in plan.phases:
        for shot in phase.shots:
            word = next((word for word in GUIDE_Q if word in shot.name), None)
            if word is None:
                continue
            f_number = (shot.aperture or rig.optics.aperture) * rig.optics.teleconverter
            guide_s = f_number**2 / ((shot.iso or rig.iso) * 2.0 ** GUIDE_Q[word])
            assert abs(stops_between(guide_s, min(take_exposures(shot)))) < 1.2, (shot.name, guide_s)
            checked += 1
    assert checked


@pytest.mark.parametrize("name", ["total_2027", "two_rigs_2026"])
def test_sample_corona_brackets_span_the_guide(name):
    """The corona brackets reach from about Q 9 (prominences) to Q 0 (two solar radii), within a stop."""
    plan = load_plan(FOLDER / f"{name}.yaml").plan
    rig = plan.rigs[0]
    f_number = rig.optics.aperture * rig.optics.teleconverter
    brackets = [
        take_exposures(shot)
        for phase in plan.phases
        for shot in phase.shots
        if shot.name.startswith("corona")
    ]
    assert brackets
    for exposures in brackets:
        reached = [math.log2(f_number**2 / (rig.iso * exposure)) for exposure in (exposures[0], exposures[1])]
        assert reached[0] == pytest.approx(8.5, abs=1.2)
        assert reached[1] == pytest.approx(-0.7, abs=1.2)
