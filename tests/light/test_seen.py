"""What a picture says about the word on the filter, on rendered pictures of a day of our own."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace

import pytest

from controller.light.rendering import developed, jpeg, seen_through
from controller.light.sampling import scene_of
from controller.light.scene import Outlook, made_up_limb
from controller.light.seen import DOUBT_STOPS, Judgement, Verdict, judge
from controller.sky import Circumstances, Site, circumstances
from controller.units import NS_PER_S, ContactName

FILTERED = {"exposure_s": 1 / 500, "f_number": 8.0, "iso": 100}
LONG = {"exposure_s": 1.0, "f_number": 8.0, "iso": 100}
SHORT = {"exposure_s": 1 / 2000, "f_number": 8.0, "iso": 100}


@pytest.fixture(scope="module")
def sky() -> Circumstances:
    """A total eclipse high in the sky."""
    return circumstances(Site(25.6872, 32.6396, 80.0), dt.date(2027, 8, 2))


@pytest.fixture(scope="module", params=[400.0, 1200.0], ids=["400 mm", "1200 mm"])
def outlook(request: pytest.FixtureRequest, sky: Circumstances) -> Outlook:
    """A rig with a sensor of 36 by 24 mm."""
    return Outlook(
        scene=scene_of(sky),
        field_arcsec=(36 / request.param * 206_265, 24 / request.param * 206_265),
        filter_density=5.0,
        limb=made_up_limb(4),
    )


def seen(
    outlook: Outlook, utc_ns: int, said_on: bool, is_on: bool, cloud_stops: float = 0.0, **shot: float
) -> Judgement:
    """Render a frame with the filter as it is, and judge it by the word."""
    image = seen_through(outlook, utc_ns, filter_on=is_on, cloud_stops=cloud_stops, **shot)  # type: ignore[arg-type]
    return judge(jpeg(developed(image)), outlook, utc_ns, said_on=said_on, **shot)


def at(sky: Circumstances, name: ContactName, plus_s: float = 0.0) -> int:
    """An instant by its contact."""
    return sky.contacts_utc_ns[name] + round(plus_s * NS_PER_S)


@pytest.mark.parametrize("after_c1_s", [-900, 60, 1800, 3600])
def test_filter_that_is_on_agrees(sky: Circumstances, outlook: Outlook, after_c1_s: float) -> None:
    """From the whole disk to a narrow crescent a filtered picture agrees with "on", within a stop of the model."""
    got = seen(outlook, at(sky, ContactName.C1, after_c1_s), True, True, **FILTERED)
    assert got.verdict is Verdict.AGREES
    assert abs(got.stops) < 1
    assert not got.at_least


@pytest.mark.parametrize("contact", [ContactName.C2, ContactName.C3])
def test_contacts_that_are_seconds_off_raise_no_alarm(
    sky: Circumstances, outlook: Outlook, contact: ContactName
) -> None:
    """Another limb than the model's, and a clock or contacts 3 s off either way: an honest "off" is never doubted."""
    real = replace(outlook, limb=made_up_limb(1))
    for seconds, exposure_s in itertools.product((-5, -2, -0.5, 0.5, 2, 5), (1 / 4000, 1 / 500, 1 / 30)):
        instant = at(sky, contact, seconds)
        shot = {"exposure_s": exposure_s, "f_number": 8.0, "iso": 100}
        picture = jpeg(developed(seen_through(real, instant, filter_on=False, **shot)))  # type: ignore[arg-type]
        for off_s in (-3, 0, 3):
            got = judge(picture, outlook, instant + off_s * NS_PER_S, said_on=False, **shot)
            assert got.verdict is not Verdict.CONTRADICTS, (seconds, exposure_s, off_s, got)


@pytest.mark.parametrize("cloud_stops", [0.0, 3.0, 6.0])
@pytest.mark.parametrize("after_c1_s", [-900, 1800, 4000])
def test_bare_sun_contradicts_on(
    sky: Circumstances, outlook: Outlook, after_c1_s: float, cloud_stops: float
) -> None:
    """With the filter off a filtered phase clips, also behind thin cloud: that contradicts "on"."""
    got = seen(outlook, at(sky, ContactName.C1, after_c1_s), True, False, cloud_stops, **FILTERED)
    assert got.verdict is Verdict.CONTRADICTS
    assert got.at_least
    assert got.stops > 1


def test_disk_that_the_plan_lets_clip_is_no_doubt(sky: Circumstances, outlook: Outlook) -> None:
    """A filtered disk exposed five stops too long clips honestly; with the filter off the same frame contradicts."""
    over = {**FILTERED, "exposure_s": 1 / 15}
    instant = at(sky, ContactName.C1, 1800)
    assert seen(outlook, instant, True, True, **over).verdict is not Verdict.CONTRADICTS
    assert seen(outlook, instant, True, False, **over).verdict is Verdict.CONTRADICTS


@pytest.mark.parametrize("stops_thin", [-1.0, 1.0])
def test_filter_off_its_label_is_no_doubt(sky: Circumstances, outlook: Outlook, stops_thin: float) -> None:
    """A filter that is a stop thinner or denser than its label agrees (0.3 in density is a stop)."""
    real = replace(outlook, filter_density=5.0 - 0.301 * stops_thin)
    instant = at(sky, ContactName.C1, 1800)
    image = seen_through(real, instant, filter_on=True, **FILTERED)  # type: ignore[arg-type]
    got = judge(jpeg(developed(image)), outlook, instant, said_on=True, **FILTERED)
    assert got.verdict is Verdict.AGREES
    assert got.stops == pytest.approx(stops_thin, abs=0.4) or got.at_least


@pytest.mark.parametrize("cloud_stops", [8.0, 14.0, 40.0])
def test_dark_in_a_filtered_phase_cannot_tell(
    sky: Circumstances, outlook: Outlook, cloud_stops: float
) -> None:
    """A sudden black with the filter on may be a cloud: no alarm."""
    got = seen(outlook, at(sky, ContactName.C1, 1800), True, True, cloud_stops, **FILTERED)
    assert got.verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize("after_c2_s", [-10.0, -3.0, 0.0, 1.0, 60.0, 180.0])
@pytest.mark.parametrize("shot", [LONG, SHORT, {**SHORT, "exposure_s": 1 / 30}])
def test_filter_that_is_off_agrees(
    sky: Circumstances, outlook: Outlook, after_c2_s: float, shot: dict[str, float]
) -> None:
    """From the last crescent through beads to totality a bare picture does not contradict "off"; most agree."""
    got = seen(outlook, at(sky, ContactName.C2, after_c2_s), False, False, **shot)
    assert got.verdict is Verdict.AGREES


def test_filter_left_on_in_totality_contradicts_off(sky: Circumstances, outlook: Outlook) -> None:
    """A long exposure is black behind the filter, more than ten stops off; a short one cannot tell."""
    instant = at(sky, ContactName.C2, 60.0)
    got = seen(outlook, instant, False, True, **LONG)
    assert got.verdict is Verdict.CONTRADICTS
    assert got.at_least
    assert got.stops < -DOUBT_STOPS
    assert seen(outlook, instant, False, True, **SHORT).verdict is Verdict.CANNOT_TELL


def test_filter_left_on_before_totality_contradicts_off(sky: Circumstances, outlook: Outlook) -> None:
    """The last crescent through the filter is seen for what it is, sixteen stops under the bare one."""
    shot = {**LONG, "exposure_s": 1 / 50}
    got = seen(outlook, at(sky, ContactName.C2, -15.0), False, True, **shot)
    assert got.verdict is Verdict.CONTRADICTS
    assert got.stops == pytest.approx(-5.0 * 3.3219, abs=1.5)


@pytest.mark.parametrize("cloud_stops", [3.0, 8.0, 14.0, 40.0])
@pytest.mark.parametrize(
    "shot", [LONG, SHORT, {**SHORT, "exposure_s": 1 / 30}, {**LONG, "exposure_s": 1 / 4}]
)
def test_clouds_in_totality_raise_no_alarm(
    sky: Circumstances, outlook: Outlook, cloud_stops: float, shot: dict[str, float]
) -> None:
    """Clouds that hide the corona, even wholly, still glow: never does that contradict "off"."""
    for after_c2_s in (-15.0, 0.0, 60.0, 200.0):
        got = seen(outlook, at(sky, ContactName.C2, after_c2_s), False, False, cloud_stops, **shot)
        assert got.verdict is not Verdict.CONTRADICTS


def test_where_the_sun_stands_in_the_picture_is_no_matter(sky: Circumstances, outlook: Outlook) -> None:
    """A picture turned upside down, mirrored and cut a little is judged the same."""
    import numpy as np

    instant = at(sky, ContactName.C1, 1800)
    image = developed(seen_through(outlook, instant, filter_on=True, **FILTERED))  # type: ignore[arg-type]
    moved = np.roll(image[::-1, ::-1], (40, 60), axis=(0, 1))
    assert judge(jpeg(moved), outlook, instant, said_on=True, **FILTERED).verdict is Verdict.AGREES


def test_what_is_no_picture_is_told(sky: Circumstances, outlook: Outlook) -> None:
    """Bytes that are no picture, or half of one, raise one clear error."""
    whole = jpeg(developed(seen_through(outlook, at(sky, ContactName.C1), filter_on=True, **FILTERED)))  # type: ignore[arg-type]
    for broken in (b"", b"\xff\xd8 no picture", whole[: len(whole) // 3]):
        with pytest.raises(ValueError, match="cannot be read"):
            judge(broken, outlook, at(sky, ContactName.C1), said_on=True, **FILTERED)
