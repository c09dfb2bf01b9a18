"""The page beside a live run: opened, shown to the operator, closed."""

from __future__ import annotations

import sys
from pathlib import Path

from controller.cli.output import console
from controller.errors import UsageError
from controller.page.access import new_code, spaced
from controller.page.address import Door, PageOptions, open_door, pairing_url, qr_text
from controller.page.data import day_json
from controller.page.messages import PageSpec
from controller.page.process import PageProcess
from controller.timeline.model import Timeline


class OpenPage:
    """A page that is being served, and what to call it."""

    def __init__(self, process: PageProcess, door: Door) -> None:
        self.process = process
        self._door = door

    def corner(self) -> str:
        """Return address and code for a line of the screen; empty when the page is off."""
        code = self.process.code
        return f"{self._door.urls[0]}  code {spaced(code)}" if code else ""

    def tell(self, *, secure: bool) -> None:
        """Show where the page is and how a browser is paired, on standard error."""
        out = console(error=True)
        code = self.process.code
        for url in self._door.urls:
            out.print(f"Page: {url}", soft_wrap=True)
        out.print(f"Its code: {spaced(code)} (good once; the next one stands on the screen)")
        if self._door.local:
            return
        if not secure:
            out.print(
                "The page is not encrypted: whoever can listen in on this network can see and press what you do. "
                "Use a network of your own, or give --certificate and --certificate-key."
            )
        if out.is_terminal and out.encoding.lower().startswith("utf"):
            out.print(
                qr_text(pairing_url(self._door.urls[0], code)), markup=False, highlight=False, soft_wrap=True
            )


def open_page(
    options: PageOptions, timeline: Timeline, *, scripted: bool, resumed: bool = False
) -> OpenPage | None:
    """Serve the page for a live run and tell the operator where; None where none is wanted.

    A resumed run may have no time to lose: it takes another port where its own is not free, and goes on
    without a page where it has to. So does every run that was not asked to listen anywhere.

    Raises:
        UsageError: if what is asked for cannot be had.
    """
    if options.on is False or (scripted and not options.given):
        return None
    try:
        door = open_door(options, any_port=resumed)
    except UsageError as error:
        if options.listen and not resumed:
            raise
        sys.stderr.write(f"The run goes on without its page. {error}\n")
        return None
    spec = PageSpec(
        listening=door.listening,
        secure=options.certificate is not None,
        certificate=_text(options.certificate),
        certificate_key=_text(options.certificate_key),
        names=door.names,
        day=day_json(timeline, timeline.phrases.language),
        language=timeline.phrases.language,
        code=new_code(),
    )
    page = OpenPage(PageProcess(spec), door)
    page.tell(secure=spec.secure)
    return page


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path)
