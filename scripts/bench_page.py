"""The page of a live rehearsal of eight cameras; run it by `scripts/bench page`.

How long a touch takes until it is shown as heard by the engine, in a plain client and in Chromium; and how far
releases are from their instants with fifty pages open and with none, turn by turn in the same run. The clients share
the machine with the run, which phones do not. Nothing is asserted.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import queue
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
from bench_memory import eight_cameras

PAGES = 50
TOUCHES = 60
TOUCH_EVERY_S = 0.4
"""Slower than the page's own limit on words."""
TURN_S, TURNS = 12.0, 8
"""The release is measured in turns of this length: none, fifty, fifty, none, and so on."""
SETTLE_S = 2.5
"""After each change so long is not counted: frames are handed over up to two seconds ahead."""
LASTS_S = 420
WANTED_MS = 150.0
PATIENCE_S = 30.0
CHROMIUM = Path("/usr/bin/chromium")
_WATCH = """
(() => {
  const plain = window.fetch;
  let sent = 0;
  window.heardAfterMs = [];
  window.fetch = (...words) => {
    if (String(words[0]).includes("/api/words")) sent = performance.now();
    return plain(...words);
  };
  const look = () => {
    if (!sent || !document.getElementById("told").textContent.startsWith("HEARD")) return;
    const began = sent;
    sent = 0;
    requestAnimationFrame(() => setTimeout(() => window.heardAfterMs.push(performance.now() - began)));
  };
  addEventListener("DOMContentLoaded", () => new MutationObserver(look).observe(
    document.getElementById("told"), { childList: true, characterData: true, subtree: true }));
})();
"""
"""Notes when a word is sent, the hold being done, and when the frame that shows it as heard has been drawn."""

Row = Callable[[str, str, str, float], None]


def page(row: Row) -> None:
    """Take and print every measurement: words at full rate, releases with none at the same instant."""
    with _rehearsing("fill: true", 0.0) as run:
        _touches(row, run, run.pair())
        _touches_in_chromium(row, run)
    with _rehearsing("every: 1 s", 0.12) as run:
        _fifty_pages(row, run, [run.pair() for _ in range(PAGES)])


class _Run:
    """The rehearsal, and what it prints."""

    def __init__(self, folder: Path, how_often: str, apart_s: float) -> None:
        plan = folder / "eight.yaml"
        plan.write_text(eight_cameras(LASTS_S, how_often, apart_s))
        self._runs = folder / "runs"
        command = [
            sys.executable, "-c", "from controller.cli import main; main()", "rehearse", str(plan), "--live",
            "--plain", "--silent", "--from", "1 s before C1", "--terrain", "none", "--runs", str(self._runs),
        ]  # fmt: skip
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self._pages: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()
        self.origin, self._code = self._pages.get(timeout=PATIENCE_S)
        if words := self.process.stdin:
            words.write("on\n")
            words.flush()
        (self.journal,) = self._runs.glob("*/journal.jsonl")
        while b'"kind":"frame_fired"' not in self.journal.read_bytes():
            if self.process.poll() is not None:
                raise RuntimeError(
                    f"the rehearsal ended with {self.process.returncode} before it fired anything"
                )
            time.sleep(0.2)

    def _read(self) -> None:
        for line in self.process.stdout or ():
            if found := re.fullmatch(r"Page: (\S+)/  code (\d{4} \d{4})\n", line):
                self._pages.put((found[1], found[2]))

    def use_code(self) -> str:
        """Return the code that counts now."""
        with contextlib.suppress(queue.Empty):
            while True:
                self.origin, self._code = self._pages.get_nowait()
        return self._code

    def pair(self) -> str:
        """Pair one more browser; return its cookie."""
        code = self.use_code()
        with httpx.Client(
            base_url=self.origin, headers={"Origin": self.origin}, timeout=PATIENCE_S
        ) as client:
            client.post("/api/pair", json={"code": code}).raise_for_status()
            ((name, token),) = client.cookies.items()
        self.origin, self._code = self._pages.get(timeout=PATIENCE_S)
        return f"{name}={token}"

    def errors_us(self, begin: int, end: int) -> list[float]:
        """Return how far releases were from their instants, in a stretch of the journal's bytes; microseconds."""
        lines = self.journal.read_bytes()[begin:end].splitlines()[1:-1]
        records = [json.loads(line) for line in lines if b'"kind":"frame_fired"' in line]
        return [abs(one["released_utc_ns"] - one["due_utc_ns"]) / 1000 for one in records]


@contextlib.contextmanager
def _rehearsing(how_often: str, apart_s: float) -> Iterator[_Run]:
    with tempfile.TemporaryDirectory(dir=".") as folder:
        run = _Run(Path(folder), how_often, apart_s)
        try:
            yield run
        finally:
            run.process.send_signal(signal.SIGINT)
            run.process.wait(60)


def _touches(row: Row, run: _Run, cookie: str) -> None:
    """From the request being sent to the word's id in a view on an open stream, the time of a plain answer beside it."""
    headers = {"Origin": run.origin, "Cookie": cookie}
    heard: dict[str, float] = {}
    came = threading.Condition()
    waits, plain = [], []
    with (
        httpx.Client(base_url=run.origin, headers=headers, timeout=PATIENCE_S) as client,
        httpx.Client(base_url=run.origin, headers=headers, timeout=PATIENCE_S) as reader,
        reader.stream("GET", "/api/events") as stream,
    ):

        def read() -> None:
            with contextlib.suppress(httpx.HTTPError, httpx.StreamError):
                for line in stream.iter_lines():
                    if line.startswith("data: ") and '"heard"' in line:
                        now = time.perf_counter()
                        ids = json.loads(line.removeprefix("data: "))["heard"]
                        with came:
                            for one in ids:
                                heard.setdefault(one, now)
                            came.notify_all()

        threading.Thread(target=read, daemon=True).start()
        for _ in range(TOUCHES):
            word: dict[str, Any] = {"id": str(uuid.uuid4()), "kind": "filter", "state": "on"}
            began = time.perf_counter()
            client.post("/api/words", json=word).raise_for_status()
            with came:
                if not came.wait_for(lambda word_id=word["id"]: word_id in heard, PATIENCE_S):
                    raise RuntimeError("a word was never heard")
            waits.append((heard[word["id"]] - began) * 1000)
            time.sleep(TOUCH_EVERY_S / 2)
            began = time.perf_counter()
            client.get("/").raise_for_status()
            plain.append((time.perf_counter() - began) * 1000)
            time.sleep(TOUCH_EVERY_S / 2)
    _print_waits(row, "client", waits, plain)


def _touches_in_chromium(row: Row, run: _Run) -> None:
    """From the end of the hold to the frame that shows the word as heard."""
    if not CHROMIUM.exists():
        print(f"There is no {CHROMIUM}: touches in a browser are not measured.")
        return
    from playwright.sync_api import sync_playwright

    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"])
        shown = browser.new_page(viewport={"width": 390, "height": 844})
        shown.add_init_script(_WATCH)
        shown.goto(f"{run.origin}/#{run.use_code().replace(' ', '')}")
        button = shown.locator("#word-on")
        button.wait_for(timeout=PATIENCE_S * 1000)
        for count in range(TOUCHES):
            button.hover()
            shown.mouse.down()
            until = time.monotonic() + PATIENCE_S
            while shown.evaluate("window.heardAfterMs.length") == count:
                if time.monotonic() > until:
                    raise RuntimeError(
                        f"a word was never shown as heard: {shown.locator('body').inner_text()!r}"
                    )
                shown.wait_for_timeout(50)
            shown.mouse.up()
        waits: list[float] = shown.evaluate("window.heardAfterMs")
        frames: list[float] = shown.evaluate(
            """async () => { const waits = []; for (let one = 0; one < 60; one++) { const began = performance.now();
            await (await fetch("/", {cache: "no-store"})).text();
            await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
            waits.push(performance.now() - began); } return waits; }"""
        )
        browser.close()
    _print_waits(row, "Chromium", waits, frames)


def _print_waits(row: Row, who: str, waits: list[float], plain: list[float]) -> None:
    for name, pick in (("median", statistics.median), ("p95", _p95)):
        mine, bare = pick(waits), pick(plain)
        row(f"touch to heard, {who}, {name}", f"{mine:.1f} ms", f"{bare:.1f} ms", mine / bare)
    print(
        f"{len(waits)} touches; wanted at the median: under {WANTED_MS:.0f} ms. Yardstick: a plain GET, drawn."
    )


def _fifty_pages(row: Row, run: _Run, cookies: list[str]) -> None:
    """Releases with fifty streams open, the yardstick those with none."""
    errors: dict[bool, list[float]] = {True: [], False: []}
    p99s: dict[bool, list[str]] = {True: [], False: []}
    views = 0
    for turn in range(TURNS):
        crowded = turn % 4 in (1, 2)
        with _Readers(run.origin, cookies if crowded else []) as readers:
            time.sleep(SETTLE_S)
            begin, seen = run.journal.stat().st_size, readers.views
            time.sleep(TURN_S)
            found = run.errors_us(begin, run.journal.stat().st_size)
            errors[crowded] += found
            p99s[crowded].append(f"{_p99(found):.0f}")
            views += readers.views - seen
    for name, pick in (("median", statistics.median), ("p99", _p99), ("worst", max)):
        mine, bare = pick(errors[True]), pick(errors[False])
        row(f"release, {PAGES} pages to none, {name}", f"{mine:.0f} us", f"{bare:.0f} us", mine / bare)
    print(f"p99 turn by turn, us: none {', '.join(p99s[False])}; {PAGES} pages {', '.join(p99s[True])}.")
    crowded_s = TURN_S * sum(turn % 4 in (1, 2) for turn in range(TURNS))
    print(
        f"{len(errors[True])} frames with {PAGES} pages, {len(errors[False])} with none; "
        f"each page got {views / crowded_s / PAGES:.1f} views a second."
    )


class _Readers:
    """So many open streams, read in a thread of their own and counted."""

    def __init__(self, origin: str, cookies: list[str]) -> None:
        self.views = 0
        self._origin, self._cookies = httpx.URL(origin), cookies
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(
            target=self._loop.run_until_complete, args=(self._all(),), daemon=True
        )
        self._ended = asyncio.Event()

    def __enter__(self) -> _Readers:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._ended.set)
        self._thread.join()
        self._loop.close()

    async def _all(self) -> None:
        reading = [asyncio.create_task(self._one(cookie)) for cookie in self._cookies]
        await self._ended.wait()
        for one in reading:
            one.cancel()
        for ended in await asyncio.gather(*reading, return_exceptions=True):
            if not isinstance(ended, asyncio.CancelledError):
                raise RuntimeError(f"a stream ended: {ended!r}")

    async def _one(self, cookie: str) -> None:
        host, port = self._origin.host, self._origin.port
        reader, writer = await asyncio.open_connection(host, port)
        asking = f"GET /api/events HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\n\r\n"
        writer.write(asking.encode())
        if b" 200 " not in await reader.readline():
            raise RuntimeError("a page was refused its stream")
        try:
            while piece := await reader.read(65536):
                self.views += piece.count(b"event: view")
        finally:
            writer.close()


def _p95(values: list[float]) -> float:
    return statistics.quantiles(values, n=100, method="inclusive")[94]


def _p99(values: list[float]) -> float:
    return statistics.quantiles(values, n=100, method="inclusive")[98]
