"""A real MQTT broker on a free port of this computer, and somebody who listens to it."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

_WHERE = f"{os.environ.get('PATH', '')}:/usr/sbin"
MOSQUITTO = shutil.which("mosquitto", path=_WHERE)
MOSQUITTO_PASSWD = shutil.which("mosquitto_passwd", path=_WHERE)
needs_mosquitto = pytest.mark.skipif(
    not (MOSQUITTO and MOSQUITTO_PASSWD), reason="mosquitto is not installed"
)
LONGEST_S = 20.0
"""No wait of these tests takes longer unless something is broken."""


def until(true: Callable[[], object]) -> None:
    """Wait for something, within bounds."""
    end = time.monotonic() + LONGEST_S
    while not true():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.01)


class MqttBroker:
    """A mosquitto with a configuration of its own."""

    def __init__(self, folder: Path, *more: str, anonymous: bool = True) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self.log = folder / "broker.log"
        lines = ["user root", f"listener {self.port} 127.0.0.1", f"allow_anonymous {str(anonymous).lower()}"]
        (folder / "broker.conf").write_text("\n".join([*lines, *more, ""]))
        assert MOSQUITTO
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                [MOSQUITTO, "-v", "-c", str(folder / "broker.conf")], stdout=log, stderr=log
            )
        until(self._answers)

    def _answers(self) -> bool:
        assert self.process.poll() is None, self.log.read_text()
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
            return True
        return False

    def kill(self) -> None:
        """End it without a word."""
        self.process.kill()
        self.process.wait()

    def heard(self, what: str, client: str = "holdfire-") -> list[str]:
        """The lines of its log that say it received this kind of packet from such a client."""
        wanted = f"Received {what} from {client}"
        return [line for line in self.log.read_text().splitlines() if wanted in line]


@contextlib.contextmanager
def mqtt_broker(folder: Path, *more: str, anonymous: bool = True) -> Iterator[MqttBroker]:
    """A broker that is ended in the end."""
    broker = MqttBroker(folder, *more, anonymous=anonymous)
    try:
        yield broker
    finally:
        broker.kill()


@contextlib.contextmanager
def listener(port: int, user: str | None = None, password: str | None = None) -> Iterator[Listener]:
    """Somebody who hears every topic of a broker, and may speak."""
    one = Listener(port, user, password)
    try:
        yield one
    finally:
        one.client.disconnect()
        one.client.loop_stop()


class Listener:
    """Somebody who hears every topic, and may speak."""

    def __init__(self, port: int, user: str | None, password: str | None) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="somebody")
        if user:
            self.client.username_pw_set(user, password)
        subscribed = threading.Event()
        self.client.on_message = self._hear
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.on_connect = lambda *_: self.client.subscribe("#", 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert subscribed.wait(LONGEST_S)

    def _hear(self, _client: object, _data: object, message: Any) -> None:
        self.messages.append((message.topic, message.payload, message.retain))
