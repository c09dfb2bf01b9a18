"""`cues`: all that a run of a plan will say, to read and to hear beforehand."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from pathlib import Path

from controller.cli.output import console, local_time, print_json
from controller.cli.prepare import prepare
from controller.cli.runs import moment
from controller.engine.engine import BATTERY_LOW_PERCENT, BATTERY_VERY_LOW_PERCENT
from controller.errors import HoldfireError, UsageError
from controller.operator.voice import SilentVoice, Voice, pick_voice, speaks
from controller.plan.fields import Anchor
from controller.timeline.cues import asked_together, in_one, spoken_on_time
from controller.timeline.model import Cue, Timeline
from controller.timeline.phrases import load_phrases
from controller.units import NS_PER_S, FilterState, utc_iso

GAP_S = 0.7
"""Between two sentences that are spoken after each other."""
_LEAD_IN_NS = 3 * NS_PER_S
_SAMPLE_ROOM, _SAMPLE_FRAMES = 20, 35
_SENTENCE_S = 30.0


def cues(
    plan: Path,
    *,
    speech: str | None,
    start: str | None,
    speak: bool,
    real_time: bool,
    as_json: bool,
) -> None:
    """Print what is spoken and when; speak it if asked to."""
    if real_time and not speak:
        raise UsageError("Only what is spoken takes its time. Mend: add --speak, or leave --real-time out.")
    phrases = load_phrases(speech, Path()) if speech is not None else None
    timeline = prepare(plan, phrases=phrases).compiled.timeline
    begins = moment(start, timeline) if start else None
    on_time = [cue for cue in spoken_on_time(timeline) if begins is None or cue.at_utc_ns >= begins]
    unforeseen = when_it_happens(timeline)
    if as_json:
        print_json(
            {
                "language": timeline.phrases.language,
                "time_zone": timeline.time_zone,
                "sentences": [
                    {
                        "at_utc": utc_iso(cue.at_utc_ns),
                        "at_local": local_time(cue.at_utc_ns, timeline.time_zone),
                        "instant": near_contact(cue.at_utc_ns, timeline),
                        "say": cue.say,
                        "rig": cue.rig,
                    }
                    for cue in on_time
                ],
                "when_it_happens": unforeseen,
            }
        )
    else:
        tell(on_time, unforeseen, timeline)
    if speak:
        hoarse = Hoarse()
        voice = _speaking_voice(timeline.phrases.language, hoarse)
        try:
            if real_time:
                first = on_time[0].at_utc_ns - _LEAD_IN_NS if on_time else 0
                speak_in_real_time(on_time, voice, hoarse, first if begins is None else begins)
            else:
                speak_in_a_row([*(cue.say for cue in on_time), *unforeseen], voice, hoarse)
        finally:
            voice.close()


def tell(on_time: Sequence[Cue], unforeseen: Sequence[str], timeline: Timeline) -> None:
    """Print all that is spoken."""
    instants = [near_contact(cue.at_utc_ns, timeline) for cue in on_time]
    width = max(map(len, instants), default=0)
    out = console()
    out.print(f"Local times: {timeline.time_zone}. Language: {timeline.phrases.language}.")
    out.print()
    for cue, instant in zip(on_time, instants, strict=True):
        local = local_time(cue.at_utc_ns, timeline.time_zone)
        out.print(f"{local}  {instant:{width}}  {cue.say}", soft_wrap=True, markup=False, highlight=False)
    out.print()
    out.print("When it happens:")
    for sentence in unforeseen:
        out.print(f"  {sentence}", soft_wrap=True, markup=False, highlight=False)
    out.print()
    out.print(
        "A question for the filter is asked again until it is answered. A sentence that is over 1 s late is dropped."
    )


def near_contact(instant_utc_ns: int, timeline: Timeline) -> str:
    """Return an instant as a plan writes it, from the nearest contact, to a tenth of a second."""
    contact, at = min(
        timeline.contacts_utc_ns.items(), key=lambda pair: (abs(pair[1] - instant_utc_ns), pair[1])
    )
    return str(Anchor(contact, round((instant_utc_ns - at) / NS_PER_S, 1)))


def when_it_happens(timeline: Timeline) -> list[str]:
    """Return what is spoken at instants that nobody knows beforehand, with made-up figures and the first rig."""
    phrases = timeline.phrases
    rigs = [rig.name for rig in timeline.rigs]
    named = rigs[:1] if len(rigs) > 1 else []
    return [
        *(phrases.text(f"heard_{state}", rigs=who) for state, who in _heard(timeline)),
        phrases.text("camera_lost", rigs=named),
        phrases.text("camera_back", rigs=named),
        phrases.text("battery_low", rigs=named, percent=BATTERY_LOW_PERCENT),
        phrases.text("battery_very_low", rigs=named, percent=BATTERY_VERY_LOW_PERCENT),
        phrases.text("card_nearly_full", rigs=named, room=_SAMPLE_ROOM, frames=_SAMPLE_FRAMES),
        phrases.text("picture_too_bright", rigs=named),
        *([phrases.text("picture_too_dark", rigs=named)] if timeline.kind == "total" else []),
        phrases.text("clock_stepped"),
        phrases.text("journal_moved"),
        phrases.text("journal_back"),
    ]


def _heard(timeline: Timeline) -> Iterator[tuple[FilterState, list[str]]]:
    """Yield each answer to a word once, with the rigs that it names."""
    filtered = [rig.name for rig in timeline.rigs if rig.points_at_sun]
    told = []
    for opens in sorted({hold.opens_utc_ns for hold in timeline.holds}):
        together = [hold for hold in timeline.holds if hold.opens_utc_ns == opens]
        for answer in asked_together(together, filtered):
            if answer not in told:
                told.append(answer)
                yield answer


# --- speaking -------------------------------------------------------------------------------------


class Hoarse(SilentVoice):
    """In place of the bell: notes that the speaking program failed."""

    failed = False

    def say(self, text: str, urgent: bool, late_s: float = 0.0) -> None:  # noqa: ARG002
        """Note it."""
        self.failed = True

    def check(self) -> None:
        """Raise if it failed.

        Raises:
            HoldfireError: if it did.
        """
        if self.failed:
            raise HoldfireError(
                "espeak-ng could not speak. Mend: try espeak-ng hello; it may find no sound device, or it is in use."
            )


def speak_in_a_row(sentences: Sequence[str], voice: Voice, hoarse: Hoarse, gap_s: float = GAP_S) -> None:
    """Speak sentences after each other, each to its end."""
    for sentence in sentences:
        voice.say(sentence, urgent=False)
        voice.finish(_SENTENCE_S)
        hoarse.check()
        time.sleep(gap_s)


def speak_in_real_time(
    on_time: Sequence[Cue],
    voice: Voice,
    hoarse: Hoarse,
    begins_utc_ns: int,
    *,
    steady_ns: Callable[[], int] = time.monotonic_ns,
    sleep: Callable[[float], None] = time.sleep,
) -> None:
    """Speak each sentence at its instant, as on the day, from an instant on; what is late by over 1 s is dropped.

    Args:
        on_time: in order.
        voice: what speaks.
        hoarse: what notes that it does not.
        begins_utc_ns: the instant that is now, for once.
        steady_ns: a steady clock, nanoseconds.
        sleep: waits so many seconds.
    """
    offset = begins_utc_ns - steady_ns()
    for at, together in groupby(on_time, key=lambda cue: cue.at_utc_ns):
        while (ahead := at - offset - steady_ns()) > 0:
            sleep(ahead / NS_PER_S)
        hoarse.check()
        voice.say(in_one(*(cue.say for cue in together)), urgent=False, late_s=-ahead / NS_PER_S)
    voice.finish(_SENTENCE_S)
    hoarse.check()


def _speaking_voice(language: str, hoarse: Hoarse) -> Voice:
    """Return a voice that speaks the language.

    Raises:
        HoldfireError: if this computer has none.
    """
    known = speaks(language)
    if known is None:
        raise HoldfireError("There is no speaking program on this computer. Mend: install espeak-ng.")
    if not known:
        raise HoldfireError(
            f"espeak-ng has no voice for the language {language}. "
            "Mend: take another language tag (espeak-ng --voices lists them)."
        )
    return pick_voice(silent=False, language=language, bell=hoarse)
