"""The full screen: kept screens, and what holds for every screen."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from controller.engine.view import RunState, RunView
from controller.operator.figures import large
from controller.operator.layout import layout
from controller.operator.wording import CAUTION, CAUTION_SHORT
from controller.units import ContactName
from tests.operator import views
from tests.operator.views import CALM, KEPT, OFF, ON, SCREENS, UNSAID, Screen, asking, with_rig

SIZES = ((80, 24), (40, 15), (120, 40))
TEXT = st.text(max_size=90)
SETTLED = settings(derandomize=True, deadline=None, max_examples=200)


@st.composite
def any_view(draw: st.DrawFn) -> RunView:
    """Any run a screen may have to show, with any text in it."""
    rigs = tuple(
        replace(
            views.CALM_RIG,
            name=draw(st.text(min_size=1, max_size=40)),
            phase=draw(TEXT),
            filter_asked=draw(st.sampled_from([None, ON, OFF])),
            filter_asked_late_s=draw(st.floats(-90_000, 90_000)),
            filter_said=draw(st.sampled_from([ON, OFF, UNSAID])),
            camera_ready=draw(st.booleans()),
            paused=draw(st.booleans()),
            unknown=draw(st.integers(0, 3)),
            fired=draw(st.integers(0, 99_999)),
            frames_left=draw(st.none() | st.integers(0, 99_999)),
            last_error=draw(TEXT),
        )
        for _ in range(draw(st.integers(1, 12)))
    )
    contact = draw(st.none() | st.sampled_from(list(ContactName)))
    return replace(
        CALM,
        title=draw(TEXT),
        time_zone=draw(st.sampled_from(["Pacific/Honolulu", "no/such", "", "../etc"])),
        state=draw(st.sampled_from(list(RunState))),
        next_contact=contact,
        next_contact_utc_ns=None if contact is None else views.after(draw(st.floats(-10, 1_000_000))),
        next_cue=draw(TEXT),
        alarm=draw(TEXT),
        rigs=rigs,
    )


@pytest.mark.parametrize("name", KEPT)
def test_kept_screens(name: str) -> None:
    """Each screen is what it was when it was last looked at."""
    kept = (SCREENS / f"{name}.txt").read_text(encoding="utf-8").splitlines()
    assert KEPT[name].lines() == kept


def test_no_kept_screen_is_left_over() -> None:
    """Every file of a screen belongs to a case."""
    assert {path.stem for path in SCREENS.glob("*.txt")} == set(KEPT)


@SETTLED
@given(
    any_view(),
    st.integers(1, 140),
    st.integers(1, 50),
    st.none() | st.integers(1, 12),
    st.booleans(),
    st.booleans(),
    TEXT,
)
def test_every_screen_fits(
    view: RunView,
    columns: int,
    rows: int,
    selected: int | None,
    stopping: bool,
    unicode: bool,
    notice: str,
) -> None:
    """Whatever the run and the window, there are exactly the rows asked for, none too wide, none unsafe."""
    lines = layout(view, columns, rows, selected, stopping, unicode, notice)
    assert len(lines) == rows
    assert max(cell_len(line) for line in lines) <= columns
    for line in lines:
        assert not re.search(r"[\x00-\x1f\x7f-\x9f]", line)
        assert unicode or line.isascii()


@SETTLED
@given(any_view(), st.sampled_from(SIZES), st.booleans())
def test_off_is_asked_only_where_a_rig_is_asked(view: RunView, size: tuple[int, int], stopping: bool) -> None:
    """HF-S13: nothing on a screen suggests taking a filter off unless the run asks some rig for it."""
    view = replace(view, alarm="", next_cue="", last_said="", title="")
    rigs = (replace(rig, filter_asked=None, name="r", phase="p", last_error="") for rig in view.rigs)
    lines = layout(replace(view, rigs=tuple(rigs)), *size, None, stopping, unicode=False)
    keys = 2 if size[0] >= 80 else 1
    text = "\n".join(lines[:-keys])
    assert large("FILTER OFF", size[0], tall=2 if size[1] >= 36 else 1, ink="#")[0] not in lines
    assert "OFF" not in text
    assert not re.search(r"\btake\b", text, re.IGNORECASE)
    assert "Press f" not in text


@pytest.mark.parametrize(("columns", "rows"), SIZES)
@pytest.mark.parametrize("state", [ON, OFF])
@pytest.mark.parametrize("late_s", [-45.0, 12.0, 300.0])
@pytest.mark.parametrize("stopping", [False, True])
def test_every_asking_screen_carries_the_cautions(
    columns: int, rows: int, state: object, late_s: float, stopping: bool
) -> None:
    """HF-S15: a screen that asks for a filter change carries the usual cautions, whole."""
    view = replace(CALM, alarm="card of landscape is full")
    view = asking(view, long=(state, late_s), wide=(state, late_s))
    text = " ".join(" ".join(layout(view, columns, rows, 1, stopping, unicode=True, notice="Heard.")).split())
    assert CAUTION in text or CAUTION_SHORT in text


def test_the_asking_screen_kept_on_file_carries_the_cautions() -> None:
    """HF-S15: the kept asking screen names eye protection, the bare lens and the filter maker."""
    text = " ".join((SCREENS / "asks-off-80x24.txt").read_text(encoding="utf-8").split())
    assert "Outside totality never look through an unfiltered lens" in text
    assert "nor at the Sun without eye protection" in text
    assert "Follow your filter maker's instructions" in text


def test_calm_screens_carry_no_ask() -> None:
    """Where nothing is asked, the screen says that the filters stay as they are."""
    assert "Nothing to do now: leave the filters as they are." in Screen(CALM, 80, 24).lines()


@pytest.mark.parametrize(
    ("late_s", "column", "sentence"),
    [
        (-0.51, "ON in 1 s", "starts in 1 s."),
        (-0.5, "ON NOW", "starts NOW."),
        (1.49, "ON 1 s late", "1 s LATE."),
        (-6000.0, "ON in 100 min    on ", "starts in 1 h 40 min."),
        (125.0, "ON 2:05 late     on ", "2 min 05 s LATE."),
    ],
)
def test_how_late_a_word_is(late_s: float, column: str, sentence: str) -> None:
    """The time left and the time lost are told to the nearest second, and never as 0 s."""
    lines = Screen(asking(CALM, long=(ON, late_s)), 80, 24).lines()
    assert any(column in line for line in lines)
    assert any(sentence in line for line in lines)


def test_on_is_asked_before_off() -> None:
    """When one rig is asked for on and another for off, the large figures and the first key are for on."""
    lines = Screen(views.ASKS_BOTH, 80, 24).lines()
    on_only = Screen(asking(CALM, wide=(ON, 3.0)), 80, 24).lines()
    assert lines[2:7] == on_only[2:7]
    assert "Then filter OFF: long, key f." in lines


def test_a_countdown_reaches_zero_with_the_contact() -> None:
    """The countdown shows 0:01 until the contact and no 0:00 before it."""
    just_before = replace(CALM, next_contact_utc_ns=views.after(0.001))
    assert any(line.startswith("C2 in 0:01,") for line in Screen(just_before, 80, 24).lines())
    at_it = replace(CALM, next_contact_utc_ns=views.after(0))
    assert any(line.startswith("C2 in 0:00,") for line in Screen(at_it, 80, 24).lines())


def test_the_largest_figures_are_five_rows_high_and_ten_on_a_tall_screen() -> None:
    """The figures fill five rows, or ten where there is room."""
    for (columns, rows), height in zip(SIZES, (5, 5, 10), strict=True):
        lines = Screen(views.ASKS_OFF, columns, rows).lines()
        assert sum("██" in line or "█ " in line for line in lines) == height


def test_rigs_that_find_no_room_are_told_of() -> None:
    """With more rigs than rows the screen says how many it does not show, and shows those that are asked."""
    many = tuple(replace(views.CALM_RIG, name=f"rig {number}") for number in range(1, 31))
    view = with_rig(replace(CALM, rigs=many), "rig 30", filter_asked=OFF)
    lines = Screen(view, 80, 24).lines()
    shown = [line for line in lines if re.match(r" [1-9 ] rig \d+ ", line)]
    hidden = next(int(match[1]) for line in lines if (match := re.search(r"(\d+) more rigs", line)))
    assert len(shown) + hidden == 30
    assert any("rig 30" in line for line in shown)


def test_a_camera_that_is_not_ready_shows_in_the_large_figures() -> None:
    """A dead camera puts a mark before the countdown even when the run has no word for it yet."""
    view = with_rig(CALM, "wide", camera_ready=False)
    lines = Screen(view, 80, 24).lines()
    assert lines[2] != Screen(CALM, 80, 24).lines()[2]
    assert "!! Camera not ready: wide" in lines


def test_a_lens_that_looks_bare_is_the_biggest_thing() -> None:
    """HF-S30: where a picture contradicts "on", ON is in the large figures; where it contradicts "off", never OFF."""
    doubt = "said on, but the picture is clipped over 3.0% of it, as without a filter: put the filter on"
    bare = replace(with_rig(CALM, "long", doubt=doubt, filter_said=ON), alarm=f"filter of long {doubt}")
    assert shows_large(bare, "! FILTER ON")
    doubt = "said off, but the picture is black: check the front of the lens"
    dark = replace(with_rig(CALM, "long", doubt=doubt, filter_said=OFF), alarm=f"filter of long {doubt}")
    for view in (dark, replace(bare, state=RunState.FINISHED)):
        assert not any(shows_large(view, f"! FILTER {word}") for word in ("ON", "OFF"))


def shows_large(view: RunView, text: str) -> bool:
    """Whether the screen has these large figures."""
    figures = [line.rstrip() for line in large(text, 80, tall=1, ink="█")]
    return Screen(view, 80, 24).lines()[2 : 2 + len(figures)] == figures


@pytest.mark.parametrize("state", [RunState.STOPPED, RunState.FINISHED])
def test_a_run_that_is_over_asks_for_nothing(state: RunState) -> None:
    """After the end no screen asks for the filter any more."""
    text = "\n".join(Screen(replace(views.ASKS_OFF, state=state), 80, 24).lines())
    assert "Nothing more fires." in text
    assert "Press f" not in text
