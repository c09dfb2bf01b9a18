"""Bracket sets: in order of exposure, what is lacking named, both ends judged from the pictures."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from controller.account.model import FrameAccount, FrameEnd
from controller.account.pictures.sets import BracketSet, bracket_sets
from controller.account.pictures.taken import Taken, open_picture
from controller.light.rendering import Framing
from controller.light.scene import made_up_limb
from controller.timeline.model import Settings
from controller.units import ContactName, FilterState, seconds_to_ns
from tests.account.pictures import made_up

FRAMING = Framing(arcsec_per_px=12.0)
WHOLE = (1 / 60, 1 / 1000, 1.0, 1 / 250, 1 / 4, 1 / 15)
"""In the order of firing, not of exposure."""


def judged(
    folder: Path, exposures_s: tuple[float, ...], *, lost: tuple[int, ...] = (), missed: tuple[int, ...] = (),
    starts_s: float = -20.0, need: FilterState = FilterState.OFF, density: float | None = None,
    cloud_stops: float = 0.0, framing: Framing = FRAMING,
) -> BracketSet:  # fmt: skip
    """One set, fired from an instant after mid-eclipse on, some of its files lost, some frames missed."""
    frames, taken = [], []
    for number, exposure_s in enumerate(exposures_s):
        settings = Settings(exposure_s=exposure_s, f_number=8.0, iso=100)
        opened = made_up.MID_NS + seconds_to_ns(starts_s + 3 * number)
        one = made_up.frame(number, opened, settings, shot="corona", step=number + 1, need=need)
        fired = number not in missed
        frames.append(
            FrameAccount(
                frame=one, due_utc_ns=one.due_utc_ns, end=FrameEnd.FIRED if fired else FrameEnd.MISSED,
                reason="" if fired else "held", released_utc_ns=opened if fired else None,
            )
        )  # fmt: skip
        if fired and number not in lost:
            path = folder / f"HF_{number:04d}.JPG"
            made_up.picture(
                path, opened, settings, framing=framing, density=density, seed=number, cloud_stops=cloud_stops
            )
            taken.append(Taken(frame=one, path=path, opened_utc_ns=opened, settings=settings))
    (made,) = bracket_sets(made_up.timeline(tuple(one.frame for one in frames)), frames, taken)
    return made


def test_whole_set_is_good_and_in_order(tmp_path: Path) -> None:
    """From 1/1000 s to 1 s in totality nothing is lacking, neither end is amiss, and files stand by exposure."""
    made = judged(tmp_path, WHOLE)
    assert [one.settings.exposure_s for one in made.pictures] == sorted(WHOLE)
    assert (made.good, made.short_ok, made.long_ok, made.words()) == (True, True, True, [])


def test_what_is_lacking_is_named_with_its_reason(tmp_path: Path) -> None:
    """A lost file and a frame never fired are told apart, and the hole in the ladder is told in stops."""
    made = judged(tmp_path, WHOLE, lost=(0,), missed=(3,))
    text = " ".join(made.words())
    assert "1/60 s is lacking: fired, but no file is there." in text
    assert "1/250 s is lacking: missed, held." in text
    assert "Between 1/1000 s and 1/15 s there are 6.1 stops and no picture; 2.1 were planned." in text
    assert not made.good


def test_set_without_pictures_says_so(tmp_path: Path) -> None:
    """Of a set that has no file at all neither end is judged."""
    made = judged(tmp_path, WHOLE, lost=tuple(range(6)))
    assert made.words() == ["None of its pictures is there."]
    assert (made.short_ok, made.long_ok) == (None, None)


def test_shortest_that_clips_is_told(tmp_path: Path) -> None:
    """A set in totality that begins at 1/4 s has the inner corona clipped in every picture."""
    made = judged(tmp_path, (1 / 4, 1.0))
    assert made.short_ok is False
    assert "The shortest, 1/4 s, clips over" in made.words()[0]


def test_longest_that_stays_black_is_told(tmp_path: Path) -> None:
    """A set in totality that ends at 1/250 s leaves the outer corona in no picture."""
    made = judged(tmp_path, (1 / 2000, 1 / 250))
    assert (made.short_ok, made.long_ok) == (True, False)
    assert "The longest, 1/250 s, leaves its edges black" in made.words()[0]


def test_moon_that_fills_the_frame_is_not_taken_for_the_faint_end(tmp_path: Path) -> None:
    """Through a long lens most of the picture is the Moon: the faint end is still looked for at the edges."""
    close = Framing(arcsec_per_px=4.6, width_px=560, height_px=520)
    made = judged(tmp_path, (1 / 1000, 1 / 125), framing=close)
    codes = np.asarray(open_picture(made.pictures[-1].path)).max(axis=2)
    assert np.percentile(codes, 10) < 2  # darkest of all is the Moon,
    assert (codes <= 3).mean() > 0.4  # about half of the picture
    assert made.long_ok is True


def test_landscape_is_not_judged_by_its_dark_edges(tmp_path: Path) -> None:
    """A rig that does not point at the Sun may have black ground at its edges: nothing is said of its long end."""
    made = judged(tmp_path, (1 / 2000, 1 / 1000), need=FilterState.NOT_NEEDED)
    assert (made.long_ok, made.long_end, made.good) == (None, "", True)


def test_suns_surface_at_a_contact_is_not_held_against_a_set(tmp_path: Path) -> None:
    """Before C2 beads clip at any exposure; the same frames in mid-totality would be a fault."""
    before_c2 = (made_up.mean_contacts()[ContactName.C2] - made_up.MID_NS) / 1e9 - 8
    made = judged(tmp_path, (1 / 4000, 1.0), starts_s=before_c2)
    assert made.short_ok is True
    assert "near the contacts" in made.short_end


def test_filtered_sets_are_judged_by_the_disk(tmp_path: Path) -> None:
    """Behind a filter 1/8 s clips the disk, 1/500 s does not; behind a cloud the longest is black."""
    filtered = {"starts_s": -3000.0, "need": FilterState.ON, "density": 5.0}
    good = judged(tmp_path, (1 / 1000, 1 / 500), **filtered)
    assert good.good
    clips = judged(tmp_path, (1 / 8, 1 / 4), **filtered)
    assert (clips.short_ok, clips.long_ok) == (False, True)
    dark = judged(tmp_path, (1 / 1000, 1 / 500), cloud_stops=9.0, **filtered)
    assert (dark.short_ok, dark.long_ok) == (True, False)


def test_unreadable_file_is_not_judged(tmp_path: Path) -> None:
    """Where a file holds no picture the set is there, and its end is said not to be readable."""
    made = judged(tmp_path, (1 / 1000, 1.0))
    made.pictures[0].path.write_bytes(b"\xff\xd8\xffnothing")
    frames = [
        FrameAccount(frame=one.frame, due_utc_ns=one.frame.due_utc_ns, end=FrameEnd.FIRED)
        for one in made.pictures
    ]
    (again,) = bracket_sets(
        made_up.timeline(tuple(one.frame for one in made.pictures)), frames, made.pictures
    )
    assert (again.short_ok, again.lacking) == (None, ())
    assert "cannot be read" in again.words()[0]


def test_single_exposures_are_no_set(tmp_path: Path) -> None:
    """A shot of one exposure, however often it repeats, is not a bracket."""
    taken = made_up.series(
        tmp_path, ContactName.C2, 1, limb=made_up_limb(1), cadence_s=4.0, exposures_s=[1 / 4000]
    )
    frames = [
        FrameAccount(frame=one.frame, due_utc_ns=one.frame.due_utc_ns, end=FrameEnd.FIRED) for one in taken
    ]
    assert bracket_sets(made_up.timeline(), frames, taken) == []
