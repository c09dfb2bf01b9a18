"""Where the page listens, and under which addresses it is reached."""

from __future__ import annotations

import contextlib
import ipaddress
import re
import socket
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from controller.errors import UsageError

PORT = 8427
"""Taken when it is free and no other is asked for."""
_PORTS = 20
"""So many are tried from there on."""
_HERE = "127.0.0.1"
SEND_BUFFER_BYTES = 32_768
"""Small, so that a slow reader is given new views, not a queue of old ones."""


@dataclass(frozen=True)
class PageOptions:
    """What the command line asks of the page."""

    on: bool | None = None
    """None: on where a person operates the run, off where a script does."""
    listen: str | None = None
    certificate: Path | None = None
    certificate_key: Path | None = None

    @property
    def given(self) -> bool:
        """Whether anything was asked for."""
        return self != PageOptions() and self.on is not False

    def check(self, *, fast: bool = False) -> None:
        """Refuse what does not go together, and a page for a run in virtual time.

        Raises:
            UsageError: if it does not, or the certificate cannot be used.
        """
        if fast and self.given:
            raise UsageError(
                "A run in virtual time has no page. Mend: leave --fast or the page's options out."
            )
        if self.on is False and (self.listen or self.certificate or self.certificate_key):
            raise UsageError("--no-page goes with no other option of the page. Mend: leave one of them out.")
        if (self.certificate is None) != (self.certificate_key is None):
            raise UsageError("--certificate and --certificate-key go together. Mend: give both, or neither.")
        if self.certificate and self.certificate_key:
            _check_certificate(self.certificate, self.certificate_key)


def _check_certificate(certificate: Path, key: Path) -> None:
    import ssl

    def locked() -> str:
        raise UsageError(f"{key}: the key is locked by a password. Mend: give one that is not.")

    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, locked)
    except OSError as error:  # a TLS error is one
        raise UsageError(
            f"--certificate: {certificate} and {key} cannot be used ({error.strerror or error}). "
            "Mend: give the certificate and its own key as PEM files."
        ) from None


@dataclass(frozen=True)
class Door:
    """A socket that listens, and what to call it."""

    listening: socket.socket
    urls: tuple[str, ...]
    """How it is reached, the best first."""
    names: tuple[str, ...]
    local: bool
    """Whether only this computer reaches it."""


def open_door(options: PageOptions, *, any_port: bool = False) -> Door:
    """Listen where it is asked for; on this computer alone when it is not.

    Args:
        options: what is asked for.
        any_port: take the next free port even if a certain one was asked for.

    Raises:
        UsageError: if that address is none of this computer's, or no port is free.
    """
    host, port = parse_listen(options.listen) if options.listen else (_HERE, None)
    listening = _bind(host, port, any_port=any_port or port is None)
    bound = listening.getsockname()
    ip = ipaddress.ip_address(bound[0].partition("%")[0])
    name = socket.gethostname()
    if ip.is_loopback:
        names: tuple[str, ...] = ("localhost",)
        hosts = [_in_url(str(ip))]
    else:
        names = ("localhost", name, f"{name}.local")
        hosts = [_in_url(one) for one in ([str(ip)] if not ip.is_unspecified else _own_addresses(ip.version))]
        hosts = hosts or [f"{name}.local"]
    scheme = "https" if options.certificate else "http"
    return Door(listening, tuple(f"{scheme}://{one}:{bound[1]}/" for one in hosts), names, ip.is_loopback)


def parse_listen(text: str) -> tuple[str, int | None]:
    """Read ``ADDRESS``, ``ADDRESS:PORT``, ``[IPv6]`` or ``[IPv6]:PORT``.

    Raises:
        UsageError: if it is none of them.
    """
    found = re.fullmatch(r"(?:\[(?P<six>[^\]]+)\]|(?P<four>[^:]+))(?::(?P<port>\d{1,5}))?", text.strip())
    address = (found["six"] or found["four"]) if found else ""
    port = int(found["port"]) if found and found["port"] else None
    try:
        ip = ipaddress.ip_address("127.0.0.1" if address == "localhost" else address)
    except ValueError:
        ip = None
    if ip is None or (port is not None and not 0 < port < 65536):
        raise UsageError(
            f'--listen: "{text}" is no address of this computer. Mend: write 0.0.0.0 for all of its networks, '
            "or one address, with a port or without: 192.168.1.5:8427."
        )
    return str(ip), port


def _bind(host: str, port: int | None, *, any_port: bool) -> socket.socket:
    first = port or PORT
    ports = range(first, min(first + _PORTS, 65536)) if any_port else [first]
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    problem: OSError | None = None
    for one in ports:
        listening = socket.socket(family, socket.SOCK_STREAM)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
            listening.bind((host, one))
            listening.listen(128)
        except OSError as error:
            listening.close()
            problem = error
        else:
            return listening
    raise UsageError(
        f"The page cannot listen on {_in_url(host)}:{first} ({problem.strerror if problem else ''}). "
        "Mend: give another --listen ADDRESS:PORT, or --no-page."
    )


def _own_addresses(version: int) -> list[str]:
    """Return the address by which this computer is on a network, if it is on one; nothing is sent."""
    family, somewhere = (
        # Documentation addresses (RFC 5737, RFC 3849): only the way there is looked up.
        (socket.AF_INET, "192.0.2.1") if version == 4 else (socket.AF_INET6, "2001:db8::1")
    )
    with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
        probe.connect((somewhere, 9))
        return [str(probe.getsockname()[0])]
    return []


def _in_url(address: str) -> str:
    return f"[{address}]" if ":" in address else address


def pairing_url(url: str, code: str) -> str:
    """Return the address that pairs a browser: the code stands behind the ``#``, which is never sent anywhere."""
    return f"{url}#{code}"


def qr_text(text: str) -> str:
    """Return a QR code (ISO/IEC 18004) in half blocks, light on dark; a reader takes it the other way round, too."""
    import segno

    drawn = StringIO()
    segno.make(text, error="l", micro=False).terminal(drawn, border=2, compact=True)
    return drawn.getvalue()
