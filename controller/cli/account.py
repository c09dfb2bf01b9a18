"""`account` and `merge`: what fired against what was planned, on screen and in files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cli.output import console, print_json
from controller.errors import JournalError, UsageError
from controller.journal.reading import JournalState

if TYPE_CHECKING:
    from controller.account.model import Account
    from controller.account.sheet import Sheet


@dataclass(frozen=True, kw_only=True)
class Files:
    """Where the account is written to besides; None: not asked for."""

    html: Path | None
    markdown: Path | None
    csv: Path | None


def account(run_folder: Path, files: Files, *, as_json: bool) -> None:
    """Print the account of an earlier run, and write it to files."""
    from controller.account.export import to_json_dict, write_csv
    from controller.account.model import make_account
    from controller.account.sheet import sheet_of
    from controller.account.text import to_text

    _refuse_other_files(files)
    made = make_account(run_folder)
    if files.html or files.markdown:
        _write_sheet(sheet_of(made), files)
    if files.csv:
        write_csv(made, files.csv)
    if as_json:
        print_json(to_json_dict(made))
    else:
        print(to_text(made, console().width))  # noqa: T201
    _fail_if_altered(made)


def merge(run_folders: list[Path], files: Files, *, as_json: bool) -> None:
    """Print the joint account of several runs of one day, and write it to files."""
    from controller.account import merging
    from controller.account.sheet import sheet_of_merged

    _refuse_other_files(files)
    merged = merging.merge_runs(run_folders)
    if files.html or files.markdown:
        _write_sheet(sheet_of_merged(merged), files)
    if files.csv:
        merging.write_merged_csv(merged, files.csv)
    if as_json:
        print_json(merging.to_merged_json(merged))
    else:
        print(merging.to_text(merged, console().width))  # noqa: T201
    _fail_if_altered(*(one.account for one in merged.runs))


def _refuse_other_files(files: Files) -> None:
    """Refuse to write over what is no earlier page or table: a journal named by mistake would be gone.

    Raises:
        UsageError: if a file is there whose name has another ending.
    """
    for option, path, endings in (
        ("--html", files.html, (".html", ".htm")),
        ("--markdown", files.markdown, (".md", ".markdown", ".txt")),
        ("--csv", files.csv, (".csv", ".txt")),
    ):
        if path is not None and path.is_file() and path.resolve().suffix.lower() not in endings:
            raise UsageError(
                f"{option} {path}: there is a file of this name, and it is not overwritten. "
                f"Mend: give a name that ends in {endings[0]}."
            )


def _write_sheet(sheet: Sheet, files: Files) -> None:
    from controller.account.markdown import to_markdown
    from controller.account.page import to_html

    for path, what, render in (
        (files.html, "page", to_html),
        (files.markdown, "Markdown", to_markdown),
    ):
        if path is None:
            continue
        try:
            path.write_text(render(sheet), encoding="utf-8", errors="backslashreplace")
        except OSError as error:
            raise JournalError(
                f"{path}: the {what} cannot be written ({error.strerror}). Mend: give another path."
            ) from error


def _fail_if_altered(*made: Account) -> None:
    """Exit as for any other altered journal, once the account of it is printed."""
    import typer

    if any(one.journal_state is JournalState.ALTERED for one in made):
        raise typer.Exit(JournalError.exit_code)
