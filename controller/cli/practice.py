"""`practice`: how late the words of live rehearsals were, again and without rehearsing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller.account.practice import (
    Found,
    find_practices,
    late_words,
    to_json_dict,
    to_text,
    words_by_hold,
)
from controller.cli import figures
from controller.cli.output import console, print_json
from controller.errors import UsageError
from controller.journal.folder import RunFolder
from controller.journal.reading import JOURNAL_NAME
from controller.timeline.model import Timeline
from controller.units import utc_datetime

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from controller.account.practice import Practice, PractisedWord

_INK, _GREY = "#111111", "#8a8a8a"


def practice(what: Path | None, runs: Path, picture: Path | None, *, as_json: bool) -> None:
    """Print how late each word on the filter was.

    Args:
        what: a plan, a folder of runs or one run's folder; None is the folder of runs.
        runs: the folder of runs of a plan.
        picture: draw it, too.
        as_json: print JSON.

    Raises:
        UsageError: if there is no such folder or plan, or no picture of that kind.
        PlanError: if the plan has faults.
        JournalError: if one run's folder is named and is none.
    """
    figures.check_kind(picture)
    base, like = _where(what or runs, runs)
    if not base.is_dir():
        raise UsageError(
            f"{base}: there is no such folder, so nothing was practised yet. "
            "Mend: name the folder of your runs, or rehearse with --live."
        )
    found = find_practices(base, like)
    if as_json:
        print_json(to_json_dict(found))
    else:
        print(to_text(found), end="")  # noqa: T201
    if picture is None:
        return
    drawable = any(words_by_hold(day) for day in found.days)
    if drawable:
        draw(picture, found)
    if not as_json:
        told = f"Drawn: {picture}" if drawable else f"No word was practised, so {picture} is not drawn."
        console().print(told, soft_wrap=True, markup=False)


def _where(what: Path, runs: Path) -> tuple[Path, Timeline | None]:
    """Return the folder of runs, and the timeline whose place and eclipse alone are meant."""
    if (what / JOURNAL_NAME).is_file():
        return what.resolve().parent, RunFolder.open(what).timeline()
    if what.is_file():
        from controller.cli.prepare import prepare

        return runs, prepare(what).compiled.timeline
    return what, None


def draw(path: Path, found: Found) -> None:
    """Draw a panel for each hold, newest rehearsal at the bottom; the suffix names the format.

    Black on white, told apart by shape.

    Raises:
        UsageError: if the file cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    panels = [(day, words) for day in found.days for words in words_by_hold(day).values()]
    heights = [1.3 + 0.26 * len(words) for _, words in panels]
    figure = Figure(figsize=(8.5, sum(heights)), dpi=110, facecolor="#ffffff", layout="constrained")
    FigureCanvasAgg(figure)
    rows = figure.subplots(len(panels), 1, squeeze=False, gridspec_kw={"height_ratios": heights})
    for (day, words), axes in zip(panels, rows[:, 0], strict=True):
        _panel(axes, words)
        word = words[-1][1]
        what = f'{word.rig}: filter {word.needs.value.upper()} for "{word.phase}"'
        axes.set_title(f"{day.newest.timeline.title}. {what}", loc="left", fontsize=9.5)
    figures.save(figure, path)


def _panel(axes: Axes, words: list[tuple[Practice, PractisedWord]]) -> None:
    axes.axvline(0, color=_GREY, lw=1)
    ticks = []
    for row, (practice_, word) in enumerate(words):
        when = utc_datetime(practice_.practised_utc_ns).strftime("%Y-%m-%d %H:%M")
        ticks.append(f"{when}   {late_words(word)}")
        if word.late_s is not None:
            axes.plot(
                word.late_s, row, "x" if word.late_s > 0 else "o", ms=7, mew=1.6, mfc="#ffffff", mec=_INK
            )
    axes.set_yticks(range(len(words)), ticks, fontsize=8.5)
    axes.set_ylim(len(words) - 0.5, -0.5)
    low, high = axes.get_xlim()
    axes.set_xlim(min(low, -5), max(high, 5))
    axes.set_xlabel("said minus due, seconds: o in time, x late", fontsize=8.5)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)
