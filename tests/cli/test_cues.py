"""``holdfire cues``: what a run will say, to read and to hear; and the languages through the whole program."""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from typer.testing import CliRunner

from controller.cli import cues, paging
from controller.cli.app import app
from controller.cli.cues import Hoarse, speak_in_a_row, speak_in_real_time
from controller.errors import HoldfireError
from controller.operator.voice import EspeakVoice, SilentVoice, speaks
from controller.page.address import PageOptions
from controller.page.messages import PageSpec
from controller.timeline.model import Cue, Timeline
from controller.timeline.phrases import SHIPPED, english, shipped
from controller.units import UtcNs, seconds_to_ns
from tests.cli.command import SAMPLES, as_json, holdfire, only_run
from tests.engine.builder import timeline
from tests.timeline.test_phrases import meaning, own_file

GOLDEN = Path(__file__).parent / "golden"
TOTAL = SAMPLES / "total_2027.yaml"
FIXED = SAMPLES / "fixed_tripod_2028.yaml"


@pytest.fixture
def spanish(tmp_path: Path) -> Path:
    """A sample plan that speaks Spanish, without cues of its own."""
    text = TOTAL.read_text(encoding="utf-8").split("\ncues:")[0] + "\nspeech: es\n"
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")
    return tmp_path / "plan.yaml"


@pytest.mark.parametrize("language", SHIPPED)
def test_all_that_a_day_says(language: str, tmp_path: Path) -> None:
    """The whole list of a fixed tripod's day, word for word, in each language that comes with the program."""
    golden = (GOLDEN / f"cues_{language}.txt").read_text(encoding="utf-8")
    done = holdfire("cues", str(FIXED), "--language", language, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == golden


def test_the_list_as_json(tmp_path: Path) -> None:
    """For programs: each sentence with its instant in UTC, on the clock and from a contact."""
    data = as_json(holdfire("cues", str(TOTAL), "--language", "es", "--from", "C2", "--json", cwd=tmp_path))
    assert (data["language"], data["time_zone"]) == ("es", "Europe/Madrid")
    first = data["sentences"][0]
    assert first["instant"] == "C2"
    assert first["say"] == "Segundo contacto: totalidad"
    assert re.fullmatch(r"2027-08-02T08:45:\d\d\.\d+Z", first["at_utc"])
    assert first["at_local"].startswith("10:45:")
    assert "Cámara perdida" in data["when_it_happens"]


def test_a_spanish_rehearsal_speaks_spanish_alone(spanish: Path) -> None:
    """In the journal of a whole rehearsed day every cue is of the Spanish file, and nothing of the English one."""
    runs = spanish.parent / "runs"
    done = holdfire("rehearse", str(spanish), "--fast", "--runs", str(runs), cwd=spanish.parent)
    assert done.returncode == 0, done.stderr
    journal = (only_run(runs) / "journal.jsonl").read_text(encoding="utf-8")
    records = [json.loads(line) for line in journal.splitlines()]
    said = [record["say"] for record in records if record["kind"] == "cue_said"]
    assert len(said) > 15
    own, foreign = meaning(shipped("es")), meaning(english())
    assert [one for one in said if not own.fullmatch(one) or foreign.search(one)] == []
    listed = as_json(holdfire("cues", str(spanish), "--json", cwd=spanish.parent))
    assert set(said) == {one["say"] for one in listed["sentences"]}


def test_a_run_folder_speaks_without_the_file(tmp_path: Path) -> None:
    """A run's own timeline has the sentences of the file that its plan named, whatever becomes of the file."""
    own = own_file(tmp_path, ('"Camera lost"', '"The camera is gone"'))
    text = TOTAL.read_text(encoding="utf-8") + "speech: mine.yaml\n"
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")
    done = holdfire("rehearse", "plan.yaml", "--fast", "--runs", "runs", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    own.unlink()
    run = only_run(tmp_path / "runs")
    kept = Timeline.from_json((run / "timeline.json").read_bytes())
    assert kept.phrases.text("camera_lost") == "The camera is gone"
    assert holdfire("account", str(run), cwd=tmp_path).returncode == 0


def test_a_slip_in_a_file_of_sentences_ends_the_command_in_one_line(tmp_path: Path) -> None:
    """Whether the plan names the file or an option does: file, line, what and how to mend it, and exit code 3."""
    own_file(tmp_path, ("{room} of {frames} frames\"", "{room} frames\""))  # fmt: skip
    (tmp_path / "plan.yaml").write_text(
        TOTAL.read_text(encoding="utf-8") + "speech: mine.yaml\n", encoding="utf-8"
    )
    for words in (("check", "plan.yaml"), ("cues", str(TOTAL), "--language", "mine.yaml")):
        done = holdfire(*words, cwd=tmp_path)
        assert done.returncode == 3
        assert done.stdout == ""
        (line,) = done.stderr.splitlines()
        assert re.match(r"mine\.yaml:\d+:\d+: error: card_nearly_full has other words in braces", line)
        assert "Mend: put {frames} and {room} in braces there" in line


def test_real_time_is_for_what_is_spoken(tmp_path: Path) -> None:
    """--real-time alone is refused in one line."""
    done = holdfire("cues", str(TOTAL), "--real-time", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "Mend: add --speak" in done.stderr


@pytest.fixture
def speaking_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A speaking program of the test's own that notes its language and what it is to say; it knows no Klingon."""
    log = tmp_path / "spoken"
    program = tmp_path / "bin" / "espeak-ng"
    program.parent.mkdir()
    program.write_text(
        '#!/bin/sh\ncase "$*" in *tlh*) exit 1;; *-q*) exit 0;; esac\n'
        f'read -r text; echo "$2 $text" >> {log}\n',
        encoding="utf-8",
    )
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(program.parent), prepend=os.pathsep)
    return log


def test_it_is_spoken_in_a_row(
    spanish: Path, speaking_program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """--speak speaks the list and what may happen, in order, in the plan's language; here the last sentences."""
    monkeypatch.setattr(cues, "speak_in_a_row", partial(speak_in_a_row, gap_s=0))
    done = CliRunner().invoke(app, ["cues", str(spanish), "--speak", "--from", "C4", "--json"])
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    expected = [one["say"] for one in data["sentences"]] + data["when_it_happens"]
    spoken = speaking_program.read_text(encoding="utf-8").splitlines()
    assert spoken == [f"es {sentence}" for sentence in expected]
    assert spoken[0] == "es Cuarto contacto: termina el eclipse"


def test_a_language_without_a_voice_is_refused(tmp_path: Path, speaking_program: Path) -> None:
    """Nothing is spoken in a wrong voice: one line, and how to mend it."""
    own_file(tmp_path, ("language: en ", "language: tlh "))
    done = holdfire("cues", str(TOTAL), "--speak", "--language", "mine.yaml", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr == (
        "holdfire: espeak-ng has no voice for the language tlh. "
        "Mend: take another language tag (espeak-ng --voices lists them).\n"
    )
    assert not speaking_program.exists()


class Listener(SilentVoice):
    """Notes what it is given, and how late."""

    def __init__(self) -> None:
        self.heard: list[tuple[str, float]] = []

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:
        self.heard.append((text, late_s))


def test_in_real_time_each_sentence_comes_at_its_instant() -> None:
    """Between two sentences as much time passes as on the day; those of one instant are said in one breath."""
    now = [50 * 10**9]
    waited: list[float] = []

    def sleep(seconds: float) -> None:
        waited.append(round(seconds, 6))
        now[0] += seconds_to_ns(seconds)

    day = 1_817_000_000 * 10**9
    cues = [
        Cue(cue_id=f"{number}", at_utc_ns=UtcNs(day + seconds_to_ns(at)), say=say)
        for number, (at, say) in enumerate([(0.0, "past"), (10.0, "one"), (10.0, "two"), (12.5, "three")])
    ]
    voice = Listener()
    speak_in_real_time(cues, voice, Hoarse(), day + 4 * 10**9, steady_ns=lambda: now[0], sleep=sleep)
    assert waited == [6.0, 2.5]
    assert voice.heard == [("past", 4.0), ("one. two", 0.0), ("three", 0.0)]


def test_a_voice_that_breaks_is_told() -> None:
    """A rehearsal of the voice does not pass in silence when the program fails."""
    hoarse = Hoarse()

    class Broken(SilentVoice):
        def finish(self, patience_s: float) -> bool:
            hoarse.say("one", urgent=False)
            return True

    with pytest.raises(HoldfireError, match=r"espeak-ng could not speak\. Mend: "):
        speak_in_a_row(["one", "two"], Broken(), hoarse, gap_s=0)


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed")
def test_the_real_program_has_the_voices(tmp_path: Path) -> None:
    """espeak-ng itself has a voice for each language that comes with the program, and says so of one it lacks."""
    assert [speaks(language) for language in (*SHIPPED, "xx")] == [True, True, False]
    sound = tmp_path / "said.wav"
    program = tmp_path / "to-a-file"
    program.write_text(f'#!/bin/sh\nexec espeak-ng -w {sound} "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    hoarse = Hoarse()
    lengths = []
    for language in SHIPPED:  # the same text: the voices differ in how long they take for it
        voice = EspeakVoice(str(program), language, bell=hoarse)
        voice.say("Segundo contacto dentro de treinta segundos", urgent=False)
        assert voice.finish(30.0)
        voice.close()
        lengths.append(sound.stat().st_size)
    assert not hoarse.failed
    assert min(lengths) > 10_000
    assert lengths[0] != lengths[1]


def test_the_page_is_told_the_language(monkeypatch: pytest.MonkeyPatch) -> None:
    """Browsers speak in the language of the plan's sentences: the page's process gets its tag with them."""
    told: list[PageSpec] = []

    class NoProcess:
        code = "12345678"

        def __init__(self, spec: PageSpec) -> None:
            told.append(spec)

    monkeypatch.setattr(paging, "PageProcess", NoProcess)
    day = replace(timeline([]), phrases=shipped("es"))
    page = paging.open_page(PageOptions(), day, scripted=False)
    assert page is not None
    told[0].listening.close()
    assert told[0].language == "es"
    assert json.loads(told[0].day)["language"] == "es"
