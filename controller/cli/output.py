"""How results are printed: tables for people, JSON for programs."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table

from controller.units import utc_datetime


def console(*, error: bool = False) -> Console:
    """Return a console; colour only where the terminal has it and NO_COLOR is not set."""
    return Console(stderr=error, highlight=False, soft_wrap=False)


def print_json(data: object) -> None:
    """Print data as JSON, indented, to standard output."""
    sys.stdout.write(json.dumps(data, indent=2, ensure_ascii=False) + "\n")


def table(headers: Sequence[str], rows: Sequence[Sequence[Any]], *, title: str | None = None) -> Table:
    """Return a plain table that fits the screen where it can.

    A header that starts with ``>`` is aligned to the right, one with ``~`` may wrap.
    """
    made = Table(title=title, title_justify="left", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for header in headers:
        made.add_column(
            header.lstrip(">~"),
            justify="right" if header.startswith(">") else "left",
            no_wrap=not header.startswith("~"),
        )
    for row in rows:
        made.add_row(*(str(cell) for cell in row))
    out = console()
    if out.measure(made, options=out.options.update(width=1000)).maximum > out.width:
        made.padding = (0, 1, 0, 0)
    return made


def local_time(instant_ns: int, zone: str, *, digits: int = 1) -> str:
    """Return the wall-clock time of a UTC instant in a zone, rounded to `digits` decimals."""
    step = 10 ** (9 - digits)
    rounded = (instant_ns + step // 2) // step * step
    moment: datetime = utc_datetime(rounded).astimezone(ZoneInfo(zone))
    tail = f".{rounded % 1_000_000_000 // step:0{digits}d}" if digits else ""
    return moment.strftime("%H:%M:%S") + tail


def local_date(instant_ns: int, zone: str) -> str:
    """Return the date of a UTC instant in a zone."""
    return utc_datetime(instant_ns).astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d")


def duration_text(seconds: float | None) -> str:
    """Return minutes and seconds, e.g. ``6 min 22.5 s``."""
    if seconds is None:
        return ""
    minutes, rest = divmod(round(seconds, 1), 60)
    return f"{int(minutes)} min {rest:04.1f} s" if minutes else f"{rest:.1f} s"
