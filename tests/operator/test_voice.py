"""Spoken cues, against a stand-in for the speaking program, and against the real one where it is installed."""

from __future__ import annotations

import os
import pty
import shutil
import time
import wave
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.operator.voice import STALE_S, BellVoice, EspeakVoice, SilentVoice, Voice, pick_voice
from controller.units import NS_PER_S

PATIENCE_S = 30.0
"""How long a test waits for another process before it gives up; no result depends on it."""


class Bell:
    """Notes what it is rung for."""

    manner = "test bell"

    def __init__(self) -> None:
        self.rung: list[tuple[str, bool]] = []

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        self.rung.append((text, urgent))

    def finish(self, patience_s: float) -> bool:
        return True

    def close(self) -> None:
        pass


def until(holds: Callable[[], bool]) -> None:
    """Wait until something holds."""
    ends = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < ends, "waited in vain"
        time.sleep(0.005)


class StandIn:
    """A speaking program of the test's own: it notes when it begins and when it ends a sentence."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.program = folder / "espeak-ng"
        self.log = folder / "log"
        self.gate = folder / "gate"
        self.log.touch()
        self.write(f'read -r text; echo "begins $text" >> {self.log}; echo "ends $text" >> {self.log}')

    def write(self, body: str) -> None:
        self.program.write_text(f"#!/bin/sh\n{body}\n", encoding="utf-8")
        self.program.chmod(0o755)

    def hang(self) -> None:
        """Take so long for a sentence with "long" in it that only a cut ends it."""
        self.write(
            f'read -r text; echo "begins $text" >> {self.log}\n'
            f'case "$text" in *long*) sleep 600;; esac\n'
            f'echo "ends $text" >> {self.log}'
        )

    def lines(self) -> list[str]:
        return self.log.read_text(encoding="utf-8").splitlines()


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> StandIn:
    made = StandIn(tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=os.pathsep)
    return made


@pytest.fixture
def bell() -> Bell:
    return Bell()


@pytest.fixture
def speaking() -> Iterator[Callable[..., EspeakVoice]]:
    made: list[EspeakVoice] = []

    def speak(program: object, bell: Voice, **more: Callable[[], int]) -> EspeakVoice:
        made.append(EspeakVoice(str(program), bell=bell, **more))
        return made[-1]

    yield speak
    for voice in made:
        voice.close()


def test_sentences_are_said_one_at_a_time(
    stand_in: StandIn, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """Two sentences given at once are said one after the other, in order."""
    voice = speaking(stand_in.program, bell, steady_ns=lambda: 0)
    voice.say("first", False)
    voice.say("second", False)
    until(lambda: len(stand_in.lines()) == 4)
    assert stand_in.lines() == ["begins first", "ends first", "begins second", "ends second"]
    assert bell.rung == []


def test_an_urgent_sentence_cuts_off_the_one_being_said(
    stand_in: StandIn, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """An urgent sentence ends the older one, and what waited behind it, and rings no bell for them."""
    stand_in.hang()
    voice = speaking(stand_in.program, bell, steady_ns=lambda: 0)
    voice.say("a long story", False)
    until(lambda: stand_in.lines() == ["begins a long story"])
    voice.say("waits", False)
    voice.say("filter on", True)
    until(lambda: "ends filter on" in stand_in.lines())
    voice.say("after", False)
    until(lambda: "ends after" in stand_in.lines())
    assert stand_in.lines() == [
        "begins a long story",
        "begins filter on",
        "ends filter on",
        "begins after",
        "ends after",
    ]
    assert bell.rung == []


def test_a_stale_sentence_is_dropped(
    stand_in: StandIn, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """A sentence that could only begin more than a second after it was given is not said."""
    now = [0]
    stand_in.write(
        f'read -r text; echo "begins $text" >> {stand_in.log}\n'
        f'while [ "$text" = first ] && [ ! -e {stand_in.gate} ]; do sleep 0.01; done'
    )
    voice = speaking(stand_in.program, bell, steady_ns=lambda: now[0])
    voice.say("first", False)
    until(lambda: stand_in.lines() == ["begins first"])
    voice.say("too old by then", False)
    now[0] = 1
    voice.say("just in time", False)
    now[0] = STALE_S * NS_PER_S + 1
    stand_in.gate.touch()
    until(lambda: len(stand_in.lines()) == 2)
    assert stand_in.lines() == ["begins first", "begins just in time"]


def test_closing_falls_silent_at_once(
    stand_in: StandIn, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """Closing ends the sentence being said; later sentences are not said."""
    stand_in.hang()
    voice = speaking(stand_in.program, bell)
    voice.say("a long story", False)
    until(lambda: stand_in.lines() == ["begins a long story"])
    voice.close()
    voice.say("never", True)
    assert not voice._thread.is_alive()
    assert stand_in.lines() == ["begins a long story"]
    assert bell.rung == []


@pytest.mark.parametrize(
    "body",
    [
        "exit 1",
        "kill -9 $$",
        # What espeak-ng 1.51 says, ending with 0, where there is no sound device.
        'cat > /dev/null; echo "ALSA lib pcm.c:2666: Unknown PCM default" >&2; echo "error: No such file" >&2',
    ],
)
def test_a_broken_voice_rings_the_bell(
    stand_in: StandIn, bell: Bell, speaking: Callable[..., EspeakVoice], body: str
) -> None:
    """HF-S18: a sentence that was not heard rings the bell; so does the next one."""
    stand_in.write(body)
    voice = speaking(stand_in.program, bell, steady_ns=lambda: 0)
    voice.say("filter on", True)
    until(lambda: bell.rung == [("filter on", True)])
    voice.say("third contact", False)
    until(lambda: bell.rung == [("filter on", True), ("third contact", False)])


def test_a_program_that_is_gone_rings_the_bell(
    tmp_path: Path, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """HF-S18: a program that cannot be started raises nothing and rings the bell."""
    voice = speaking(tmp_path / "no such program", bell)
    voice.say("filter on", True)
    until(lambda: bell.rung == [("filter on", True)])


def test_chatter_of_the_sound_library_is_no_break(
    stand_in: StandIn, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """Warnings on standard error from a sentence that was said ring no bell."""
    stand_in.write(f'read -r text; echo "ALSA lib: underrun" >&2; echo "ends $text" >> {stand_in.log}')
    voice = speaking(stand_in.program, bell, steady_ns=lambda: 0)
    voice.say("one", False)
    voice.say("two", False)
    until(lambda: stand_in.lines() == ["ends one", "ends two"])
    voice.close()
    assert bell.rung == []


def test_no_text_passes_for_an_option_or_a_command(
    stand_in: StandIn, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """A sentence goes in by standard input, whatever it looks like."""
    stand_in.write(f'echo "$#:$1" >> {stand_in.log}; cat >> {stand_in.log}')
    voice = speaking(stand_in.program, bell)
    voice.say("-w /tmp/x; $(reboot)", False)
    until(lambda: "reboot" in stand_in.log.read_text(encoding="utf-8"))
    assert stand_in.lines() == ["3:-v", "-w /tmp/x; $(reboot)"]


def test_the_voice_is_picked_by_what_is_there(stand_in: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    """Speech where the program is on the path, the bell where not, nothing where silence is wanted."""
    voice = pick_voice(silent=False)
    assert isinstance(voice, EspeakVoice)
    voice.close()
    monkeypatch.setenv("PATH", str(stand_in.folder / "nowhere"))
    assert isinstance(pick_voice(silent=False), BellVoice)
    assert isinstance(pick_voice(silent=True), SilentVoice)


def test_the_bell_rings_once_or_three_times() -> None:
    """The bell goes to the terminal: once, or three times when it is urgent."""
    master, slave = pty.openpty()
    try:
        BellVoice(slave).say("second contact", False)
        assert os.read(master, 100) == b"\a"
        BellVoice(slave).say("filter on", True)
        assert os.read(master, 100) == b"\a\a\a"
    finally:
        os.close(master)
        os.close(slave)


def test_the_bell_is_only_for_terminals(tmp_path: Path) -> None:
    """No bell character ends up in a file, and a closed descriptor raises nothing."""
    with (tmp_path / "log").open("w+b") as log:
        BellVoice(log.fileno()).say("filter on", True)
        assert log.read() == b""
        closed = log.fileno()
    BellVoice(closed).say("filter on", True)


def test_silence_is_silent(capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """The silent voice says nothing."""
    voice = SilentVoice()
    voice.say("filter on", True)
    voice.close()
    assert capsysbinary.readouterr() == (b"", b"")


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed")
def test_the_real_program_speaks_what_it_is_given(
    tmp_path: Path, bell: Bell, speaking: Callable[..., EspeakVoice]
) -> None:
    """espeak-ng itself, writing to a file in place of a loudspeaker, says a sentence as it is given here."""
    sound = tmp_path / "said.wav"
    program = tmp_path / "to-a-file"
    program.write_text(
        f'#!/bin/sh\nespeak-ng -w {sound}.part "$@" && mv {sound}.part {sound}\n', encoding="utf-8"
    )
    program.chmod(0o755)
    speaking(program, bell).say("Second contact in one minute", True)
    until(lambda: sound.exists() or bool(bell.rung))
    assert bell.rung == []
    with wave.open(str(sound)) as said:
        assert said.getnframes() / said.getframerate() > 1.0
