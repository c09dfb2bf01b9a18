"""The account as one HTML page: nothing outside it is asked for, and no script is in it."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from controller.account.plots import Plot
from controller.account.sheet import Block, Grid, Items, Sheet
from controller.account.text import visible


def to_html(sheet: Sheet) -> str:
    """Return the document as a page (HTML, UTF-8): light, dark or print as the reader's browser is set."""
    return _template().render(sheet=sheet)


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("controller.account"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_printable,
    )
    environment.filters["kind"] = _kind
    return environment.get_template("account.html")


def _printable(value: object) -> object:
    """Write out what cannot be printed in every text that is not the page's own."""
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _kind(block: Block) -> str:
    match block:
        case Grid():
            return "grid"
        case Items():
            return "items"
        case Plot():
            return "plot"
        case _:
            return "words"
