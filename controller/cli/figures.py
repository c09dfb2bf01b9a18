"""Figures on files: which kinds there are, and how one that cannot be written is told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import UsageError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KINDS = (".png", ".pdf", ".svg")


def check_kind(picture: Path | None) -> None:
    """Refuse a file that is no kind of picture, before anything is computed for it.

    Raises:
        UsageError: if its name does not end in one of `KINDS`.
    """
    if picture and picture.suffix.lower() not in KINDS:
        raise UsageError(f"{picture}: no picture of this kind. Mend: let its name end in .png, .pdf or .svg.")


def save(figure: Figure, path: Path) -> None:
    """Write a figure, in the kind that the file's ending names.

    Raises:
        UsageError: if the file cannot be written.
    """
    try:
        figure.savefig(path)
    except OSError as error:
        raise UsageError(
            f"{path}: the picture cannot be written ({error.strerror}). Mend: name a file in a folder that is there."
        ) from None
