"""The page's process: it serves the paths, and talks to the run over a pipe. It ends with the run's process."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import threading
import warnings
from multiprocessing.connection import Connection

import uvicorn

from controller.cameras.punctual import hand_memory_back
from controller.page.app import make_app
from controller.page.hub import Hub
from controller.page.messages import Close, FromPage, Listening, PageSpec

_NICENESS = 5
"""The page gives way to the run and its cameras."""
_LAST_WORDS_S = 0.3
"""So long readers are given at the end to take the last view."""


def serve(spec: PageSpec, connection: Connection) -> None:
    """Serve until the run says that it is over, or is gone. Nothing is logged: the run notes what matters."""
    logging.disable(logging.CRITICAL)
    warnings.simplefilter("ignore")
    hand_memory_back()
    with contextlib.suppress(OSError):
        os.nice(_NICENESS)
    asyncio.run(_serve(spec, connection))


async def _serve(spec: PageSpec, connection: Connection) -> None:
    hub = Hub(spec.limits, spec.language)

    def tell(message: FromPage) -> None:
        connection.send(message)

    config = uvicorn.Config(
        make_app(spec, hub, tell), loop="asyncio", http="h11", ws="none", lifespan="off", log_config=None,
        access_log=False, server_header=False, proxy_headers=False, ssl_certfile=spec.certificate,
        ssl_keyfile=spec.certificate_key, timeout_graceful_shutdown=1,
    )  # fmt: skip
    server = uvicorn.Server(config)
    loop = asyncio.get_running_loop()

    def end() -> None:
        hub.end_all()
        server.should_exit = True

    def listen() -> None:
        try:
            while not isinstance(message := connection.recv(), Close):
                loop.call_soon_threadsafe(hub.take, message)
        except (EOFError, OSError):
            os._exit(1)  # the run is gone: nobody is shown what is no more
        loop.call_soon_threadsafe(loop.call_later, _LAST_WORDS_S, end)

    threading.Thread(target=listen, name="from the run", daemon=True).start()
    tell(Listening())
    await server.serve(sockets=[spec.listening])
