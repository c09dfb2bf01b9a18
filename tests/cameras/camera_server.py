"""A process of its own around libgphoto2's virtual camera, driven over its standard streams.

The virtual camera has to be asked for before the library is imported, and two cameras in one process
share their state: so the tests' own process never imports it.
"""

from __future__ import annotations

import pickle
import sys
from typing import Any

from controller.cameras.clock import ClockEpoch, MonotonicClock
from controller.cameras.tethered import TetheredCamera, list_cameras, open_tethered


class Server:
    """Answers requests (name, positional arguments, named arguments)."""

    def __init__(self) -> None:
        self.clock = MonotonicClock(ClockEpoch.now())
        self.camera: TetheredCamera | None = None

    def open(self, match: str | None = None, **options: Any) -> None:
        if self.camera is not None:
            self.camera.close()
        self.camera = open_tethered(match, self.clock, **options)

    def list(self) -> list[tuple[str, str]]:
        return list_cameras()

    def raw_set(self, name: str, text: str) -> str | None:
        """Set a widget past the backend, and return what it reads back."""
        camera = self.camera._camera
        widget = camera.get_single_config(name)
        widget.set_value(text)
        camera.set_single_config(name, widget)
        return self.raw_get(name)

    def raw_get(self, name: str) -> str | None:
        value: str | None = self.camera._camera.get_single_config(name).get_value()
        return value

    def answer(self, name: str, arguments: tuple[Any, ...], named: dict[str, Any]) -> Any:
        own = getattr(self, name, None)
        return (own or getattr(self.camera, name))(*arguments, **named)


def main() -> None:
    """Serve until standard input ends."""
    server = Server()
    while True:
        try:
            request = pickle.load(sys.stdin.buffer)  # noqa: S301 - our own parent
        except EOFError:
            return
        try:
            reply: tuple[bool, Any] = (True, server.answer(*request))
        except Exception as error:  # noqa: BLE001 - the test raises it again
            reply = (False, error)
        pickle.dump(reply, sys.stdout.buffer)
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
