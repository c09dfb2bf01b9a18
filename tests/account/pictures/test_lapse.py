"""Time-lapses: even spacing with its gaps named, and the Sun's centre found on rendered pictures."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.account.pictures.lapse import evenly_spaced, find_sun, lapse_rows, lapses
from controller.account.pictures.taken import Taken, green_codes, linear
from controller.light.rendering import Framing
from controller.light.scene import made_up_limb
from controller.timeline.model import Settings
from controller.units import ContactName, FilterState, seconds_to_ns
from tests.account.pictures import made_up

FILTERED = Settings(exposure_s=1 / 500, f_number=8.0, iso=100)
WIDTH, HEIGHT, SCALE = 360, 260, 9.0


def taken_at(seconds: float, number: int = 0, path: Path = Path("none.jpg")) -> Taken:
    """A filtered picture of a repeating shot."""
    opened = made_up.MID_NS + seconds_to_ns(seconds)
    one = made_up.frame(
        number, opened, FILTERED, phase="partial in", shot="crescent", take=number + 1, need=FilterState.ON
    )
    return Taken(frame=one, path=path, opened_utc_ns=opened, settings=FILTERED)


def shown(
    path: Path, seconds: float, right: float, down: float, *, clouds: float = 0.0, limb: int = 7
) -> None:
    """A rendered picture behind a filter with the Sun off the middle."""
    framing = Framing(
        arcsec_per_px=SCALE,
        width_px=WIDTH,
        height_px=HEIGHT,
        sun_right_px=right,
        sun_down_px=down,
        up_deg=25.0,
    )
    opened = made_up.MID_NS + seconds_to_ns(seconds)
    made_up.picture(
        path, opened, FILTERED, framing=framing, limb=made_up_limb(limb), seed=int(seconds) % 1000, density=5.0,
        cloud_stops=clouds,
    )  # fmt: skip


def test_an_even_row_is_taken_whole() -> None:
    """Pictures every minute, each up to a second off, are all chosen, and the step is that minute."""
    drawn = random.Random(1)
    row = [taken_at(60.0 * k + drawn.uniform(-1, 1), k) for k in range(60)]
    spacing = evenly_spaced(row)
    assert spacing.step_s == pytest.approx(60.0, abs=0.05)
    assert (len(spacing.chosen), spacing.gaps) == (60, ())
    assert spacing.worst_off_s < 2.2


def test_gaps_are_named_and_doubles_left_out() -> None:
    """Where pictures are lacking the gap is named with its places; of two at one place the nearer is taken."""
    row = [taken_at(60.0 * k, k) for k in range(20) if k not in (5, 11, 12)]
    extra = [taken_at(60.0 * 3 + 2.0, 30), taken_at(60.0 * 8 + 31.0, 31)]
    spacing = evenly_spaced([*row, *extra])
    assert [one.frame.take for one in spacing.chosen] == [one.frame.take for one in row]
    begins = row[0].opened_utc_ns
    named = [
        (round((gap.from_utc_ns - begins) / 1e9), round((gap.until_utc_ns - begins) / 1e9), gap.places)
        for gap in spacing.gaps
    ]
    assert named == [(300, 300, 1), (660, 720, 2)]


@given(
    st.lists(st.floats(0, 5000), min_size=2, max_size=60, unique_by=round),
    st.one_of(st.none(), st.floats(1, 300)),
)
def test_whatever_is_chosen_is_even(seconds: list[float], step_s: float | None) -> None:
    """However uneven the pictures: those chosen lie on even places within the tolerance, one on each, and no more."""
    spacing = evenly_spaced([taken_at(one, k) for k, one in enumerate(seconds)], step_s=step_s)
    times = np.array([one.opened_utc_ns for one in spacing.chosen]) / 1e9
    places = np.round((times - times[0]) / spacing.step_s)
    assert (np.diff(places) >= 1).all()
    off = times - times[0] - places * spacing.step_s
    assert off.max() - off.min() <= 2 * spacing.tolerance_s + 1e-4
    assert spacing.worst_off_s <= spacing.tolerance_s + 1e-6
    assert int(places[-1]) + 1 == len(spacing.chosen) + sum(gap.places for gap in spacing.gaps)


def test_whole_disk_lies_where_its_light_lies(tmp_path: Path) -> None:
    """Without a bite the circle's centre is the centroid of the light, found another way, to 0.05 pixels."""
    path = tmp_path / "disk.jpg"
    shown(path, -4790.0, 14.3, -9.8)
    levels = linear(green_codes(path)).astype(float)
    levels[levels < 0.05] = 0.0
    rows, columns = np.mgrid[: levels.shape[0], : levels.shape[1]]
    sun = find_sun(path)
    assert sun is not None
    assert sun.right_px == pytest.approx((levels * columns).sum() / levels.sum(), abs=0.05)
    assert sun.down_px == pytest.approx((levels * rows).sum() / levels.sum(), abs=0.05)
    assert sun.radius_px == pytest.approx(made_up.SUN_ARCSEC / SCALE, abs=0.3)


def test_the_moons_bite_does_not_pull_the_centre(tmp_path: Path) -> None:
    """With half of the Sun covered its centre is found to 0.1 pixels, where the light's own is ten and more off."""
    path = tmp_path / "half.jpg"
    shown(path, -2000.0, -20.0, 11.0)
    levels = linear(green_codes(path)).astype(float)
    columns = np.arange(WIDTH)[None, :]
    sun = find_sun(path)
    assert sun is not None
    true = (WIDTH - 1) / 2 - 20.0
    assert abs((levels * columns).sum() / levels.sum() - true) > 10
    assert sun.right_px == pytest.approx(true, abs=0.1)
    assert sun.down_px == pytest.approx((HEIGHT - 1) / 2 + 11.0, abs=0.1)


@pytest.mark.parametrize("turned_deg", range(0, 360, 45))
def test_the_moons_edge_is_never_taken_for_the_suns(tmp_path: Path, turned_deg: int) -> None:
    """Where the frame cuts off most of the Sun's own edge, what is left of it counts, or nothing: never the bite's."""
    path = tmp_path / "cut.jpg"
    right = 190.0 * math.cos(math.radians(turned_deg))
    down = 150.0 * math.sin(math.radians(turned_deg))
    shown(path, -1200.0, right, down)
    sun = find_sun(path)
    if sun is not None:
        off = math.hypot(sun.right_px - (WIDTH - 1) / 2 - right, sun.down_px - (HEIGHT - 1) / 2 - down)
        assert off < max(0.5, 4 * sun.uncertainty_px)


def test_drift_is_measured_down_to_thin_crescents(tmp_path: Path) -> None:
    """On a drifting Sun, whole to a crescent of three pixels, each centre and the drift come back, with their spread."""
    taken, true = [], []
    for number, seconds in enumerate([*range(-4700, -200, 300), -260]):
        right, down = 0.01 * seconds + 25.0, -0.004 * seconds - 10.0
        path = tmp_path / f"HF_{number:04d}.JPG"
        shown(path, float(seconds), right, down)
        taken.append(taken_at(float(seconds), number, path))
        true.append(((WIDTH - 1) / 2 + right, (HEIGHT - 1) / 2 + down))
    (made,) = lapses(made_up.timeline(tuple(one.frame for one in taken)), taken)
    chosen = [taken.index(one) for one in made.spacing.chosen]
    assert len(chosen) >= 15
    for number, sun in zip(chosen, made.suns, strict=True):
        assert sun is not None
        off = np.hypot(sun.right_px - true[number][0], sun.down_px - true[number][1])
        assert off < max(0.2, 3 * sun.uncertainty_px)
    drift = made.drift
    assert drift is not None
    assert drift.right_px_per_min == pytest.approx(0.6, abs=0.01)
    assert drift.down_px_per_min == pytest.approx(-0.24, abs=0.01)
    assert drift.off_line_px < 0.2
    assert drift.farthest_px == pytest.approx(
        np.hypot(*np.subtract(true[chosen[-1]], true[chosen[0]])), abs=0.5
    )


def test_thinnest_crescent_is_measured_with_the_others_radius(tmp_path: Path) -> None:
    """A crescent of three pixels alone misses the centre by more than with the radius that the others have."""
    path = tmp_path / "thin.jpg"
    shown(path, -230.0, 0.0, 0.0)
    alone = find_sun(path)
    taken = []
    for number, seconds in enumerate([-830.0, -710.0, -590.0, -470.0, -350.0, -230.0]):
        taken.append(taken_at(seconds, number, tmp_path / f"{number}.jpg"))
        shown(taken[-1].path, seconds, 0.0, 0.0)
    (made,) = lapses(made_up.timeline(tuple(one.frame for one in taken)), taken)
    last = made.suns[-1]
    assert alone is not None
    assert last is not None
    middle = ((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    missed = [float(np.hypot(sun.right_px - middle[0], sun.down_px - middle[1])) for sun in (alone, last)]
    assert missed[1] < 0.3 < missed[0]


def test_clouds_leave_empty_cells(tmp_path: Path) -> None:
    """A picture without an edge has none invented: its cells are empty, and the sentence counts it."""
    taken = []
    for number in range(6):
        path = tmp_path / f"HF_{number:04d}.JPG"
        seconds = -3000.0 + 60 * number
        shown(path, seconds, 0.0, 0.0, clouds=12.0 if number == 2 else 0.0)
        taken.append(taken_at(seconds, number, path))
    taken[4].path.write_bytes(b"no picture")
    (made,) = lapses(made_up.timeline(tuple(one.frame for one in taken)), taken)
    assert [sun is None for sun in made.suns] == [False, False, True, False, True, False]
    assert lapse_rows(made)[2][2:] == ("",) * 5
    assert any("In 2 of them no edge" in line for line in made.words())


def test_unfiltered_and_rare_shots_are_no_time_lapse(tmp_path: Path) -> None:
    """Four pictures, or any number without the filter, make none."""
    few = [taken_at(60.0 * k, k) for k in range(4)]
    assert lapses(made_up.timeline(tuple(one.frame for one in few)), few) == []
    bare = made_up.series(
        tmp_path, ContactName.C2, 1, limb=made_up_limb(1), cadence_s=2.0, exposures_s=[1 / 4000]
    )
    assert lapses(made_up.timeline(), bare) == []
