"""Where the page listens, and what it is called."""

from __future__ import annotations

import socket
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from controller.errors import UsageError
from controller.page import address
from controller.page.address import PageOptions, open_door, pairing_url, parse_listen, qr_text


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("192.0.2.5", ("192.0.2.5", None)),
        ("0.0.0.0:9000", ("0.0.0.0", 9000)),  # noqa: S104
        ("[::1]:8427", ("::1", 8427)),
        ("[::]", ("::", None)),
        ("localhost:8500", ("127.0.0.1", 8500)),
    ],
)
def test_addresses_are_read(text: str, meant: tuple[str, int | None]) -> None:
    """An address with a port or without, IPv6 in brackets."""
    assert parse_listen(text) == meant


@pytest.mark.parametrize(
    "text", ["", "tent", "192.0.2.5:0", "192.0.2.5:70000", "192.0.2.5:", "::1:80", "1.2.3"]
)
def test_what_is_no_address_is_refused(text: str) -> None:
    """Anything else is refused in one line that says how to write it."""
    with pytest.raises(UsageError, match="Mend: write 0\\.0\\.0\\.0"):
        parse_listen(text)


def test_this_computer_alone_by_default_and_the_next_port_where_one_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """HF-S26: without --listen only 127.0.0.1 is bound; a taken port gives way to the next free one."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        monkeypatch.setattr(address, "PORT", taken.getsockname()[1])
        door = open_door(PageOptions())
        with door.listening:
            host, port = door.listening.getsockname()
            assert host == "127.0.0.1"
            assert taken.getsockname()[1] < port < taken.getsockname()[1] + 20
            assert door.urls == (f"http://127.0.0.1:{port}/",)
            assert door.local


def test_a_port_that_was_asked_for_and_is_taken_is_refused_but_not_when_resuming() -> None:
    """A wanted port that is taken is told before the run; a resumed run takes the next one."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        options = PageOptions(listen=f"127.0.0.1:{taken.getsockname()[1]}")
        with pytest.raises(UsageError, match=r"cannot listen on 127\.0\.0\.1:\d+ .*Mend: give another"):
            open_door(options)
        open_door(options, any_port=True).listening.close()


def test_all_networks_are_named_by_the_addresses_of_this_computer() -> None:
    """Listening everywhere, no shown address is 0.0.0.0, which a phone could not open."""
    door = open_door(PageOptions(listen="0.0.0.0"))  # noqa: S104
    with door.listening:
        assert not door.local
        assert door.urls
        assert all(urlsplit(url).hostname not in (None, "0.0.0.0") for url in door.urls)  # noqa: S104
        assert f"{socket.gethostname()}.local" in door.names


@pytest.mark.parametrize(
    ("options", "match"),
    [
        (PageOptions(on=False, listen="127.0.0.1"), "--no-page"),
        (PageOptions(certificate=Path("a.pem")), "go together"),
        (PageOptions(certificate_key=Path("a.pem")), "go together"),
        (PageOptions(certificate=Path("no.pem"), certificate_key=Path("no.key")), "cannot be used"),
    ],
)
def test_options_that_do_not_go_together_are_refused(options: PageOptions, match: str) -> None:
    """Half a certificate, a missing one, and options of a page that is switched off: one line each."""
    with pytest.raises(UsageError, match=match):
        options.check()


def test_virtual_time_has_no_page() -> None:
    """A page for a rehearsal in virtual time is refused; without any wish nothing is said."""
    with pytest.raises(UsageError, match="virtual time"):
        PageOptions(on=True).check(fast=True)
    PageOptions().check(fast=True)


def test_the_code_stands_where_no_browser_sends_it() -> None:
    """HF-S28: the pairing address has the code in its fragment (RFC 3986, 3.5), and the QR code is drawn."""
    parts = urlsplit(pairing_url("http://192.0.2.5:8427/", "12345678"))
    assert (parts.path, parts.query, parts.fragment) == ("/", "", "12345678")
    lines = qr_text("http://192.0.2.5:8427/#12345678").splitlines()
    assert set("".join(lines)) == set("█▀▄ ")
    assert len({len(line) for line in lines}) == 1
