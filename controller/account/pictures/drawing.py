"""The frame of a plot of what pictures show: one pair of axes, black on white."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@contextmanager
def one_plot(file: BinaryIO, title: str) -> Iterator[Axes]:
    """Give axes to draw on, and write them as PNG when that is done; the same drawing gives the same bytes."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.6, 4.2), dpi=110, facecolor="white", layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    yield axes
    axes.set_title(title, loc="left")
    axes.grid(color="#dddddd", lw=0.5)
    figure.savefig(file, format="png", metadata={"Software": None})
