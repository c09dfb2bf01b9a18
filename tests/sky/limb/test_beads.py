"""Patches of light that stand alone, told from when the light goes out at each angle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.sky.limb.beads import lone_stretches


def test_two_peaks_part_at_the_pass_between_them():
    """The higher pass beside a peak tells when it parts, its own height when it goes out."""
    gone = [0, 0, 3, 5, 2, 7, 1, 0, 0, 0]
    assert lone_stretches(np.array(gone, float), 0.0, 10.0, 0.5) == [(3, 2.0, 5.0), (5, 2.0, 7.0)]


def test_a_peak_may_lie_across_the_seam():
    """Angles go round: a patch over 0 degrees is one patch."""
    gone = [6, 4, 1, 2, 8, 3, 1, 1, 5]
    assert lone_stretches(np.array(gone, float), 0.0, 10.0, 0.5) == [(0, 1.0, 6.0), (4, 1.0, 8.0)]


def test_a_short_patch_belongs_to_its_neighbour():
    """A patch that stands alone for too short a time joins the neighbour over the higher pass."""
    gone = [0, 0, 5, 4.9, 5.05, 2, 7, 0]
    assert lone_stretches(np.array(gone, float), 0.0, 10.0, 0.5) == [(4, 2.0, 5.05), (6, 2.0, 7.0)]


def test_what_still_shines_is_no_bead_but_a_neighbour():
    """The ring itself, lit to the end, is not listed; the patch that parts from it is."""
    gone = [10, 10, 10, 4, 6, 1, 10, 10]
    assert lone_stretches(np.array(gone, float), 0.0, 10.0, 0.5) == [(4, 4.0, 6.0)]


def test_one_crescent_alone_is_no_bead():
    """A crescent that shrinks without parting, a ring that stays, and darkness all round have no beads."""
    assert lone_stretches(np.array([0, 1, 2, 3, 2, 1, 0, 0.0]), 0.0, 10.0, 0.5) == []
    assert lone_stretches(np.full(8, 10.0), 0.0, 10.0, 0.5) == []
    assert lone_stretches(np.zeros(8), 0.0, 10.0, 0.5) == []


@given(st.lists(st.integers(0, 12), min_size=3, max_size=40), st.integers(0, 39))
def test_any_edge_gives_patches_that_do_not_depend_on_where_one_starts_to_count(values, shift):
    """Turning the circle turns the patches; each lasts long enough, ends at its peak and has dark sides."""
    gone = np.array(values, float)
    beads = lone_stretches(gone, 0.0, 12.0, 1.0)
    for index, start, end in beads:
        assert end == gone[index] < 12
        assert 0 < start <= end - 1
    turned = lone_stretches(np.roll(gone, shift), 0.0, 12.0, 1.0)
    assert sorted(bead[1:] for bead in turned) == sorted(bead[1:] for bead in beads)


@given(st.lists(st.integers(0, 12), min_size=3, max_size=30))
def test_patches_are_what_one_sees_by_looking_moment_by_moment(values):
    """With no patch too short, a patch is alone when the lit run around its peak holds no other peak."""
    gone = np.array(values, float) + np.linspace(0, 0.4, len(values))  # no two alike
    for index, start, end in lone_stretches(gone, -1.0, 99.0, 0.0):
        for moment in ((start + end) / 2, start + 1e-6):
            lit = gone > moment
            assert lit[index]
            run = [index]
            for step in (1, -1):
                place = (index + step) % len(gone)
                while lit[place] and place != index:
                    run.append(place)
                    place = (place + step) % len(gone)
            assert max(run, key=lambda i: gone[i]) == index
        if start > gone.min():
            assert sum(gone[i] >= start - 1e-9 for i in range(len(gone))) > 1
    assert pytest.approx(gone.max()) == gone.max()
