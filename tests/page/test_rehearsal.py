"""A rehearsal in real time with its page, as it is started from the command line."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import signal
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from controller.account.audit import audit
from controller.journal.folder import RunFolder
from tests.cli.command import HOLDFIRE, SAMPLES, child_of, environment, holdfire, only_run
from tests.page.serving import PATIENCE_S, Browser, Events, until, word


class Rehearsal:
    """One that goes on, with what it prints and its journal."""

    def __init__(self, folder: Path, words: list[str] | None = None) -> None:
        self.folder = folder / "runs"
        begin = [
            "rehearse",
            str(SAMPLES / "total_2027.yaml"),
            "--from",
            "1 min after C2",
            "--runs",
            str(self.folder),
        ]
        self.process = subprocess.Popen(
            [*HOLDFIRE, *(words or begin), "--plain", "--silent"],
            cwd=folder, env=environment(), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.pages: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self.origin, self.code = self.corner()

    def _read(self) -> None:
        assert self.process.stdout
        for line in self.process.stdout:
            if line.startswith("Page: "):
                self.pages.put(line)

    def corner(self) -> tuple[str, str]:
        """The address and the code that the terminal tells next."""
        found = re.fullmatch(r"Page: (\S+)/  code (\d{4} \d{4})\n", self.pages.get(timeout=PATIENCE_S))
        assert found
        return found[1], found[2]

    def paired(self) -> Browser:
        """A browser paired by the code that stands in the terminal."""
        browser = Browser(base_url=self.origin, headers={"Origin": self.origin}, timeout=PATIENCE_S)
        assert browser.post("/api/pair", json={"code": self.code}).status_code == 204
        return browser

    def records(self) -> list[dict[str, Any]]:
        """The whole records that are in the journal now."""
        text = (only_run(self.folder) / "journal.jsonl").read_text()
        return [json.loads(line) for line in text.splitlines(keepends=True) if line.endswith("\n")]

    def of(self, kind: str) -> list[dict[str, Any]]:
        """The records of a kind."""
        return [record for record in self.records() if record["kind"] == kind]


@contextlib.contextmanager
def rehearsing(folder: Path, words: list[str] | None = None) -> Iterator[Rehearsal]:
    """Begin a rehearsal, or what `words` say; leave nothing of it running."""
    one = Rehearsal(folder, words)
    try:
        yield one
    finally:
        one.process.kill()
        one.process.communicate()


def say(browser: Browser, events: Events, kind: str, **more: Any) -> str:
    """Say a word, with a second act where one is asked for, and wait until the engine has heard it."""
    sent = word(kind, **more)
    answer = browser.post("/api/words", json=sent)
    if answer.status_code == 409:
        answer = browser.post("/api/words", json={**sent, "confirmed": True})
    assert answer.status_code == 202, answer.text
    while sent["id"] not in json.loads(events.next("view"))["heard"]:
        pass
    return str(sent["id"])


def test_words_of_every_kind_through_the_page_into_the_journal(tmp_path: Path) -> None:
    """HF-S29: each word said on the page stands in the journal, by the page and by its id, and is shown as heard."""
    with rehearsing(tmp_path) as run:
        with run.paired() as browser, contextlib.closing(Events(browser)) as events:
            assert run.corner()[1] != run.code  # the terminal shows another code once one is used
            browser_day = browser.get("/api/day").json()
            said = [
                ("filter_said", say(browser, events, "filter", state="off")),
                ("paused", say(browser, events, "pause", rig="long")),
                ("went_on", say(browser, events, "go on", rig="long")),
                ("filter_said", say(browser, events, "filter", state="on", rig="long")),
            ]
            until(lambda: run.of("frame_missed"))
            said.append(("stop_asked", say(browser, events, "stop")))
        assert run.process.wait(PATIENCE_S) == 10
        folder = RunFolder.open(only_run(run.folder))
        records = folder.read().records
        words = [(r["kind"], r["word_id"]) for r in records if "word_id" in r]
        assert words == said
        assert {r["by"] for r in records if "word_id" in r} == {"page"}
        assert [r["state"] for r in records if r["kind"] == "filter_said"] == ["off", "on"]
        assert audit(folder.timeline(), records) == []
        assert browser_day["contacts"][1] == {
            "name": "C2", "utc_ms": folder.timeline().contacts_utc_ns["C2"] // 1_000_000,
        }  # fmt: skip
        assert sum(map(len, browser_day["frames"].values())) == len(folder.timeline().frames)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="no /proc to find a child process in")
def test_killing_the_page_costs_the_run_nothing(tmp_path: Path) -> None:
    """HF-S18: frames go on firing past the kill, none is lost by it, and the paired phone is heard again."""
    with rehearsing(tmp_path) as run:
        with run.paired() as browser:
            with contextlib.closing(Events(browser)) as events:
                say(browser, events, "filter", state="off")
            until(lambda: run.of("frame_fired"))
            os.kill(child_of(run.process.pid, "page"), signal.SIGKILL)
            before = len(run.of("frame_fired"))
            until(lambda: any("started again" in record["text"] for record in run.of("note")))
            until(lambda: len(run.of("frame_fired")) > before + 3)
            with contextlib.closing(Events(browser)) as events:
                stop = say(browser, events, "stop")
        assert run.process.wait(PATIENCE_S) == 10
        assert [record["word_id"] for record in run.of("stop_asked")] == [stop]
        assert run.of("frame_failed") == run.of("camera_lost") == []


def test_a_page_ends_with_its_run_and_a_resumed_run_has_one_again(tmp_path: Path) -> None:
    """After kill -9 of the run nobody is served what is no more; resuming serves a page and hears its words."""
    with rehearsing(tmp_path) as run:
        with run.paired() as browser, contextlib.closing(Events(browser)) as events:
            events.next("view")
            run.process.kill()
            with contextlib.suppress(httpx.TransportError):
                events.read_to_its_end()
            until(lambda: not answers(browser))
        resumed = ["resume", str(only_run(run.folder))]
    with rehearsing(tmp_path, resumed) as again:
        with again.paired() as browser, contextlib.closing(Events(browser)) as events:
            stop = say(browser, events, "stop")
        assert again.process.wait(PATIENCE_S) == 10
        assert [record["word_id"] for record in again.of("stop_asked")] == [stop]


def answers(browser: Browser) -> bool:
    """Whether anything answers at the page's address."""
    try:
        return bool(browser.get("/"))
    except httpx.TransportError:
        return False


def test_the_full_screen_shows_address_and_code(tmp_path: Path) -> None:
    """On a terminal, the page's address and the code stand on the screen, and a new code after each pairing."""
    mine, theirs = os.openpty()
    process = subprocess.Popen(
        [*HOLDFIRE, "rehearse", str(SAMPLES / "total_2027.yaml"), "--from", "1 min after C2", "--silent"],
        cwd=tmp_path, env={**environment(), "TERM": "xterm"}, stdin=theirs, stdout=theirs, stderr=theirs,
    )  # fmt: skip
    os.close(theirs)
    try:
        origin, code = on_screen(mine, process)
        with Browser(base_url=origin, headers={"Origin": origin}, timeout=PATIENCE_S) as browser:
            assert browser.post("/api/pair", json={"code": code}).status_code == 204
        assert on_screen(mine, process, other_than=code)[0] == origin
        os.write(mine, b"qy")
        with contextlib.suppress(OSError):
            while os.read(mine, 65536):
                pass
        assert process.wait(PATIENCE_S) == 10
    finally:
        process.kill()
        process.wait()
        os.close(mine)


def on_screen(terminal: int, process: subprocess.Popen[bytes], other_than: str = "") -> tuple[str, str]:
    """The page's address and the code, once they are drawn."""
    drawn = b""
    while process.poll() is None:
        drawn += os.read(terminal, 65536)
        for found in re.finditer(rb"Page: (http\S+)/  code (\d{4} \d{4})", drawn):
            if found[2].decode() != other_than:
                return found[1].decode(), found[2].decode()
    raise AssertionError(drawn.decode())


def test_a_run_without_a_page_is_quiet_about_it(tmp_path: Path) -> None:
    """With --no-page nothing is served and nothing said of it."""
    process = subprocess.Popen(
        [*HOLDFIRE, "rehearse", str(SAMPLES / "total_2027.yaml"), "--from", "1 min after C2", "--plain",
         "--silent", "--no-page"],
        cwd=tmp_path, env=environment(), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout
    first = process.stdout.readline()
    printed, complaints = process.communicate("stop\nyes\n", timeout=PATIENCE_S)
    assert process.returncode == 10
    assert "Page" not in first + printed + complaints


def test_wishes_that_cannot_be_had_are_refused_before_the_run(tmp_path: Path) -> None:
    """A wrong address, and a page in virtual time: one line, exit code 2, and no run folder."""
    plan = str(SAMPLES / "total_2027.yaml")
    for words in (("--listen", "the tent"), ("--listen", "192.0.2.77"), ("--listen", "0.0.0.0", "--fast")):  # noqa: S104
        done = holdfire("rehearse", plan, "--plain", *words, cwd=tmp_path)
        assert done.returncode == 2, done.stderr
        assert "Mend:" in done.stderr
        assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "runs").exists()
