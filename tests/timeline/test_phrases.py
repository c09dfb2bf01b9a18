"""The sentences in the languages that come with the program, and files of sentences of the user's own."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from controller.engine import messages as m
from controller.engine.engine import BATTERY_LOW_PERCENT, BATTERY_VERY_LOW_PERCENT
from controller.errors import PlanError
from controller.timeline.cues import in_one
from controller.timeline.model import Timeline
from controller.timeline.phrases import SHIPPED, Phrases, english, load_phrases, shipped
from controller.timeline.taking_off import TakenOff, takes_off
from controller.units import FilterState
from tests.engine.builder import OFF, ON, Bench, at, frame, rig_info, timeline
from tests.timeline.building import BASE, FILTERED_PLAN, changed, compiled, contacts
from tests.timeline.test_framing import MORNING, under, with_sensor

ENGLISH_FILE = Path(__file__).parents[2] / "controller/timeline/languages/en.yaml"
FRAGMENTS = ("part_", "names", "seconds", "one_second")
"""Keys of what is only put into sentences."""


def meaning(sentences: dict[str, str] | Phrases) -> re.Pattern[str]:
    """A pattern of everything that some sentences can come to, one or several in a row."""
    templates = sentences.sentences if isinstance(sentences, Phrases) else sentences
    whole = [
        re.sub(r"\\\{\w+\\\}", ".+?", re.escape(text))
        for key, text in templates.items()
        if not key.startswith(FRAGMENTS)
    ]
    return re.compile(rf"(?:{'|'.join(whole)})(?:\. (?:{'|'.join(whole)}))*")


def own_file(folder: Path, *changes: tuple[str, str], name: str = "mine.yaml") -> Path:
    """The English file with some text, which stands in it exactly once, replaced."""
    text = ENGLISH_FILE.read_text(encoding="utf-8")
    for was, becomes in changes:
        assert text.count(was) == 1, was
        text = text.replace(was, becomes)
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


# --- what comes with the program ------------------------------------------------------------------


@pytest.mark.parametrize("language", SHIPPED)
def test_only_what_asks_for_off_speaks_of_it(language: str) -> None:
    """HF-S13: of the sentences that come with the program, those that ask for "off" and repeat it take a filter off."""
    for key, sentence in shipped(language).sentences.items():
        expected = TakenOff.FILTER if key.startswith(("ask_off", "heard_off")) else None
        assert takes_off(sentence) is expected, key


@pytest.mark.parametrize(
    ("language", "expected"),
    [
        (
            "en",
            [
                "Filter off now. Say when it is off",
                "Filter on, rig long. Say when it is on",
                "Heard: filter is off, rigs a, b and c",
                "The filter of a and b stays on. I ask for it in 1 second",
                "The filter stays on. I ask for it in 10.5 seconds",
            ],
        ),
        (
            "es",
            [
                "Quite el filtro ahora. Dígalo cuando esté quitado",
                "Ponga el filtro, equipo long. Dígalo cuando esté puesto",
                "Entendido: filtros quitados, equipos a, b y c",
                "Los filtros de a y b siguen puestos. Avisaré dentro de 1 segundo",
                "El filtro sigue puesto. Avisaré dentro de 10.5 segundos",
            ],
        ),
    ],
)
def test_sentences_are_filled_in(language: str, expected: list[str]) -> None:
    """A sentence names one rig, several or none, and a time in its words."""
    phrases = shipped(language)
    assert [
        phrases.text("ask_off"),
        phrases.text("ask_on", rigs=["long"]),
        phrases.text("heard_off", rigs=["a", "b", "c"]),
        phrases.text("stays_on", rigs=["a", "b"], time=phrases.seconds(1)),
        phrases.text("stays_on", time=phrases.seconds(10.5)),
    ] == expected


def test_a_rig_called_after_a_placeholder_is_just_a_name() -> None:
    """Braces in a rig's name are spoken, not filled in."""
    assert english().text("ask_on", rigs=["{rigs} {0}"]) == "Filter on, rig {rigs} {0}. Say when it is on"


def test_a_sentence_that_an_older_timeline_lacks_is_said_in_english() -> None:
    """A run of an older program goes on, and says what it has no words for in English."""
    assert Phrases(language="es", sentences={}).text("camera_back") == "The camera is back"


def doubt(seconds: float, rig: str, said: FilterState) -> m.PictureSeen:
    """A picture that contradicts a word."""
    return m.PictureSeen(
        now_utc_ns=at(seconds),
        rig=rig,
        frame_id=f"{rig}/0001",
        said=said,
        verdict="contradicts",
        shows="is made up",
    )


def eventful(day: Timeline) -> Bench:
    """A day on which everything happens that is spoken of, on the first rig."""
    bench = Bench(day)
    rig = day.rigs[0].name
    bench.begin(-70)
    bench.say(-20, ON)
    bench.feed(m.CameraLost(now_utc_ns=at(10), rig=rig, detail="cable out"))
    bench.feed(m.CameraReady(now_utc_ns=at(12), rig=rig))
    for percent in (BATTERY_LOW_PERCENT, BATTERY_VERY_LOW_PERCENT):
        report = m.CameraReport(now_utc_ns=at(13), rig=rig, battery_percent=percent, frames_left=0)
        bench.feed(report)
    bench.feed(m.ClockStepped(now_utc_ns=at(15), step_s=2.0))
    bench.feed(m.JournalMoved(now_utc_ns=at(16), place="elsewhere"))
    bench.feed(m.JournalMoved(now_utc_ns=at(17), place=None))
    bench.feed(doubt(18, rig, ON))
    for first, rest, word in ((104, 109, OFF), (156, 161, ON)):
        bench.say(first, word, rig)
        if word is OFF:
            bench.feed(doubt(first + 0.5, rig, OFF))
        bench.say(rest, word)
    bench.run_to(200)
    return bench


@pytest.mark.parametrize("rigs", [("long",), ("long", "wide", "third")])
def test_a_spanish_day_speaks_spanish_alone(rigs: tuple[str, ...]) -> None:
    """Whatever happens, everything that the engine says is of the Spanish file, and nothing of the English one."""
    frames = [frame(n, due, rig=rig) for rig in rigs for n, due in enumerate((101, 110, 120), 1)]
    day = timeline(frames, rigs=tuple(map(rig_info, rigs)))
    said = eventful(replace(day, phrases=shipped("es"))).said()
    assert len(said) > 10
    foreign = meaning(english())
    assert [one for one in said if foreign.search(one)] == []
    own = meaning(shipped("es"))
    assert [one for one in said if not own.fullmatch(one)] == []
    in_english = eventful(day).said()
    assert len(in_english) == len(said)
    assert all(foreign.fullmatch(one) for one in in_english)  # the judge is awake


def test_every_sentence_can_be_spoken() -> None:
    """Whatever the engine has a sentence for is said on an eventful day, of one rig, of several or of all."""
    said: set[str] = set()
    for rigs in (("long",), ("long", "wide"), ("long", "wide", "third")):
        frames = [frame(n, due, rig=rig) for rig in rigs for n, due in enumerate((101, 110, 120), 1)]
        said.update(eventful(timeline(frames, rigs=tuple(map(rig_info, rigs)))).said())
    heard = " | ".join(said)
    for key in (
        "ask_off", "ask_off_rig", "ask_off_rigs", "ask_on", "ask_on_rig", "ask_on_rigs", "heard_on", "heard_on_rig",
        "heard_on_rigs", "heard_off", "heard_off_rig", "heard_off_rigs", "camera_lost",
        "camera_lost_rig", "camera_back", "camera_back_rig", "battery_low", "battery_low_rig", "battery_very_low",
        "battery_very_low_rig", "card_nearly_full", "card_nearly_full_rig", "clock_stepped", "journal_moved",
        "journal_back", "picture_too_bright", "picture_too_bright_rig", "picture_too_dark", "picture_too_dark_rig",
    ):  # fmt: skip
        assert meaning({key: english().sentences[key]}).search(heard), key


@pytest.mark.parametrize("kind", ["total", "annular", "partial"])
def test_cues_of_a_spanish_plan_are_spanish(kind: str) -> None:
    """Contacts, the filter and aiming are told in the language of the plan at every kind of eclipse."""
    if kind == "total":
        text = with_sensor(400)
    else:
        sensor = "aperture: f/8, sensor: APS-C 26 MP}" if kind == "annular" else "aperture: f/8}"
        text = FILTERED_PLAN.replace("aperture: f/8}", sensor)
    text = text.split("\ncues:")[0] + "\nspeech: es\n"
    cues = compiled(text, under(MORNING, contacts(kind))).timeline.cues
    own, foreign = meaning(shipped("es")), meaning(english())
    assert len(cues) >= 5
    assert [cue.say for cue in cues if not own.fullmatch(cue.say)] == []
    assert [cue.say for cue in cues if foreign.search(cue.say)] == []


# --- in a timeline -----------------------------------------------------------------------------------


def test_a_timeline_carries_its_sentences(tmp_path: Path) -> None:
    """A run's folder needs no file of sentences: the timeline has them, and its digest depends on them."""
    own_file(tmp_path, ('"Camera lost"', '"The camera is gone"'))
    plan = tmp_path / "plan.yaml"
    plan.write_text(BASE + "speech: mine.yaml\n", encoding="utf-8")
    from controller.plan.loading import load_plan
    from controller.timeline.compile import compile_plan

    made = compile_plan(load_plan(plan), contacts()).timeline
    read = Timeline.from_json(made.to_json())
    (tmp_path / "mine.yaml").unlink()
    assert read == made
    assert read.phrases.text("camera_lost") == "The camera is gone"
    assert made.digest() != compiled().timeline.digest()


def test_a_timeline_of_before_speaks_english() -> None:
    """A timeline without sentences, from an older program, is read and speaks English."""
    data = re.sub(rb',"phrases":\{.*\}\}$', b"", compiled().timeline.to_json()) + b"}"
    assert b"phrases" not in data
    assert Timeline.from_json(data).phrases == english()


# --- files of the user's own -----------------------------------------------------------------------------


def test_a_copy_of_the_english_file_is_accepted(tmp_path: Path) -> None:
    """What the comments in the file tell a user to do works: copy, change, name it."""
    own_file(tmp_path, ("language: en ", "language: en-AU "), ('"Camera lost"', '"Camera gone"'))
    mine = load_phrases("mine.yaml", tmp_path)
    assert (mine.language, mine.text("camera_lost")) == ("en-AU", "Camera gone")


@pytest.mark.parametrize(
    ("was", "becomes", "where", "said"),
    [
        ("camera_back:", "camera_bakc:", "holdfire_phrases", "The sentence camera_back is missing."),
        ("journal_back:", "# ", "holdfire_phrases", "The sentence journal_back is missing."),
        (
            "# Aiming", "camera_gone: hello\n# Aiming", "camera_gone",
            '"camera_gone" is the key of no sentence. Mend: write camera_lost if that is meant.',
        ),
        ('clock_stepped: "The computer', "clock_stepped:\n#", "clock_stepped", "clock_stepped has no sentence."),
        (
            "Battery low: {percent} percent, rig {rig}", "Battery low: {percent} percent", "battery_low_rig",
            "battery_low_rig has other words in braces than it can be given. Mend: put {percent} and {rig} in braces",
        ),
        (
            '{room} of {frames} frames"', '{room} of {frame} frames"', "card_nearly_full",
            "card_nearly_full has other words in braces than it can be given.",
        ),
        (
            '"Battery low: {percent} percent"', '"Battery low: {percent:.0f} percent"', "battery_low",
            "battery_low has other words in braces than it can be given.",
        ),
        (
            '"Battery low: {percent} percent"', '"Battery low: {percent percent"', "battery_low",
            "battery_low has other words in braces than it can be given.",
        ),
        (
            'ask_on: "Filter on.', 'ask_on: "Filter off.', "ask_on",
            "ask_on may be heard to take the filter off. Mend: say that the filter is on or stays on",
        ),
        (
            '"Middle of totality"', '"Take your glasses off"', "middle_total",
            "middle_total may be heard to take eye protection off.",
        ),
        (
            'ask_off: "Filter off now. Say', 'ask_off: "Glasses off now. Say', "ask_off",
            "ask_off may be heard to take eye protection off.",
        ),
        (
            'ask_off: "Filter off now. Say when it is off"', 'ask_off: "Filter now. Say when"', "ask_off",
            "ask_off does not say that the filter is off. Mend: say so in plain words",
        ),
        ("language: en ", "language: english, please ", "language", "language is no language tag (BCP 47)."),
        ("language: en ", "# ", "holdfire_phrases", "language is no language tag (BCP 47)."),
        (
            "holdfire_phrases: 1", "holdfire_phrases: 2", "holdfire_phrases",
            "or it is one of another kind than 1. Mend: start with a copy of the English file",
        ),
        ('camera_back: "The', 'camera_back: &a "The', "camera_back", "A phrase file has no YAML anchors such as &a."),
    ],
)  # fmt: skip
def test_a_slip_in_a_file_is_one_line(tmp_path: Path, was: str, becomes: str, where: str, said: str) -> None:
    """Each slip is told in one line, with file, line and how to mend it; HF-S13 for what may be heard too soon."""
    path = own_file(tmp_path, (was, becomes))
    with pytest.raises(PlanError) as caught:
        load_phrases("mine.yaml", tmp_path)
    lines = [one for one in str(caught.value).splitlines() if said in one]
    assert len(lines) == 1, str(caught.value)
    written = path.read_text(encoding="utf-8").splitlines()
    line = next(number for number, one in enumerate(written, 1) if one.startswith(f"{where}:"))
    assert lines[0].startswith(f"{path}:{line}:")
    assert " Mend: " in lines[0]


def test_a_spanish_file_is_judged_in_spanish(tmp_path: Path) -> None:
    """HF-S13: a user's Spanish sentence that takes the filter off too soon is refused as an English one is."""
    text = (ENGLISH_FILE.parent / "es.yaml").read_text(encoding="utf-8")
    own = text.replace("El filtro sigue puesto. Avisaré", "Vaya quitando el filtro. Avisaré")
    (tmp_path / "mio.yaml").write_text(own, encoding="utf-8")
    with pytest.raises(
        PlanError, match=r"mio.yaml:\d+:11: error: stays_on may be heard to take the filter off"
    ):
        load_phrases("mio.yaml", tmp_path)


def test_a_language_that_nobody_judged_is_told(tmp_path: Path) -> None:
    """HF-S13: sentences in a language that is not understood are accepted, with a warning that says so."""
    own_file(tmp_path, ("language: en ", "language: de "))
    text = BASE + "speech: mine.yaml\n"
    phrases = load_phrases("mine.yaml", tmp_path)
    from controller.plan.loading import load_plan_text
    from controller.timeline.compile import compile_plan

    (warning,) = compile_plan(load_plan_text(text, "plan.yaml"), contacts(), phrases=phrases).warnings
    assert warning.severity == "warning"
    assert "in the language de, which the program does not understand: nothing has checked" in warning.what
    assert compiled().warnings == ()


def test_a_file_that_is_not_there_is_told_where_the_plan_names_it() -> None:
    """A language that does not come with the program and is no file is a fault of the plan, in its line."""
    text = changed(("title:", "speech: klingon\ntitle:"))
    with pytest.raises(
        PlanError, match=r'^plan.yaml:\d+:9: error: There is no file "klingon", and no language'
    ):
        compiled(text)


def test_what_comes_at_one_instant_is_said_in_one_breath() -> None:
    """Sentences at one instant are joined: the second would be over a second late after the first."""
    assert in_one("One", "Two.", "Three") == "One. Two. Three"
    assert in_one("One") == "One"


@pytest.mark.parametrize(
    ("say", "thing"),
    [
        ("Quite el filtro", TakenOff.FILTER),
        ("QUÍTALO: filtro fuera", TakenOff.FILTER),
        ("Retirad los filtros ya", TakenOff.FILTER),
        ("Puede sacar el filtro", TakenOff.FILTER),
        ("Saque el filtro ahora", TakenOff.FILTER),
        ("Ahora sin filtro", TakenOff.FILTER),
        ("Filtro off", TakenOff.FILTER),
        ("Gafas fuera, filtro fuera", TakenOff.EYE_PROTECTION),
        ("Mire a simple vista", TakenOff.EYE_PROTECTION),
        ("Sin proteccio\u0301n", TakenOff.EYE_PROTECTION),
        ("El filtro sigue puesto.", None),
        ("Enfoque automático fuera. El filtro sigue puesto.", None),
        ("Batería baja; mire el filtro", None),
        ("Encuadre, con el filtro puesto. Ponga el Sol un octavo por debajo del centro", None),
        ("The filter is quite clean", None),
    ],
)
def test_what_a_spanish_sentence_may_be_heard_to_take_off(say: str, thing: TakenOff | None) -> None:
    """HF-S13: Spanish is judged as English is, with or without accents, however they are encoded."""
    assert takes_off(say) is thing


def test_filter_states_are_the_ends_of_keys() -> None:
    """The engine finds the question and the answer by the state's own word."""
    for state in (FilterState.ON, FilterState.OFF):
        assert {f"ask_{state}", f"heard_{state}"} <= set(english().sentences)


def test_a_rig_whose_name_takes_off_is_told() -> None:
    """HF-S13: a rig called so that a sentence with its filter may be misheard is warned of, in both languages."""
    for name, words in (("bare", "filter bare"), ("sin tapa", "filtro sin tapa")):
        assert takes_off(words)
        text = BASE.replace("name: long", f"name: {name}").replace("[long]", f"[{name}]")
        told = [
            w.what for w in compiled(text).warnings if "is said in one sentence with its filter" in w.what
        ]
        assert told == [
            f'"{name}" is said in one sentence with its filter, and may be heard to take that off.'
        ]
        assert [cue.say for cue in compiled(text).timeline.cues if takes_off(cue.say)] == []
