"""Aiming cues and warnings of what the frame does not hold, on made-up days with a textbook Sun."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.gear.drift import SOLAR_ARCSEC_S, SunSeen, clearance_px
from controller.plan.loading import load_plan_text
from controller.plan.sensors import field_of
from controller.timeline.compile import Compiled, SiteContacts
from controller.timeline.framing import rounded_down
from controller.timeline.taking_off import takes_off
from controller.units import ContactName, FilterState
from tests.gear.skies import circling
from tests.timeline.building import DAY_NS, changed, compiled, contacts

OPTICS = "      focal_length: 600 mm\n      aperture: f/8\n    filter:\n"
MORNING = circling(25.9, 17.8, -60.0, rate_arcsec_s=SOLAR_ARCSEC_S, radius_arcsec=946.0)


def with_sensor(focal_mm: float = 400, *, more: str = "", rig: str = "", sensor: str = "APS-C 26 MP") -> str:
    """The base plan with a sensor, another lens, and more keys of its optics or its rig."""
    optics = (
        f"      focal_length: {focal_mm:g} mm\n      aperture: f/8\n      sensor: {sensor}\n{more}    {rig}\n"
    )
    return changed((OPTICS, f"{optics.rstrip()}\n    filter:\n"))


def under(sun: SunSeen | None, site: SiteContacts | None = None) -> SiteContacts:
    """Contacts of the made-up day with a Sun."""
    return replace(site or contacts(), sun=sun)


def aimings(day: Compiled) -> list[tuple[float, str]]:
    """Second of the day and words of each aiming cue."""
    return [
        ((cue.at_utc_ns - DAY_NS) / 1e9, cue.say)
        for cue in day.timeline.cues
        if cue.cue_id.startswith("aim/")
    ]


def said(day: Compiled) -> str:
    """The warnings as they are printed."""
    return "\n".join(fault.text("plan.yaml") for fault in day.warnings)


def test_without_a_sensor_nothing_is_said() -> None:
    """A plan that does not say its sensor has no aiming cues and no warnings, Sun or no Sun."""
    day = compiled(site=under(MORNING))
    assert aimings(day) == []
    assert day.warnings == ()
    assert day.aims == {}


def test_without_a_sun_nothing_is_aimed() -> None:
    """Where the Sun's way was not computed there are no aiming cues."""
    assert aimings(compiled(with_sensor())) == []


def test_a_tracking_mount_aims_itself() -> None:
    """On a tracking mount there is nothing to aim, and nothing trails."""
    day = compiled(with_sensor(rig="mount: tracking"), under(MORNING))
    assert aimings(day) == []
    assert day.warnings == ()


def test_a_fixed_rig_is_told_when_to_aim_and_where_to_put_the_sun() -> None:
    """Long lens, morning Sun: first aiming a minute ahead, the last one well before the filter, then after it."""
    day = compiled(with_sensor(300), under(MORNING))
    cues = aimings(day)
    assert cues[0] == (
        -60.0,
        "Rig long. Aim, with the filter on. Put the Sun a sixteenth of the frame left of the centre, a third below it",
    )
    last = next(cue for cue in cues if "Last aiming" in cue[1])
    assert 3600 - 20 - 400 < last[0] <= 3600 - 20 - 120
    assert last[1].startswith("Rig long. Last aiming before totality, with the filter on. Put the Sun ")
    assert last[1].endswith(". Then touch it no more")
    after = cues[cues.index(last) + 1] if last is not cues[-1] else None
    assert after is None or (after[0] >= 3860 and "once the filter is on" in after[1])
    assert "corona" in said(day)


def test_the_sun_is_in_the_frame_of_every_picture() -> None:
    """At each frame of the day the whole Sun is inside the frame as it was last aimed."""
    text = with_sensor(300)
    day = compiled(text, under(MORNING))
    field = field_of(load_plan_text(text, "plan.yaml").plan.rigs[0])
    assert field is not None
    checked = 0
    for frame in day.timeline.frames:
        if frame.rig != "long":
            continue
        stand = next(s for s in reversed(day.aims["long"].stands) if s.from_ns <= frame.due_utc_ns)
        assert clearance_px(field, MORNING, stand.aim, np.array([frame.due_utc_ns]))[0] > 0, frame.frame_id
        checked += 1
    assert checked > 100


@settings(max_examples=40)
@given(
    focal_mm=st.sampled_from((24, 50, 135, 200, 300, 400, 600, 1000)),
    hour_angle=st.floats(-80, 40),
    latitude=st.floats(-55, 55),
    long_side=st.sampled_from(("level", "upright")),
    kind=st.sampled_from(("total",)),
    name=st.sampled_from(("long", "filter off", "take away")),
)
def test_no_word_to_aim_while_the_filter_may_be_off(
    focal_mm: int, hour_angle: float, latitude: float, long_side: str, kind: str, name: str
) -> None:
    """HF-S13: no aiming cue comes from the earliest filter off until it is to be back on, and none bares anything."""
    text = with_sensor(focal_mm, more=f"      long_side: {long_side}\n")
    text = text.replace("name: long", f"name: {name}").replace("[long]", f"[{name}]")
    sun = circling(latitude, 10.0, hour_angle, rate_arcsec_s=SOLAR_ARCSEC_S)
    day = compiled(text, under(sun, contacts(kind)))
    timeline = day.timeline
    assert timeline.unfiltered_from_utc_ns is not None
    assert timeline.unfiltered_until_utc_ns is not None
    for cue in timeline.cues:
        if not cue.cue_id.startswith("aim/"):
            continue
        inside = timeline.unfiltered_from_utc_ns <= cue.at_utc_ns <= timeline.unfiltered_until_utc_ns
        assert not inside, cue.say
        assert takes_off(cue.say) is None
        assert "filter" in cue.say
        assert cue.rig == name


def test_in_an_annular_eclipse_the_ring_is_left_alone_where_it_fits() -> None:
    """The last aiming before the ring is named so, and every aiming has the filter on."""
    text = with_sensor(300).replace("filter: off", "filter: on")
    text = text.replace(
        "holds:\n  filter_off_earliest: 20 s before C2\n  filter_on_latest: 20 s after C3\n", ""
    )
    cues = aimings(compiled(text, under(MORNING, contacts("annular"))))
    assert sum("Last aiming before the ring, with the filter on" in words for _, words in cues) == 1
    assert all("with the filter on" in words for _, words in cues)


def test_a_trail_is_told_with_its_length() -> None:
    """A second at 400 mm trails by 7.6 px: 15 arcseconds times cos 17.8 degrees over 1.94 a pixel."""
    pixels = 15 * np.cos(np.radians(17.8)) / (206264.8 * 23.5 / 6240 / 400)
    words = said(compiled(with_sensor(400), under(MORNING)))
    assert f'1 s of "corona" trails by {pixels:.1f} px on the fixed tripod of rig "long"' in words
    assert "for 2 px take 1/4 s at most" in words
    assert words.count("trails by") == 2  # of both brackets; the short exposures do not


def test_a_cut_corona_is_told_at_the_focal_length() -> None:
    """At 1000 mm, half of 15.6 mm is 1.7 solar radii from the Sun's centre."""
    words = said(compiled(with_sensor(1000, rig="mount: tracking"), under(MORNING)))
    assert words == (
        'plan.yaml:18:21: warning: The frame of rig "long" takes in 1.7 solar radii of corona to its nearest edge and '
        "3.1 to its corners, counted from the Sun's centre. Mend: use a shorter focal length or a larger sensor, or "
        "accept that the corona is cut."
    )


def test_where_no_aiming_serves_it_is_told() -> None:
    """Four minutes of totality with an 1000 mm lens on a fixed tripod: the Sun is lost, and by how much is said."""
    words = said(compiled(with_sensor(1000, rig="mount: fixed"), under(MORNING)))
    assert 'On the fixed tripod of rig "long" the Sun leaves the frame ' in words
    assert "before the filter is back on. Mend: use a tracking mount, or a shorter focal length." in words
    line = next(line for line in words.splitlines() if "leaves the frame" in line)
    assert line.startswith("plan.yaml:21:12: warning:")


def test_the_other_way_of_holding_the_camera_is_proposed_where_it_serves() -> None:
    """Where the Sun climbs steeply the long side belongs upright, and the mend says so."""
    rising = circling(0.0, 10.0, -60.0, rate_arcsec_s=SOLAR_ARCSEC_S)
    texts = {side: with_sensor(550, more=f"      long_side: {side}\n") for side in ("level", "upright")}
    assert "(long_side: upright)" in said(compiled(texts["level"], under(rising)))
    assert "leaves the frame" not in said(compiled(texts["upright"], under(rising)))


@pytest.mark.parametrize(
    ("battery", "warned"),
    [("", False), ("5 Wh", True), ("mains", False), ("40 Wh", False)],
    ids=["typical", "small", "mains", "large"],
)
def test_a_battery_that_does_not_last_is_told(battery: str, warned: bool) -> None:
    """Two hours and more at 2.2 W empty 5 Wh; a typical battery lasts, and mains are never empty."""
    text = with_sensor(200)
    if battery:
        text = text.replace(
            "      card_frames: 2000\n", f"      card_frames: 2000\n      battery: {battery}\n"
        )
    words = said(compiled(text, under(None)))
    assert ("of a 5 Wh battery" in words) == warned
    assert words.startswith("plan.yaml:17:16: warning: The day takes ") == warned


def test_exposures_are_rounded_down() -> None:
    """A limit printed is never above the limit."""
    assert [rounded_down(value) for value in (0.00967, 0.0968, 0.1935, 0.387, 9.99, 17.9)] == [
        "1/104 s", "1/11 s", "1/6 s", "0.3 s", "9.9 s", "17 s",
    ]  # fmt: skip


def test_aiming_moves_no_frame_and_no_hold() -> None:
    """With and without the sensor the day has the same frames, holds and phases; only cues are added."""
    bare = compiled(changed(("focal_length: 600 mm", "focal_length: 300 mm"))).timeline
    aimed = compiled(with_sensor(300), under(MORNING)).timeline
    assert aimed.frames == bare.frames
    assert aimed.holds == bare.holds
    assert [cue for cue in aimed.cues if not cue.cue_id.startswith("aim/")] == list(bare.cues)
    assert list(aimed.cues) == sorted(aimed.cues, key=lambda cue: (cue.at_utc_ns, cue.cue_id))
    assert any(phase.filter_need is FilterState.OFF for phase in aimed.phases)
    assert ContactName.C2 in aimed.contacts_utc_ns
