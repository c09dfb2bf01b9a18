"""Contacts seen in pictures: rendered for known instants, and found again within the stated uncertainty."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from controller.account.pictures.contacts_seen import Light, contacts_seen, fitted, light_of
from controller.account.pictures.taken import Taken
from controller.light.rendering import Framing
from controller.light.scene import made_up_limb
from controller.timeline.model import Settings
from controller.units import NS_PER_S, ContactName, FilterState, seconds_to_ns
from tests.account.pictures import made_up

C2, C3 = ContactName.C2, ContactName.C3
SEEDS = int(os.environ.get("HOLDFIRE_SEEDS", "20"))
EXPOSURES = ([1 / 4000], [1 / 4000, 1 / 1000], [1 / 8000, 1 / 2000, 1 / 500], [1 / 1000, 1 / 250, 1 / 60])


def seen(taken: list[Taken], contact: ContactName):
    """What the pictures tell of one contact."""
    (found,) = [one for one in contacts_seen(made_up.timeline(), taken) if one.contact is contact]
    return found


def test_contacts_are_found_again_within_the_stated_uncertainty(tmp_path: Path) -> None:
    """Over made-up limbs, series and clocks: 90 % within two standard uncertainties, all within four, none vague.

    HOLDFIRE_SEEDS=50 takes as many.
    The truth is plane geometry: where the last of the Sun stands out of the limb that was rendered.
    """
    z = []
    for seed in range(SEEDS):
        drawn = random.Random(seed)
        contact = (C2, C3)[seed % 2]
        clock_s = drawn.choice([0.02, 0.05, 0.2])
        limb = made_up_limb(100 + seed)
        folder = tmp_path / str(seed)
        folder.mkdir()
        taken = made_up.series(
            folder, contact, seed, limb=limb, cadence_s=drawn.choice([0.4, 0.8, 1.5]),
            exposures_s=drawn.choice(EXPOSURES), clock_s=clock_s,
        )  # fmt: skip
        found = seen(taken, contact)
        assert found.seen_utc_ns is not None, found.why_not
        assert clock_s <= found.uncertainty_s < clock_s + 0.1 + 0.4 * found.cadence_s
        truth = made_up.true_contact_ns(made_up.scene(), limb, contact)
        z.append((found.seen_utc_ns - truth) / NS_PER_S / found.uncertainty_s)
    off = np.abs(z)
    assert np.mean(off < 2) >= 0.9
    assert off.max() < 4
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_unclipped_light_tells_more_than_the_cadence() -> None:
    """Light that is measured, not clipped, places the contact better than the time between two pictures does."""
    z, spreads = [], []
    for seed in range(40):
        drawn = random.Random(seed)
        power, factor, contact = drawn.uniform(1.5, 2.5), 10 ** drawn.uniform(-1, 2), drawn.uniform(-3, 3)
        settings = Settings(exposure_s=1 / 500, f_number=8.0, iso=100)
        lights = []
        for number in range(24):
            opened_s = -12 + number + drawn.uniform(-0.1, 0.1)
            amount = factor * max(0.0, contact - opened_s - 0.001) ** power * drawn.lognormvariate(0, 0.3)
            one = Taken(
                frame=made_up.frame(number, 0, settings), path=Path("none.jpg"),
                opened_utc_ns=seconds_to_ns(opened_s), settings=settings, clock_s=0.0,
            )  # fmt: skip
            least = 1e-4
            lights.append(
                Light(taken=one, surface_px=amount if amount > least else 0.0, clipped=False, least_px=least)
            )
        fit = fitted(lights, C2, 0)
        assert not isinstance(fit, str)
        z.append((fit.off_s - contact) / fit.uncertainty_s)
        spreads.append(fit.uncertainty_s)
    assert np.mean(np.abs(z) < 2) >= 0.9
    assert np.max(np.abs(z)) < 4
    assert np.median(spreads) < 0.8 / np.sqrt(12)


def test_coarse_pictures_claim_no_more_than_they_show(tmp_path: Path) -> None:
    """Where the Sun is twenty to thirty pixels wide, the contact is vaguer, not wrong: 90 % within two uncertainties."""
    off = []
    for seed in range(18):
        limb, contact = made_up_limb(100 + seed), (C2, C3)[seed % 2]
        folder = tmp_path / str(seed)
        folder.mkdir()
        taken = made_up.series(
            folder, contact, seed, limb=limb, cadence_s=(0.4, 0.8, 1.5)[seed % 3],
            exposures_s=EXPOSURES[seed % 4], coarser=6.0,
        )  # fmt: skip
        found = seen(taken, contact)
        if found.seen_utc_ns is not None:
            truth = made_up.true_contact_ns(made_up.scene(), limb, contact)
            off.append(abs(found.seen_utc_ns - truth) / NS_PER_S / found.uncertainty_s)
    assert len(off) >= 15
    assert np.mean(np.array(off) < 2) >= 0.9
    assert max(off) < 4


def test_little_light_that_is_measured_is_not_overlooked() -> None:
    """Light far below a pixel a second, as of coarse pixels under a low Sun, places the contact as any other does.

    The figures are those of five pictures 0.7 s apart before the limb hides the Sun at 0.37 s, and three after it.
    """
    settings = Settings(exposure_s=1 / 8000, f_number=8.0, iso=200)
    measured = {
        -3.0: 0.0062,
        -2.3: 0.004,
        -1.6: 0.0026,
        -0.9: 0.0015,
        -0.2: 0.00019,
        3.0: 0.0,
        3.7: 0.0,
        4.4: 0.0,
    }
    lights = [
        Light(
            taken=Taken(
                frame=made_up.frame(number, 0, settings), path=Path("none.jpg"),
                opened_utc_ns=seconds_to_ns(opened_s), settings=settings,
            ),
            surface_px=amount, clipped=amount > 0.002, least_px=0.00016,
        )
        for number, (opened_s, amount) in enumerate(measured.items())
    ]  # fmt: skip
    fit = fitted(lights, C2, 0)
    assert not isinstance(fit, str)
    assert abs(fit.off_s - 0.37) < fit.uncertainty_s < 1.0


def test_a_pixel_or_two_are_no_evidence(tmp_path: Path) -> None:
    """A picture with two bright pixels shows neither that there is light of the Sun nor that there is none."""
    settings = Settings(exposure_s=1 / 4000, f_number=8.0, iso=100)
    path = tmp_path / "HF_1.png"

    def light(bright: int) -> Light | None:
        codes = np.zeros((40, 40, 3), np.uint8)
        codes[20, :bright] = 255
        Image.fromarray(codes).save(path)
        return light_of(
            Taken(frame=made_up.frame(1, 0, settings), path=path, opened_utc_ns=0, settings=settings)
        )

    dark, three = light(0), light(3)
    assert dark is not None
    assert dark.surface_px == 0
    assert light(1) is light(2) is None
    assert three is not None
    assert three.surface_px > 0


def test_one_dark_picture_among_bright_ones_does_not_move_the_contact(tmp_path: Path) -> None:
    """A picture that a cloud blackened before C2 is taken for what it is, not for totality."""
    limb = made_up_limb(1)
    taken = made_up.series(tmp_path, C2, 1, limb=limb, cadence_s=0.7, exposures_s=[1 / 4000])
    before = seen(taken, C2)
    dark = taken[4]
    made_up.picture(
        dark.path, dark.opened_utc_ns, dark.settings, framing=Framing(arcsec_per_px=10.0), cloud_stops=25.0
    )
    after = seen(taken, C2)
    assert [light.surface_px for light in after.lights][4] == 0.0
    assert after.off_s == pytest.approx(before.off_s, abs=0.1)


def test_pictures_that_end_too_soon_do_not_tell(tmp_path: Path) -> None:
    """When every picture shows the Sun's surface there is no contact in them, and the sentence says why."""
    taken = made_up.series(tmp_path, C2, 2, limb=made_up_limb(2), cadence_s=0.7, exposures_s=[1 / 4000])
    found = seen([one for one in taken if one.opened_utc_ns < made_up.mean_contacts()[C2] - 3 * NS_PER_S], C2)
    assert found.seen_utc_ns is None
    assert found.off_s is None
    assert "in sight in those nearest to totality" in found.words()


def test_totality_alone_does_not_tell(tmp_path: Path) -> None:
    """When no picture shows the Sun's surface there is no contact in them."""
    taken = made_up.series(tmp_path, C2, 3, limb=made_up_limb(3), cadence_s=0.7, exposures_s=[1 / 4000])
    found = seen([one for one in taken if one.opened_utc_ns > made_up.mean_contacts()[C2] + 5 * NS_PER_S], C2)
    assert found.seen_utc_ns is None
    assert "none of them shows" in found.words()


def test_long_exposures_and_filtered_pictures_are_no_evidence(tmp_path: Path) -> None:
    """Where the corona itself clips a picture cannot tell the Sun's surface; filtered ones are not looked at."""
    taken = made_up.series(tmp_path, C3, 4, limb=made_up_limb(4), cadence_s=1.0, exposures_s=[1.0])
    assert light_of(taken[0]) is None
    found = seen(taken, C3)
    assert (found.seen_utc_ns, found.passed_by) == (None, len(taken))
    behind = [replace(one, frame=replace(one.frame, filter_need=FilterState.ON)) for one in taken]
    assert seen(behind, C3).passed_by == 0


def test_sentence_says_what_the_computed_contact_is_of(tmp_path: Path) -> None:
    """A contact computed with the Moon's own edge is said to be that; the instants beside it stay the same."""
    taken = made_up.series(tmp_path, C2, 6, limb=made_up_limb(6), cadence_s=0.7, exposures_s=[1 / 4000])
    line = made_up.timeline()
    mean, real = (
        contacts_seen(replace(line, contacts_keyed_to=keyed), taken)[0]
        for keyed in ("mean limb", "lunar limb")
    )
    assert "from the one computed for a smooth Moon (+/- 2.0 s)" in mean.words()
    assert "from the one computed for the Moon's real edge" in real.words()
    assert mean.seen_utc_ns == real.seen_utc_ns


def test_only_a_total_eclipse_has_them(tmp_path: Path) -> None:
    """In an annular eclipse the Sun's surface never goes from sight."""
    taken = made_up.series(tmp_path, C2, 5, limb=made_up_limb(5), cadence_s=2.0, exposures_s=[1 / 4000])
    assert contacts_seen(replace(made_up.timeline(), kind="annular"), taken) == []
