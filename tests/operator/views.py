"""Views of a made-up run, and the screens kept as files beside this one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from controller.engine.view import RigView, RunState, RunView
from controller.operator.layout import layout
from controller.units import ContactName, FilterState, UtcNs, parse_utc_iso, seconds_to_ns

ON, OFF, UNSAID, NOT_NEEDED = FilterState.ON, FilterState.OFF, FilterState.UNSAID, FilterState.NOT_NEEDED

NOW = parse_utc_iso("2031-11-14T20:51:13.4Z")
SCREENS = Path(__file__).parent / "screens"


def after(seconds: float) -> UtcNs:
    """An instant so many seconds from the views' now."""
    return UtcNs(NOW + seconds_to_ns(seconds))


CALM_RIG = RigView(
    name="long",
    phase="partial, going in",
    filter_asked=None,
    filter_asked_late_s=0.0,
    filter_said=ON,
    camera_ready=True,
    paused=False,
    planned=456,
    fired=123,
    missed=0,
    failed=0,
    unknown=0,
    next_due_utc_ns=after(3),
    frames_left=812,
    battery_percent=83,
    last_error="",
)

CALM = RunView(
    now_utc_ns=NOW,
    title="Shadow over the reef",
    time_zone="Pacific/Honolulu",
    state=RunState.GOING,
    next_contact=ContactName.C2,
    next_contact_utc_ns=after(753.6),
    next_cue="Second contact in ten minutes",
    next_cue_utc_ns=after(153.6),
    last_said="First contact: the eclipse begins",
    alarm="",
    rigs=(
        CALM_RIG,
        replace(CALM_RIG, name="wide"),
        replace(CALM_RIG, name="landscape", filter_said=NOT_NEEDED),
    ),
)


def asking(view: RunView, phase: str = "totality", **asks: tuple[FilterState, float]) -> RunView:
    """The view with some rigs asked for a filter state, so many seconds late."""
    rigs = [
        replace(rig, filter_asked=asks[rig.name][0], filter_asked_late_s=asks[rig.name][1], phase=phase)
        if rig.name in asks
        else rig
        for rig in view.rigs
    ]
    return replace(view, rigs=tuple(rigs))


def with_rig(view: RunView, name: str, **changes: object) -> RunView:
    """The view with one rig changed."""
    rigs = (replace(rig, **changes) if rig.name == name else rig for rig in view.rigs)
    return replace(view, rigs=tuple(rigs))


ASKS_ON_AT_THE_START = asking(
    replace(
        CALM,
        next_contact=ContactName.C1,
        next_cue="First contact in five minutes",
        last_said="",
        rigs=tuple(replace(rig, filter_said=UNSAID, fired=0) for rig in CALM.rigs[:2]),
    ),
    phase="partial, going in",
    long=(ON, -45.0),
    wide=(ON, -45.0),
)
NEAR_C2 = replace(
    CALM,
    next_contact_utc_ns=after(20.6),
    next_cue="Second contact: totality",
    next_cue_utc_ns=after(20.6),
    last_said="Filter off now. Say when it is off",
)
ASKS_OFF = asking(NEAR_C2, long=(OFF, -8.0), wide=(OFF, -8.0))
ASKS_OFF_LATE = asking(
    replace(
        NEAR_C2,
        next_contact_utc_ns=after(0.4),
        next_cue_utc_ns=after(0.4),
        alarm="no word yet that the filter of long is off",
    ),
    long=(OFF, 12.2),
    wide=(OFF, -5.0),
)
ASKS_ON_AFTER_TOTALITY = asking(
    replace(
        CALM,
        next_contact=ContactName.C4,
        next_contact_utc_ns=after(4321),
        next_cue="Fourth contact in one minute",
        next_cue_utc_ns=after(4261),
        last_said="Filter on. Say when it is on",
        rigs=tuple(replace(rig, filter_said=OFF) for rig in CALM.rigs[:2]),
    ),
    phase="partial, going out",
    long=(ON, 4.0),
    wide=(ON, 4.0),
)
ASKS_BOTH = asking(NEAR_C2, long=(OFF, 3.0), wide=(ON, 3.0))
TROUBLED = with_rig(
    replace(CALM, alarm="camera of wide lost: no answer in 5 s"),
    "wide",
    camera_ready=False,
    missed=2,
    unknown=1,
    frames_left=None,
    battery_percent=None,
    last_error="no answer in 5 s",
)
PAUSED = replace(CALM, state=RunState.PAUSED, rigs=tuple(replace(rig, paused=True) for rig in CALM.rigs))
OVER = replace(
    CALM,
    state=RunState.FINISHED,
    next_contact=None,
    next_contact_utc_ns=None,
    next_cue="",
    next_cue_utc_ns=None,
)
EIGHT_RIGS = tuple(
    replace(CALM_RIG, name=name, filter_said=NOT_NEEDED if name in ("all-sky", "land") else ON)
    for name in ("long 600", "wide", "corona", "spectrum", "all-sky", "second refractor", "guide", "land")
)
EIGHT = replace(CALM, rigs=EIGHT_RIGS)
EIGHT_ASKED = asking(
    replace(NEAR_C2, rigs=EIGHT_RIGS),
    **{rig.name: (OFF, -8.0) for rig in EIGHT_RIGS if rig.filter_said is ON},
)
EIGHT_TROUBLED = with_rig(
    with_rig(
        replace(EIGHT, alarm="camera of corona lost: no answer in 5 s"),
        "corona",
        camera_ready=False,
        missed=12,
        unknown=1,
        last_error="no answer in 5 s",
    ),
    "spectrum",
    frames_left=0,
    missed=40,
    last_error="card full",
)


@dataclass(frozen=True)
class Screen:
    """One kept screen and what it shows."""

    view: RunView
    columns: int
    rows: int
    selected_rig: int | None = None
    confirming_stop: bool = False
    unicode: bool = True
    notice: str = ""
    corner: str = ""

    def lines(self) -> list[str]:
        """Draw it."""
        return layout(
            self.view,
            self.columns,
            self.rows,
            self.selected_rig,
            self.confirming_stop,
            self.unicode,
            self.notice,
            self.corner,
        )


KEPT: dict[str, Screen] = {
    f"{name}-{columns}x{rows}": Screen(view, columns, rows)
    for name, view in {
        "calm": CALM,
        "asks-on-at-the-start": ASKS_ON_AT_THE_START,
        "asks-on-after-totality": ASKS_ON_AFTER_TOTALITY,
        "asks-off": ASKS_OFF,
        "asks-off-late": ASKS_OFF_LATE,
        "troubled": TROUBLED,
    }.items()
    for columns, rows in ((80, 24), (40, 15), (120, 40))
} | {
    "asks-both-80x24": Screen(ASKS_BOTH, 80, 24),
    "asks-off-late-ascii-80x24": Screen(ASKS_OFF_LATE, 80, 24, unicode=False),
    "paused-80x24": Screen(PAUSED, 80, 24),
    "over-80x24": Screen(OVER, 80, 24),
    "stop-while-asking-80x24": Screen(ASKS_OFF, 80, 24, selected_rig=2, confirming_stop=True),
    "page-80x24": Screen(CALM, 80, 24, corner="http://192.0.2.5:8427/  code 1234 5678"),
    "page-while-asking-40x15": Screen(ASKS_OFF, 40, 15, corner="http://192.0.2.5:8427/  code 1234 5678"),
    "stop-40x15": Screen(CALM, 40, 15, confirming_stop=True),
    "eight-rigs-80x24": Screen(EIGHT, 80, 24),
    "eight-rigs-asked-80x24": Screen(EIGHT_ASKED, 80, 24, selected_rig=6),
    "eight-rigs-troubled-80x24": Screen(EIGHT_TROUBLED, 80, 24),
    "eight-rigs-asked-40x15": Screen(EIGHT_ASKED, 40, 15),
    "selected-80x24": Screen(ASKS_OFF, 80, 24, selected_rig=2, notice="Heard: filter is OFF (long)."),
}

if __name__ == "__main__":  # python -m tests.operator.views: draw the kept screens anew, then look at each
    SCREENS.mkdir(exist_ok=True)
    for kept_name, kept in KEPT.items():
        (SCREENS / f"{kept_name}.txt").write_text("\n".join(kept.lines()) + "\n", encoding="utf-8")
