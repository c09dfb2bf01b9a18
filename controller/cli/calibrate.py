"""``holdfire calibrate``: measure a camera by firing frames, and keep what was found in a file."""

from __future__ import annotations

import re
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from controller.cameras.calibrating import (
    CHANGING_FRAMES,
    FEWEST_BURST_FRAMES,
    STEADY_FRAMES,
    LiveBench,
    calibrate,
)
from controller.cameras.host import CameraSpec
from controller.cli.output import console, print_json, table
from controller.errors import CameraError, HoldfireError, OperatorError, UsageError
from controller.gear.profile import CameraProfile, Spread
from controller.plan.drafting.text import scalar

MOST_BURST_FRAMES = 500


def measure(
    match: str | None,
    output: Path | None,
    *,
    virtual: bool,
    simulated: bool,
    frames: int,
    release_lag_s: float | None,
    as_json: bool,
) -> None:
    """Fire frames with one camera, print what they show and write its profile.

    Raises:
        UsageError: if the options do not go together.
        OperatorError: if a real camera is to be fired and nobody is at a terminal.
        CameraError: if the camera cannot be opened or a frame fails.
    """
    if virtual and simulated:
        raise UsageError("Only one camera is calibrated. Mend: leave --virtual-camera or --simulated out.")
    if match is not None and (virtual or simulated):
        raise UsageError("--match chooses among real cameras. Mend: leave it out.")
    if not FEWEST_BURST_FRAMES <= frames <= MOST_BURST_FRAMES:
        raise UsageError(f"--frames must be {FEWEST_BURST_FRAMES} to {MOST_BURST_FRAMES}, not {frames}.")
    if release_lag_s is not None and not 0.0 <= release_lag_s <= 10.0:
        raise UsageError("--release-lag must be 0 to 10 seconds.")
    if output is not None and output.exists():
        raise UsageError(f"{output} is there already. Mend: give another name, or remove it.")
    if not (virtual or simulated):
        _let_the_operator_begin(STEADY_FRAMES + CHANGING_FRAMES + frames)
    with tempfile.TemporaryDirectory(prefix="holdfire-") as scratch:
        virtual_folder = _virtual_folder(Path(scratch)) if virtual else None
        spec = CameraSpec(
            rig="calibrate",
            driver="simulated" if simulated else "tethered",
            match=match,
            virtual_folder=virtual_folder,
            release_lag_s=0.0,
        )
        out = console(error=True)
        with closing(LiveBench(spec)) as bench:
            if (virtual or simulated) and not bench.facts.simulated:
                raise CameraError("A real camera answered where none was asked for: no frame was fired.")
            for sentence in bench.facts.by_hand:
                out.print(f"{bench.facts.model}: {sentence}", soft_wrap=True)
            found = calibrate(
                bench,
                bench.facts,
                burst_frames=frames,
                release_lag_s=release_lag_s,
                tell=lambda what: out.print(f"{bench.facts.model}: {what} ..."),
            )
    path = output or Path(re.sub(r"[^\w.-]+", "-", found.model).strip("-.").lower() + ".profile.json")
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(found.model_dump_json(indent=2) + "\n")
    except OSError as error:
        raise HoldfireError(f"{path} cannot be written: {error.strerror}. Mend: give -o FILE.") from None
    _print(found, path, frames, as_json=as_json)


def _let_the_operator_begin(frames: int) -> None:
    """Say what will happen and wait for Enter; a real camera is never fired without it.

    Raises:
        OperatorError: if there is no terminal, or it is closed.
    """
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise OperatorError(
            "A real camera is fired only when somebody is there. Mend: run calibrate at a terminal, "
            "or add --simulated or --virtual-camera."
        )
    out = console(error=True)
    out.print(
        f"About {frames} frames will be fired. Put the lens cap on, or the solar filter if the lens points "
        "anywhere near the Sun. Use the card, the picture format and the settings of the day: they decide how "
        "fast the camera is."
    )
    out.print("Cap or filter on? Press Enter to begin, Ctrl-C to leave.")
    if not sys.stdin.readline():
        raise OperatorError("Nobody pressed Enter: no frame was fired.")


def _virtual_folder(path: Path) -> Path:
    from controller.cameras.tethered import make_virtual_camera_folder

    return make_virtual_camera_folder(path / "virtual")


def _print(found: CameraProfile, path: Path, burst: int, *, as_json: bool) -> None:
    if as_json:
        print_json({"profile": str(path), **found.model_dump(mode="json")})
        return
    out = console()
    rows = [
        _row("frame gap", found.frame_gap),
        _row("setting time", found.setting_time),
        _row("write time", found.write_time),
        _row("command to the camera's word", found.word_delay),
    ]
    out.print(table(("what", ">median", ">least", ">greatest", ">measured"), rows))
    if found.buffer_frames is None:
        out.print(
            f"The buffer did not fill within {burst} frames: its depth and the write time are not known."
        )
    else:
        out.print(f"The buffer holds about {found.buffer_frames} frames (good to one).")
    if found.release_lag_s is None:
        out.print(
            "The release lag cannot be seen from the computer: it is a part of the time from the command to "
            "the camera's word, exposure taken off. Photograph a clock to find it, and give --release-lag."
        )
    written = "Invented, no real camera: written" if found.invented else "Written"
    out.print(
        f"{written} to {path}. A plan beside it takes these figures with one line under camera:",
        soft_wrap=True,
        markup=False,
    )
    out.print(f"      profile: {scalar(path.name)}", soft_wrap=True, markup=False)


def _row(what: str, spread: Spread | None) -> tuple[str, str, str, str, str]:
    if spread is None:
        return what, "not known", "", "", ""
    figures = (f"{value:.3f} s" for value in (spread.median_s, spread.least_s, spread.greatest_s))
    median, least, greatest = figures
    return what, median, least, greatest, str(spread.measurements)
