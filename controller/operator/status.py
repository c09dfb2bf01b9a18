"""The status of a run, published to an MQTT broker for whoever watches from afar. Off unless asked for.

It is one way out: nothing is subscribed to, so nothing that anybody publishes reaches the run (HF-S25). All
of it happens in threads of its own, and only the newest status waits: a slow or dead broker costs the run
one note.
"""

from __future__ import annotations

import json
import threading
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from controller.cameras.protocol import Clock
from controller.engine import messages as m
from controller.engine.view import RunView, view_to_dict
from controller.errors import UsageError
from controller.live.driver import Post, Surface
from controller.units import UtcNs

PASSWORD_VARIABLE = "HOLDFIRE_MQTT_PASSWORD"  # noqa: S105 (the name of a variable)
"""The environment variable that the broker's password is taken from."""
GAP_S = 1.0
"""A status follows another by this at least."""
STILL_THERE_S = 10
"""A status that has not changed is published again after so many gaps, with the time in it."""
GONE = {"state": "gone"}
"""What the broker publishes in the run's place when the connection breaks (the last will)."""

_KEEPALIVE_S = 15
_CLOSING_S = 2.0
"""How long the end of a run waits for the broker to take the last status."""
_SHAPE = "mqtt://user@host:1883/topic"


@dataclass(frozen=True, kw_only=True)
class Broker:
    """Where a status goes."""

    host: str
    port: int
    user: str | None
    topic: str
    tls: bool
    ca_file: Path | None = None
    """PEM file of the authorities to trust; the system's when None."""

    @classmethod
    def parse(cls, address: str, ca_file: Path | None = None) -> Broker:
        """Read ``mqtt://user@host:1883/topic``, or ``mqtts://`` for TLS (port 8883 when left out).

        Raises:
            UsageError: if it is no such address, holds a password, or a file is given without TLS.
        """
        try:
            parts = urlsplit(address)
            port = parts.port
            (parts.hostname or "").encode("idna")
        except ValueError as error:  # UnicodeError is one
            raise UsageError(f"--mqtt: {error}. Mend: write {_SHAPE}.") from None
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname or set(address) & set("?#"):
            raise UsageError(f'--mqtt: "{_hidden(address)}" is no broker\'s address. Mend: write {_SHAPE}.')
        if parts.password is not None:
            raise UsageError(
                "--mqtt: a password on the command line can be read by every user of this computer. "
                f"Mend: leave it out, and set the environment variable {PASSWORD_VARIABLE}."
            )
        topic = unquote(parts.path.removeprefix("/"))
        if not topic or not topic.isprintable() or set(topic) & set("+#") or len(topic) > 200:
            raise UsageError(f"--mqtt: the topic is missing, or holds + or #. Mend: write {_SHAPE}.")
        tls = parts.scheme == "mqtts"
        if ca_file and not tls:
            raise UsageError("--mqtt-ca is for TLS alone. Mend: begin the address with mqtts://.")
        user = unquote(parts.username) if parts.username else None
        port = port or (8883 if tls else 1883)
        return cls(host=parts.hostname, port=port, user=user, topic=topic, tls=tls, ca_file=ca_file)


def _hidden(address: str) -> str:
    """Return an address without what may be a password."""
    before, at, after = address.rpartition("@")
    return f"...@{after}" if at and ":" in before else address


class StatusPublisher:
    """Publishes the newest view: retained, once a second at most, and only when it has changed.

    A live run's surface beside the operator's own; it hears nothing.
    """

    def __init__(self, broker: Broker, password: str | None = None) -> None:
        """Connect to nothing yet.

        Raises:
            UsageError: if the file of authorities cannot be used.
        """
        self._broker = broker
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=f"holdfire-{uuid.uuid4().hex[:12]}")
        self._client.will_set(broker.topic, json.dumps(GONE), qos=1, retain=True)
        self._client.reconnect_delay_set(1, 10)
        if broker.user:
            self._client.username_pw_set(broker.user, password)
        if broker.tls:
            try:
                self._client.tls_set(ca_certs=str(broker.ca_file) if broker.ca_file else None)
            except OSError as error:  # a TLS error is one
                raise UsageError(
                    f"--mqtt-ca: {broker.ca_file} cannot be used ({error.strerror or error}). "
                    "Mend: give the authority's certificate as a PEM file."
                ) from None
        self._client.on_connect = self._connected
        self._client.on_connect_fail = self._unreachable
        self._client.on_disconnect = self._disconnected
        self._client.on_publish = self._taken
        self._view: RunView | None = None
        self._sent: dict[str, Any] | None = None
        self._since_sent = 0
        self._waits_for_answer = False
        self._told = False
        self._ended = threading.Event()
        self._idle = threading.Event()
        self._thread = threading.Thread(target=self._work, name="status", daemon=True)
        self._post: Post | None = None
        self._clock: Clock | None = None

    def open(self, post: Post, clock: Clock) -> None:
        """Begin to connect and to publish, in threads of their own."""
        self._post, self._clock = post, clock
        self._thread.start()

    def show(self, view: RunView) -> None:
        """Take the newest view. Returns at once and never raises."""
        self._view = view

    def close(self) -> None:
        """Publish the last view where the broker takes it at once, and end."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(_CLOSING_S)

    # --- its own thread -------------------------------------------------------------------------

    def _work(self) -> None:
        try:
            self._client.connect_async(self._broker.host, self._broker.port, _KEEPALIVE_S)
            self._client.loop_start()
            while not self._ended.wait(GAP_S):
                self._publish()
            self._idle.wait(_CLOSING_S / 4 if self._waits_for_answer else 0)
            self._publish()
            self._idle.wait(_CLOSING_S / 4 if self._waits_for_answer else 0)
            self._client.disconnect()  # in order: no last will
        except Exception as error:  # noqa: BLE001 - whatever it is, the run goes on
            self._tell(f"failed: {type(error).__name__}: {error}")

    def _publish(self) -> None:
        """Publish the newest view if it says something new and the broker has taken the one before."""
        view = self._view
        if view is None or self._waits_for_answer or not self._client.is_connected():
            return
        status = view_to_dict(view)
        news = _without_time(status)
        self._since_sent += 1
        if news == self._sent and self._since_sent < STILL_THERE_S:
            return
        self._waits_for_answer = True
        self._idle.clear()
        self._sent, self._since_sent = news, 0
        self._client.publish(self._broker.topic, json.dumps(status), qos=1, retain=True)

    # --- the connection's thread ----------------------------------------------------------------

    def _connected(
        self, _client: Client, _data: object, _flags: ConnectFlags, code: ReasonCode, _more: Properties | None
    ) -> None:
        if code.is_failure:
            self._tell(f"refused the connection ({code})")
        self._sent = None  # the last will may stand there now

    def _unreachable(self, _client: Client, _data: object) -> None:
        self._tell("cannot be reached")

    def _disconnected(
        self,
        _client: Client,
        _data: object,
        _flags: DisconnectFlags,
        code: ReasonCode,
        _more: Properties | None,
    ) -> None:
        if code.is_failure and not self._ended.is_set():
            self._tell(f"is lost ({code})")

    def _taken(
        self, _client: Client, _data: object, _mid: int, _code: ReasonCode, _more: Properties | None
    ) -> None:
        self._waits_for_answer = False
        self._idle.set()

    def _tell(self, what: str) -> None:
        """Note the first trouble, and no other."""
        if self._told or self._post is None or self._clock is None:
            return
        self._told = True
        text = f"the status broker {self._broker.host}:{self._broker.port} {what}; the run goes on without it"
        self._post(m.Noted(now_utc_ns=UtcNs(self._clock.now_ns()), text=text))


def _without_time(status: dict[str, Any]) -> dict[str, Any]:
    """Return what makes a status new: all but the mere passing of time."""
    rigs = [{**rig, "filter_asked_late_s": None} for rig in status["rigs"]]
    return {**status, "now_utc": None, "rigs": rigs}


class Watched:
    """An operator's surface with others beside it that only look on."""

    def __init__(self, surface: Surface, onlookers: tuple[Surface, ...]) -> None:
        """`surface` is the operator's: it comes first, and its errors are the ones that count."""
        self._all = (surface, *onlookers)

    def open(self, post: Post, clock: Clock) -> None:
        """Open all."""
        for one in self._all:
            one.open(post, clock)

    def show(self, view: RunView) -> None:
        """Show it to all."""
        for one in self._all:
            one.show(view)

    def close(self) -> None:
        """Close all, the operator's first: the terminal is theirs again."""
        for one in self._all:
            one.close()
