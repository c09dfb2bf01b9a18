"""The run engine: a deterministic state machine, events in, effects out.

It holds no clock, thread, file or camera; the same events give the same effects. Whatever a driver
does, a frame leaves here only when `_blocked` finds nothing against it: not stopped, not paused, its
camera ready, the operator's last word on its rig's filter equal to what the frame needs, and, for an
unfiltered frame, release and end of exposure inside the unfiltered window (HF-S01 to HF-S06). What the
timeline says of that window is not taken on trust: see `_unfiltered_window`, `_within` and `_asked_within`.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from controller.engine import messages as m
from controller.engine.states import (
    FRAME_TABLE,
    HOLD_TABLE,
    FrameState,
    FrameStep,
    HoldState,
    HoldStep,
)
from controller.engine.view import RigView, RunState, RunView
from controller.plan.fields import EARLIEST_FILTER_OFF_BEFORE_C2_S, LATEST_FILTER_ON_AFTER_C3_S
from controller.timeline.cues import asked_together, in_one
from controller.timeline.model import Frame, Hold, Phase, Timeline
from controller.timeline.refit import last_start, refit
from controller.units import FAR_NS, NS_PER_S, ContactName, FilterState, UtcNs, seconds_to_ns

HAND_OVER_LEAD_S = 1.6
"""How long before its due instant a frame goes to its camera's worker, which wants a second to set it. What a run that
is killed has handed over is not tried again: the longer, the later a resumed one fires."""
HAND_OVER_EARLY_S = 0.5
"""So much earlier it goes there when its camera says that it has fired: both records are flushed at once."""
_LEAD_NS = seconds_to_ns(HAND_OVER_LEAD_S)
_EARLY_NS = seconds_to_ns(HAND_OVER_LEAD_S + HAND_OVER_EARLY_S)
REFIT_LEAD_S = 0.4
"""A refit places nothing sooner than this, so that the camera can be set."""
CUE_LATE_LIMIT_S = 1.0
"""A cue later than this is dropped, not spoken late."""
BATTERY_LOW_PERCENT, BATTERY_VERY_LOW_PERCENT = 20, 10
"""The operator is told once at each (common practice, no single source)."""
ASK_AGAIN_S = (10.0, 4.0)
"""How often an open hold is asked again: before it is due, and after."""
HEARD_KEPT = 20
"""So many ids of words that were taken are shown in the view."""


class Engine:
    """One run of one timeline."""

    def __init__(self, timeline: Timeline) -> None:
        self.timeline = timeline
        self._phrases = timeline.phrases
        self.state = RunState.READY
        self._now: int = 0
        self._ended = False  # the closing record is made: nothing may stand after it
        self._stop_stands = False  # the journal taken over holds a stop
        self._window = _unfiltered_window(timeline)
        self._frames: dict[str, Frame] = {
            frame.frame_id: _within(frame, self._window) for frame in timeline.frames
        }
        self._grace_ns = {i: f.deadline_utc_ns - f.due_utc_ns for i, f in self._frames.items()}
        self._frame_state = dict.fromkeys(self._frames, FrameState.PLANNED)
        self._planned: dict[str, list[str]] = defaultdict(list)
        for frame in timeline.frames:
            self._planned[frame.rig].append(frame.frame_id)
        self._holds: dict[str, Hold] = {hold.hold_id: hold for hold in _asked_within(timeline, self._window)}
        self._hold_state = dict.fromkeys(self._holds, HoldState.AHEAD)
        self._ask_next: dict[str, int] = {}
        self._holds_next_ns = 0  # nothing is to be done about a hold before; 0: to be looked for
        ends = [phase.ends_utc_ns for phase in timeline.phases]
        self._over_ns = max([*ends, timeline.contacts_utc_ns.get(ContactName.C3, 0)])
        self._cues = sorted(timeline.cues, key=lambda cue: (cue.at_utc_ns, cue.cue_id))
        self._said: dict[str, FilterState] = {
            rig.name: FilterState.UNSAID if rig.points_at_sun else FilterState.NOT_NEEDED
            for rig in timeline.rigs
        }
        self._ready: dict[str, bool | None] = dict.fromkeys(self._said)  # None: not opened yet
        self._paused: set[str] = set()
        self._tally: dict[str, dict[FrameState, int]] = {
            rig.name: dict.fromkeys(FrameState, 0) for rig in timeline.rigs
        }
        for frame in timeline.frames:
            self._tally[frame.rig][FrameState.PLANNED] += 1
        self._battery: dict[str, int | None] = dict.fromkeys(self._said)
        self._card: dict[str, int | None] = dict.fromkeys(self._said)
        self._told_battery: dict[str, int] = dict.fromkeys(self._said, 0)
        self._told_card: dict[str, bool] = dict.fromkeys(self._said, False)
        self._error: dict[str, str] = dict.fromkeys(self._said, "")
        self._doubt: dict[str, str] = {}
        self._told_doubt: dict[str, int] = {}
        self._journal_place: str | None = None  # not the run's folder
        self._lines_missing = False  # the journal taken over may lack its end
        self._last_said = ""
        self._heard: deque[str] = deque(maxlen=HEARD_KEPT)
        self._effects: list[m.Effect] = []
        self._answers: str | None = None  # the rig whose camera says just now that it has fired

    # --- the door ---------------------------------------------------------------------------

    def handle(self, event: m.Event) -> list[m.Effect]:
        """Take one event; return what is to be done, in order. Time never goes back in here."""
        self._now = max(self._now, event.now_utc_ns)
        self._effects = []
        self._answers = None
        if isinstance(event, m.Begin):
            self._begin(event)
        elif self.state in (RunState.GOING, RunState.PAUSED):
            self._take(event)
        elif not self._ended and isinstance(event, m.FrameFired | m.FrameFailed | m.FrameMissed):
            self._outcome(event)  # a word that comes after the stop still belongs in the journal
        if self.state in (RunState.GOING, RunState.PAUSED):
            self._advance()
        return self._effects

    def _take(self, event: m.Event) -> None:
        match event:
            case m.FilterSaid():
                self._filter_said(event)
            case m.FrameFired() | m.FrameMissed() | m.FrameFailed():
                self._outcome(event)
            case m.CameraReady():
                self._camera_ready(event)
            case m.CameraLost():
                self._camera_lost(event)
            case m.CameraReport():
                self._camera_report(event)
            case m.PictureSeen():
                self._picture_seen(event)
            case m.PauseAsked():
                self._pause(event)
            case m.GoOnAsked():
                self._go_on(event)
            case m.StopAsked():
                self._stop(event)
            case m.ClockStepped():
                self._record("clock_stepped", step_s=event.step_s)
                self._say(self._phrases.text("clock_stepped"), urgent=True)
            case m.JournalMoved():
                self._journal_moved(event.place)
            case m.Noted():
                self._word("note", event, text=event.text)
            case _:
                pass

    # --- beginning and resuming -------------------------------------------------------------

    def _begin(self, event: m.Begin) -> None:
        if self.state is not RunState.READY:
            return
        self.state = RunState.GOING
        self._record("run_began", title=self.timeline.title, **event.facts)
        self._drop_past("before the run began")

    def _drop_past(self, why: str) -> None:
        self._cues = [cue for cue in self._cues if cue.at_utc_ns >= self._now - NS_PER_S]
        for frame_id in [i for ids in self._planned.values() for i in ids]:
            frame = self._frames[frame_id]
            if self._now > frame.movable_until_utc_ns and self._now > frame.deadline_utc_ns:
                self._miss(frame_id, "late", f"its time was {why}")
        for rig in self._said:
            self._refit(rig, why)

    def restore(self, records: Iterable[dict[str, Any]]) -> None:
        """Take over from a journal's records: ends stay ends, words stay words; nothing is done yet.

        Intents without an outcome become unknown when `resume` is called.
        """
        by_kind = {
            "frame_fired": FrameStep.CAMERA_SAYS_FIRED,
            "frame_failed": FrameStep.CAMERA_SAYS_FAILED,
            "frame_missed": FrameStep.GIVE_UP,
            "frame_unknown": FrameStep.LOSE_TRACK,
            "frame_intent": FrameStep.HAND_OVER,
        }
        for record in records:
            kind = record["kind"]
            then, self._now = self._now, max(self._now, int(record["at_utc_ns"]))
            if not record.get("more_follow"):
                self._note_heard(record.get("word_id"))
            if kind in by_kind:
                self._step(record["frame_id"], by_kind[kind])
            elif kind == "frame_moved":
                self._move(record["frame_id"], int(record["due_utc_ns"]))
            elif kind == "filter_said":
                for rig in self._sun_rigs(record["rig"]):
                    self._said[rig] = FilterState(record["state"])
                    self._doubt.pop(rig, None)
            elif kind == "filter_doubted":
                self._doubt.setdefault(record["rig"], _doubt(FilterState(record["said"]), record["shows"]))
            elif kind == "doubt_over":
                self._doubt.pop(record["rig"], None)
            elif kind == "hold_opened" and record["hold_id"] in self._hold_state:
                hold = self._holds[record["hold_id"]]
                self._ask_next[hold.hold_id] = self._now
                if self._hold_state[hold.hold_id] is HoldState.PASSED:
                    self._ask_next[hold.hold_id] = self._ask_again_from(hold)
                self._hold_state[hold.hold_id] = HoldState.OPEN
            elif kind == "hold_passed" and record["hold_id"] in self._hold_state:
                self._hold_state[record["hold_id"]] = HoldState.PASSED
            elif kind == "hold_expired" and record["hold_id"] in self._hold_state:
                self._hold_state[record["hold_id"]] = HoldState.EXPIRED
            elif kind == "run_resumed":
                doubtful = record.get("clock_back_s", 0.0) > 0 or "missed_file" in record
                self._void_words(then, self._now, doubtful=doubtful)
            elif kind == "stop_asked":
                self._stop_stands = True
            elif kind == "paused":
                self._paused.update(self._rigs(record["rig"]))
            elif kind == "went_on":
                self._paused.difference_update(self._rigs(record["rig"]))

    def resume(self, now_utc_ns: UtcNs, facts: Mapping[str, Any] | None = None) -> list[m.Effect]:
        """Go on after `restore`. What was handed over and has no outcome is unknown and is not tried again.

        A word on the filter stands only for a rig that is still in the phase in which the journal ends;
        in any other, and where the clock is behind the journal, the operator is asked again (HF-S12). A
        stop stands: the run is closed and nothing more is fired. `facts` go into the record as they are.
        """
        self._effects = []
        then, self._now = self._now, max(self._now, now_utc_ns)
        back_s = (self._now - now_utc_ns) / NS_PER_S
        self._record("run_resumed", clock_back_s=round(back_s, 3), **(facts or {}))
        for frame_id, state in list(self._frame_state.items()):
            if state is FrameState.HANDED:
                self._lose_track(frame_id, "the run ended between its intent and the camera's word")
        for rig in self._planned:
            self._sort(rig)
        if self._stop_stands:
            self._give_up_all("stopped")
            self._finish(RunState.STOPPED)
            return self._effects
        self._settle_state()
        self._void_words(then, self._now, doubtful=back_s > 0 or self._lines_missing)
        for hold in self._holds.values():
            if (
                self._said[hold.rig] is FilterState.UNSAID
                and self._hold_state[hold.hold_id] is HoldState.PASSED
            ):
                self._take_back(hold, HoldStep.WORD_VOIDED)
        if self._lines_missing:
            self._give_up_doubtful()
        self._drop_past("while the run was down")
        self._advance()
        return self._effects

    def miss_lines(self) -> None:
        """Say, before `resume`, that the journal taken over may lack its end.

        No word stands then, and what was due before the resume is not tried: it may have fired (HF-S10, HF-S12).
        """
        self._lines_missing = True

    def _give_up_doubtful(self) -> None:
        for frame_id in [i for ids in self._planned.values() for i in ids]:
            if self._frames[frame_id].due_utc_ns < self._now:
                self._miss(frame_id, "late", "whether it fired stood in the missing part of the journal")

    def _void_words(self, ended: int, resumed: int, *, doubtful: bool) -> None:
        """Forget the word of every rig that was in another phase when the run broke off.

        Every word is doubtful, and is forgotten, where the clock went back, so that nobody knows how long the
        program was down, and where the journal may lack its end.
        """
        for rig, said in self._said.items():
            before, after = self._phase_at(rig, ended), self._phase_at(rig, resumed)
            same_phase = before is not None and before == after and not doubtful
            if said is not FilterState.NOT_NEEDED and not same_phase:
                self._said[rig] = FilterState.UNSAID

    # --- the operator's words ---------------------------------------------------------------

    def _word(self, kind: str, event: m.OperatorEvent, **data: str | None) -> None:
        """Record a word as it was said, and tell its id in the view."""
        where = {"by": event.by} if event.by else {}
        word_id = {} if event.word_id is None else {"word_id": event.word_id}
        more = {"more_follow": True} if event.more_follow else {}
        self._record(kind, **data, **where, **word_id, **more)
        if not event.more_follow:
            self._note_heard(event.word_id)

    def _note_heard(self, word_id: str | None) -> None:
        if word_id is not None and word_id not in self._heard:
            self._heard.append(word_id)

    def _filter_said(self, event: m.FilterSaid) -> None:
        rig, state = event.rig, event.state
        if state not in (FilterState.ON, FilterState.OFF) or (rig is not None and rig not in self._said):
            return
        for name in self._sun_rigs(rig):  # before the record: writing it takes time
            wrong = [i for i in self._handed(name) if self._frames[i].filter_need is not state]
            self._withdraw(name, wrong, "held")
        self._word("filter_said", event, rig=rig, state=state.value)
        passed: list[Hold] = []
        for name in self._sun_rigs(rig):
            self._said[name] = state
            self._doubt.pop(name, None)
            self._told_doubt.pop(name, None)
            for hold in [h for h in self._holds.values() if h.rig == name]:
                current = self._hold_state[hold.hold_id]
                if current is HoldState.PASSED and hold.needs is not state:
                    self._take_back(hold, HoldStep.WORD_CONTRADICTS)
                elif current is HoldState.OPEN and hold.needs is state:
                    self._step_hold(hold, HoldStep.WORD_MATCHES)
                    self._passed(hold)
                    passed.append(hold)
            self._refit(name, "the word on the filter")
        self._acknowledge(passed)

    def _take_back(self, hold: Hold, step: HoldStep) -> None:
        """Open a hold again whose word no longer stands, unless its time is over."""
        if self._now < hold.closes_utc_ns:
            self._ask_next[hold.hold_id] = self._ask_again_from(hold)
            self._step_hold(hold, step)
            self._record("hold_opened", hold_id=hold.hold_id, rig=hold.rig, needs=hold.needs.value)

    def _ask_again_from(self, hold: Hold) -> int:
        """Return when a hold that is opened again is first asked aloud.

        A word that was forgotten: now. A word that the operator took back: after a while; but when he has
        put the filter on in totality, the voice does not tell him to take it off again, the screen shows it.
        """
        if self._said[hold.rig] is FilterState.UNSAID:
            return self._now
        if hold.needs is FilterState.OFF:
            return hold.closes_utc_ns
        return self._now + seconds_to_ns(ASK_AGAIN_S[0])

    def _passed(self, hold: Hold) -> None:
        late = max(0.0, (self._now - hold.due_utc_ns) / NS_PER_S)
        self._record(
            "hold_passed", hold_id=hold.hold_id, rig=hold.rig, needs=hold.needs.value, late_s=round(late, 3)
        )

    def _acknowledge(self, passed: list[Hold]) -> None:
        """Say what was heard, in one sentence for all rigs that it was heard for."""
        for needs, named in asked_together(passed, self._sun_rigs(None)):
            self._say(self._phrases.text(f"heard_{needs}", rigs=named), urgent=False)

    def _pause(self, event: m.PauseAsked) -> None:
        rig = event.rig
        if not self._rigs(rig):
            return
        for name in self._rigs(rig):  # before the record: writing it takes time
            self._paused.add(name)
            self._withdraw(name, self._handed(name), "paused")
        self._word("paused", event, rig=rig)
        self._settle_state()

    def _go_on(self, event: m.GoOnAsked) -> None:
        rig = event.rig
        if not self._rigs(rig):
            return
        self._word("went_on", event, rig=rig)
        for name in self._rigs(rig):
            self._paused.discard(name)
            self._refit(name, "the end of the pause")
        self._settle_state()

    def _settle_state(self) -> None:
        self.state = RunState.PAUSED if self._paused >= set(self._said) else RunState.GOING

    def _stop(self, event: m.StopAsked) -> None:
        for rig in self._said:  # before the record: writing it takes time
            self._withdraw(rig, self._handed(rig), "stopped")
        self._word("stop_asked", event)
        self._give_up_all("stopped")
        self._finish(RunState.STOPPED)

    def _give_up_all(self, reason: str) -> None:
        for frame_id in [i for ids in self._planned.values() for i in ids]:
            self._miss(frame_id, reason)

    # --- cameras ----------------------------------------------------------------------------

    def _camera_ready(self, event: m.CameraReady) -> None:
        if event.rig not in self._ready:
            return
        if self._ready[event.rig] is False:
            self._say(self._phrases.text("camera_back", rigs=self._named(event.rig)), urgent=False)
        self._ready[event.rig] = True
        self._error[event.rig] = ""
        self._record("camera_ready", rig=event.rig, model=event.model)
        self._refit(event.rig, "the camera came back")

    def _camera_lost(self, event: m.CameraLost) -> None:
        if event.rig not in self._ready or self._ready[event.rig] is False:
            return
        self._ready[event.rig] = False
        self._error[event.rig] = event.detail
        self._record("camera_lost", rig=event.rig, detail=event.detail)
        self._say(self._phrases.text("camera_lost", rigs=self._named(event.rig)), urgent=True)

    def _camera_report(self, event: m.CameraReport) -> None:
        if event.rig not in self._ready:
            return
        self._battery[event.rig] = event.battery_percent
        self._card[event.rig] = event.frames_left
        self._record(
            "camera_report",
            rig=event.rig,
            battery_percent=event.battery_percent,
            frames_left=event.frames_left,
        )
        self._battery_alarm(event.rig, event.battery_percent)
        self._card_alarm(event.rig, event.frames_left)

    def _picture_seen(self, event: m.PictureSeen) -> None:
        """Raise or clear the doubt about a word; the word itself stands, and no hold and no frame is touched."""
        rig = event.rig
        if event.said is not self._said.get(rig) or event.said not in (FilterState.ON, FilterState.OFF):
            return
        if event.verdict == "agrees" and rig in self._doubt:
            del self._doubt[rig]
            self._told_doubt.pop(rig, None)
            self._record("doubt_over", rig=rig, frame_id=event.frame_id)
        elif event.verdict == "contradicts":
            self._doubt.setdefault(
                rig, _doubt(event.said, event.shows)
            )  # one alarm, not a new one each picture
            self._record(
                "filter_doubted", rig=rig, frame_id=event.frame_id, said=event.said.value, shows=event.shows,
                stops=event.stops, at_least=event.at_least,
            )  # fmt: skip
            self._tell_doubt(rig, event.said)

    def _tell_doubt(self, rig: str, said: FilterState) -> None:
        """Say that a picture contradicts the word, now and then. After C3 nothing is said that sounds like "off"."""
        if self._now < self._told_doubt.get(rig, 0):
            return
        c3 = self.timeline.contacts_utc_ns.get(ContactName.C3, 0)
        if said is FilterState.ON or self._now < c3:
            self._told_doubt[rig] = self._now + seconds_to_ns(ASK_AGAIN_S[0])
            key = "picture_too_bright" if said is FilterState.ON else "picture_too_dark"
            self._say(self._phrases.text(key, rigs=self._named(rig)), urgent=True)

    def _battery_alarm(self, rig: str, percent: int | None) -> None:
        """Tell once that a battery is low, and once that it is very low; a fuller one begins anew."""
        if percent is None:
            return
        level = (percent <= BATTERY_LOW_PERCENT) + (percent <= BATTERY_VERY_LOW_PERCENT)
        if level > self._told_battery[rig]:
            words = ("", "low", "very low")[level]
            self._record("note", text=f"battery of {rig} {words}: {percent} %")
            key = "battery_very_low" if level > 1 else "battery_low"
            self._say(self._phrases.text(key, rigs=self._named(rig), percent=percent), urgent=level > 1)
        if level > self._told_battery[rig] or percent > BATTERY_LOW_PERCENT:
            self._told_battery[rig] = level

    def _card_alarm(self, rig: str, frames_left: int | None) -> None:
        """Tell once that a card takes fewer frames than are still to come; a larger one begins anew."""
        if frames_left is None:
            return
        to_come = self._to_come(rig)
        if frames_left >= to_come:
            self._told_card[rig] = False
        elif not self._told_card[rig]:
            self._told_card[rig] = True
            self._record(
                "note", text=f"card of {rig} has room for {frames_left} frames, {to_come} are still to come"
            )
            named = self._named(rig)
            text = self._phrases.text("card_nearly_full", rigs=named, room=frames_left, frames=to_come)
            self._say(text, urgent=False)

    def _to_come(self, rig: str) -> int:
        return self._tally[rig][FrameState.PLANNED] + self._tally[rig][FrameState.HANDED]

    def _outcome(self, event: m.FrameFired | m.FrameMissed | m.FrameFailed) -> None:
        frame = self._frames.get(event.frame_id)
        if frame is None:
            return
        step = {
            m.FrameFired: FrameStep.CAMERA_SAYS_FIRED,
            m.FrameMissed: FrameStep.GIVE_UP,
            m.FrameFailed: FrameStep.CAMERA_SAYS_FAILED,
        }[type(event)]
        if self._frame_state[frame.frame_id] is not FrameState.HANDED:
            self._record(
                "note",
                text=f"a word on {frame.frame_id} ({step}) came when it was "
                f"{self._frame_state[frame.frame_id]}; it stays so",
            )
            return
        self._step(frame.frame_id, step)
        who = {"frame_id": frame.frame_id, "rig": frame.rig}
        match event:
            case m.FrameFired():
                self._answers = frame.rig
                self._record(
                    "frame_fired",
                    **who,
                    due_utc_ns=frame.due_utc_ns,
                    released_utc_ns=event.released_utc_ns,
                    **event.report,
                )
            case m.FrameMissed():
                self._error[frame.rig] = f"missed, {event.reason}: {event.detail or frame.shot}"
                self._record("frame_missed", **who, reason=event.reason, detail=event.detail)
            case m.FrameFailed():
                self._error[frame.rig] = event.detail
                self._record("frame_failed", **who, code=event.code, detail=event.detail)

    # --- time -------------------------------------------------------------------------------

    def _advance(self) -> None:
        self._advance_holds()
        self._advance_cues()
        for rig in self._planned:
            self._advance_frames(rig)
        if self._done():
            self._finish(RunState.FINISHED)
            return
        self._effects.append(m.WakeAt(instant_utc_ns=UtcNs(self._next_wake())))

    def _advance_holds(self) -> None:
        if self._now < self._holds_next_ns:
            return  # as at most events
        self._holds_next_ns = 0
        asked: list[Hold] = []
        passed: list[Hold] = []
        for hold in list(self._holds.values()):
            state = self._hold_state[hold.hold_id]
            if state is HoldState.AHEAD and self._now >= hold.opens_utc_ns:
                self._step_hold(hold, HoldStep.TIME_OPENS)
                self._record("hold_opened", hold_id=hold.hold_id, rig=hold.rig, needs=hold.needs.value)
                if self._said[hold.rig] is hold.needs:  # said ahead of the asking
                    self._step_hold(hold, HoldStep.WORD_MATCHES)
                    self._passed(hold)
                    passed.append(hold)
                else:
                    self._ask_next[hold.hold_id] = self._now
            if self._hold_state[hold.hold_id] is HoldState.OPEN:
                if self._now >= hold.closes_utc_ns:
                    self._step_hold(hold, HoldStep.TIME_CLOSES)
                    self._record("hold_expired", hold_id=hold.hold_id, rig=hold.rig, needs=hold.needs.value)
                elif self._now >= self._ask_next[hold.hold_id]:
                    asked.append(hold)
        if passed:
            self._acknowledge(passed)
        if asked:
            self._ask(asked)

    def _ask(self, holds: list[Hold]) -> None:
        """Ask for the filters of all these holds, in one sentence for each state: a second would cut it off."""
        for needs, named in asked_together(holds, self._sun_rigs(None)):
            text = self._phrases.text(f"ask_{needs}", rigs=named)
            together = [hold for hold in holds if hold.needs is needs]
            for hold in together:
                self._record("cue_said", cue_id=f"hold/{hold.hold_id}", say=text)
                self._ask_next[hold.hold_id] = self._ask_next_after(hold)
            self._say(text, urgent=any(self._now >= hold.due_utc_ns for hold in together))

    def _ask_next_after(self, hold: Hold) -> int:
        late = self._now >= hold.due_utc_ns
        upcoming = self._now + seconds_to_ns(ASK_AGAIN_S[1] if late else ASK_AGAIN_S[0])
        return upcoming if late else min(upcoming, hold.due_utc_ns)

    def _advance_cues(self) -> None:
        while self._cues and self._cues[0].at_utc_ns <= self._now:
            cue = self._cues.pop(0)
            late = (self._now - cue.at_utc_ns) / NS_PER_S
            if late > CUE_LATE_LIMIT_S:
                self._record("cue_dropped", cue_id=cue.cue_id, say=cue.say, late_s=round(late, 3))
            else:
                self._record("cue_said", cue_id=cue.cue_id, say=cue.say)
                self._say(cue.say, urgent=False, due_utc_ns=cue.at_utc_ns)

    def _advance_frames(self, rig: str) -> None:
        planned = self._planned[rig]
        soon = self._now + (_EARLY_NS if rig == self._answers else _LEAD_NS)
        if not planned or self._frames[planned[0]].due_utc_ns > soon:
            return  # as at most events
        for frame_id in list(planned):
            frame = self._frames[frame_id]
            if frame.due_utc_ns > soon:
                break
            reason = self._blocked(frame)
            if reason is None:
                if self._now > frame.deadline_utc_ns:
                    self._miss(frame_id, "late", "the program came to it after its deadline")
                else:
                    self._hand_over(frame)
            elif self._now > max(frame.movable_until_utc_ns, frame.deadline_utc_ns):
                self._miss(frame_id, reason)

    def _blocked(self, frame: Frame) -> str | None:
        """Return what forbids this frame now, or None. The one gate every frame goes through."""
        reason = self._barred(frame.rig, frame.filter_need)
        if reason is None and frame.filter_need is FilterState.OFF and not self._inside_window(frame):
            return "outside its window"
        return reason

    def _barred(self, rig: str, need: FilterState) -> str | None:
        """Return what forbids any frame with this need on this rig now, or None."""
        if self.state not in (RunState.GOING, RunState.PAUSED):
            return "stopped"
        if self._said[rig] is not need:
            return "held"
        if rig in self._paused:
            return "paused"
        if not self._ready[rig]:
            return "camera"
        return None

    def _inside_window(self, frame: Frame) -> bool:
        if self._window is None:
            return False
        return self._window[0] <= frame.due_utc_ns <= last_start(frame)  # which `_within` has limited

    def _hand_over(self, frame: Frame) -> None:
        self._step(frame.frame_id, FrameStep.HAND_OVER)
        self._record(
            "frame_intent",
            frame_id=frame.frame_id,
            rig=frame.rig,
            due_utc_ns=frame.due_utc_ns,
            exposure_s=frame.settings.exposure_s,
            f_number=frame.settings.f_number,
            iso=frame.settings.iso,
        )
        self._effects.append(m.HandOver(frame=frame))

    def _next_wake(self) -> int:
        now = self._now
        if not self._holds_next_ns:
            self._holds_next_ns = self._next_of_holds()
        wakes = [self._holds_next_ns]
        if self._cues:
            wakes.append(self._cues[0].at_utc_ns)
        for ids in self._planned.values():
            for frame_id in ids:
                frame = self._frames[frame_id]
                hand_over = frame.due_utc_ns - _LEAD_NS
                if hand_over > now:
                    wakes.append(hand_over)
                    break
                wakes.append(max(frame.movable_until_utc_ns, frame.deadline_utc_ns) + 1)
        wake = min([wake for wake in wakes if wake > now], default=FAR_NS)
        return wake if wake < FAR_NS else now + NS_PER_S

    def _next_of_holds(self) -> int:
        moments: list[int] = []
        for hold_id, state in self._hold_state.items():
            if state is HoldState.AHEAD:
                moments.append(self._holds[hold_id].opens_utc_ns)
            elif state is HoldState.OPEN:
                moments += [self._holds[hold_id].closes_utc_ns, self._ask_next[hold_id]]
        return min(moments, default=FAR_NS)

    def _done(self) -> bool:
        if any(self._planned.values()) or any(tally[FrameState.HANDED] for tally in self._tally.values()):
            return False
        holding = any(state in (HoldState.AHEAD, HoldState.OPEN) for state in self._hold_state.values())
        speaking = bool(self._cues) and self._cues[0].at_utc_ns <= self._over_ns
        return not holding and not speaking

    def _finish(self, state: RunState) -> None:
        self.state = state
        totals = self.totals()
        if state is RunState.FINISHED:
            self._end(totals)
        self._effects.append(m.Finish(outcome=state.value))

    def close(self, now_utc_ns: UtcNs) -> list[m.Effect]:
        """Write the closing record of a stopped run, once its last handed-over frames have been answered for.

        Frames without an answer are closed as unknown.
        """
        self._effects = []
        self._now = max(self._now, now_utc_ns)
        if self.state is RunState.STOPPED and not self._ended:
            for rig in self._said:
                for frame_id in self._handed(rig):
                    self._lose_track(frame_id, "no word came before the run was stopped")
            self._end(self.totals())
        return self._effects

    def _end(self, totals: dict[FrameState, int]) -> None:
        self._ended = True
        self._record(
            "run_ended",
            outcome=self.state.value,
            fired=totals[FrameState.FIRED],
            missed=totals[FrameState.MISSED],
            failed=totals[FrameState.FAILED],
            unknown=totals[FrameState.UNKNOWN],
        )

    # --- refit ------------------------------------------------------------------------------

    def _refit(self, rig: str, why: str) -> None:
        """Refit what is left of the rig's phase if any of its frames lost its time."""
        phase = self._phase_at(rig, self._now)
        if phase is None or self._barred(rig, phase.filter_need):
            return
        mine = [self._frames[i] for i in self._planned[rig] if self._frames[i].phase == phase.name]
        if not any(frame.due_utc_ns < self._now for frame in mine):
            return
        taken = [
            (frame.due_utc_ns, frame.due_utc_ns + frame.slot_ns)
            for frame in (self._frames[i] for i in self._handed(rig))
        ]
        had = [
            frame
            for frame_id, frame in self._frames.items()
            if frame.rig == rig
            and frame.phase == phase.name
            and self._frame_state[frame_id] in (FrameState.FIRED, FrameState.HANDED)
        ]
        moved = lost = 0
        lead = seconds_to_ns(REFIT_LEAD_S)
        for placement in refit(mine, self._now, lead_ns=lead, taken=taken, had=had):
            frame = placement.frame
            if placement.due_utc_ns is None:
                lost += 1
                self._miss(frame.frame_id, "no room after refit", why)
            elif placement.due_utc_ns != frame.due_utc_ns:
                moved += 1
                self._record(
                    "frame_moved",
                    frame_id=frame.frame_id,
                    rig=rig,
                    due_utc_ns=placement.due_utc_ns,
                    was_utc_ns=frame.due_utc_ns,
                )
                self._move(frame.frame_id, placement.due_utc_ns)
        self._sort(rig)
        self._record("refitted", rig=rig, phase=phase.name, moved=moved, lost=lost, why=why)

    def _move(self, frame_id: str, due_utc_ns: int) -> None:
        frame = self._frames[frame_id]
        self._frames[frame_id] = replace(
            frame,
            due_utc_ns=UtcNs(due_utc_ns),
            deadline_utc_ns=UtcNs(min(due_utc_ns + self._grace_ns[frame_id], last_start(frame))),
        )

    def _sort(self, rig: str) -> None:
        """Put the frames that are still planned in the order they are due in."""
        self._planned[rig].sort(key=lambda i: (self._frames[i].due_utc_ns, i))

    # --- small things -----------------------------------------------------------------------

    def _step(self, frame_id: str, step: FrameStep) -> None:
        before = self._frame_state[frame_id]
        after = FRAME_TABLE[before, step]
        self._frame_state[frame_id] = after
        rig = self._frames[frame_id].rig
        self._tally[rig][before] -= 1
        self._tally[rig][after] += 1
        if before is FrameState.PLANNED:
            self._planned[rig].remove(frame_id)

    def _step_hold(self, hold: Hold, step: HoldStep) -> None:
        self._holds_next_ns = 0
        self._hold_state[hold.hold_id] = HOLD_TABLE[self._hold_state[hold.hold_id], step]

    def _miss(self, frame_id: str, reason: str, detail: str = "") -> None:
        self._step(frame_id, FrameStep.GIVE_UP)
        frame = self._frames[frame_id]
        self._record("frame_missed", frame_id=frame_id, rig=frame.rig, reason=reason, detail=detail)

    def _lose_track(self, frame_id: str, detail: str) -> None:
        self._step(frame_id, FrameStep.LOSE_TRACK)
        self._record("frame_unknown", frame_id=frame_id, rig=self._frames[frame_id].rig, detail=detail)

    def _withdraw(self, rig: str, frame_ids: list[str], reason: str) -> None:
        if frame_ids:
            self._effects.append(m.Withdraw(rig=rig, frame_ids=tuple(frame_ids), reason=reason))

    def _handed(self, rig: str) -> list[str]:
        if not self._tally[rig][FrameState.HANDED]:
            return []
        return [
            i for i, s in self._frame_state.items() if s is FrameState.HANDED and self._frames[i].rig == rig
        ]

    def _rigs(self, rig: str | None) -> list[str]:
        return list(self._said) if rig is None else [rig] if rig in self._said else []

    def _sun_rigs(self, rig: str | None) -> list[str]:
        return [name for name in self._rigs(rig) if self._said[name] is not FilterState.NOT_NEEDED]

    def _named(self, rig: str) -> list[str]:
        """Return the rig, if a sentence about it has to name it: not where there is no other."""
        return [rig] if len(self._said) > 1 else []

    def _phase_at(self, rig: str, instant: int) -> Phase | None:
        for phase in self.timeline.phases:
            if phase.rig == rig and phase.starts_utc_ns <= instant < phase.ends_utc_ns:
                return phase
        return None

    def _next_phase(self, rig: str) -> Phase | None:
        later = [p for p in self.timeline.phases if p.rig == rig and p.starts_utc_ns > self._now]
        return min(later, key=lambda phase: phase.starts_utc_ns, default=None)

    def _record(self, kind: str, **data: Any) -> None:  # noqa: ANN401 (JSON values)
        self._effects.append(m.Record(kind=kind, at_utc_ns=UtcNs(self._now), data=data))

    def _say(self, text: str, *, urgent: bool, due_utc_ns: int | None = None) -> None:
        """Speak; what comes at once with another sentence is said in one with it, or it would be late after it."""
        due = self._now if due_utc_ns is None else due_utc_ns
        before = next((effect for effect in self._effects if isinstance(effect, m.Say)), None)
        if before and not before.urgent and not urgent:
            self._effects.remove(before)
            text, due = in_one(before.text, text), min(due, before.due_utc_ns)
        self._last_said = text
        self._effects.append(m.Say(text=text, urgent=urgent, due_utc_ns=UtcNs(due)))

    # --- what can be asked of it --------------------------------------------------------------

    def view(self, now_utc_ns: UtcNs) -> RunView:
        """Return what an operator surface may show at this instant."""
        contacts = sorted(self.timeline.contacts_utc_ns.items(), key=lambda pair: pair[1])
        contact = next(((name, at) for name, at in contacts if at > now_utc_ns), None)
        rigs = tuple(self._rig_view(rig, now_utc_ns) for rig in self._said)
        return RunView(
            now_utc_ns=now_utc_ns,
            title=self.timeline.title,
            time_zone=self.timeline.time_zone,
            state=self.state,
            next_contact=contact[0] if contact else None,
            next_contact_utc_ns=contact[1] if contact else None,
            next_cue=self._cues[0].say if self._cues else "",
            next_cue_utc_ns=self._cues[0].at_utc_ns if self._cues else None,
            last_said=self._last_said,
            alarm="; ".join(filter(None, (_alarm(rigs), self._journal_alarm()))),
            rigs=rigs,
            heard=tuple(self._heard),
        )

    def _journal_moved(self, place: str | None) -> None:
        """Tell where the journal is; its own record of that stands in it already."""
        self._journal_place = place
        if place is None:
            self._say(self._phrases.text("journal_back"), urgent=False)
        else:
            self._say(self._phrases.text("journal_moved"), urgent=True)

    def _journal_alarm(self) -> str:
        if self._journal_place is None:
            return ""
        return f"journal moved to {self._journal_place}: make room on the disk of the run"

    def _rig_view(self, rig: str, now: int) -> RigView:
        phase = self._phase_at(rig, now) or self._next_phase(rig)
        hold = next(
            (h for i, h in self._holds.items() if h.rig == rig and self._hold_state[i] is HoldState.OPEN),
            None,
        )
        tally = self._tally[rig]
        planned = self._planned[rig]
        return RigView(
            name=rig,
            phase=phase.name if phase else "",
            filter_asked=hold.needs if hold else None,
            filter_asked_late_s=(now - hold.due_utc_ns) / NS_PER_S if hold else 0.0,
            filter_said=self._said[rig],
            camera_ready=bool(self._ready[rig]),
            paused=rig in self._paused,
            planned=sum(tally.values()),
            fired=tally[FrameState.FIRED],
            missed=tally[FrameState.MISSED],
            failed=tally[FrameState.FAILED],
            unknown=tally[FrameState.UNKNOWN],
            next_due_utc_ns=self._frames[planned[0]].due_utc_ns if planned else None,
            frames_left=self._card[rig],
            battery_percent=self._battery[rig],
            last_error=self._error[rig],
            doubt=self._doubt.get(rig, ""),
        )

    def open_holds(self) -> list[Hold]:
        """Return the holds that wait for a word now."""
        return [self._holds[i] for i, state in self._hold_state.items() if state is HoldState.OPEN]

    def frame_state(self, frame_id: str) -> FrameState:
        """Return where a frame is."""
        return self._frame_state[frame_id]

    def totals(self) -> dict[FrameState, int]:
        """Return how many frames are in each state, all rigs together."""
        return {state: sum(tally[state] for tally in self._tally.values()) for state in FrameState}


def _unfiltered_window(timeline: Timeline) -> tuple[int, int] | None:
    """Return when unfiltered exposures may be made, or None: the timeline's word inside the hard bounds.

    HF-S03, HF-S04, HF-S07: the compiler keeps to them too, but a timeline file can be changed after it.
    """
    start, end = timeline.unfiltered_from_utc_ns, timeline.unfiltered_until_utc_ns
    c2, c3 = (timeline.contacts_utc_ns.get(contact) for contact in (ContactName.C2, ContactName.C3))
    if timeline.kind != "total" or start is None or end is None or c2 is None or c3 is None:
        return None
    return (
        max(start, c2 - seconds_to_ns(EARLIEST_FILTER_OFF_BEFORE_C2_S)),
        min(end, c3 + seconds_to_ns(LATEST_FILTER_ON_AFTER_C3_S)),
    )


def _within(frame: Frame, window: tuple[int, int] | None) -> Frame:
    """Return the frame with no deadline past what its limits allow; its camera goes by these alone."""
    ends_by = frame.ends_by_utc_ns
    if frame.filter_need is FilterState.OFF and window is not None:
        ends_by = UtcNs(min(ends_by, window[1]))
    if ends_by != frame.ends_by_utc_ns:
        frame = replace(frame, ends_by_utc_ns=ends_by)
    if frame.deadline_utc_ns <= last_start(frame):
        return frame
    return replace(frame, deadline_utc_ns=UtcNs(last_start(frame)))


def _asked_within(timeline: Timeline, window: tuple[int, int] | None) -> list[Hold]:
    """Return the holds; nobody is asked to take a filter off before the window opens or after C3 (HF-S13)."""
    holds = []
    for hold in timeline.holds:
        if hold.needs is not FilterState.OFF:
            holds.append(hold)
        elif window is not None:
            opens = UtcNs(max(hold.opens_utc_ns, window[0]))
            closes = UtcNs(min(hold.closes_utc_ns, timeline.contacts_utc_ns[ContactName.C3]))
            holds.append(replace(hold, opens_utc_ns=opens, closes_utc_ns=closes))
    return holds


def _doubt(said: FilterState, shows: str) -> str:
    """Return what a screen says of a picture that contradicts the word; what to do is to be sure and harmless."""
    mend = "put the filter on" if said is FilterState.ON else "check the front of the lens"
    return f"said {said}, but the picture {shows}: {mend}"


def _alarm(rigs: tuple[RigView, ...]) -> str:
    """Return the one thing that is wrong now, the most pressing first."""
    for rig in rigs:
        if rig.filter_asked is not None and rig.filter_asked_late_s > 0:
            return f"no word yet that the filter of {rig.name} is {rig.filter_asked}"
    for rig in rigs:
        if rig.doubt:
            return f"filter of {rig.name} {rig.doubt}"
    for rig in rigs:
        if not rig.camera_ready and rig.last_error:
            return f"camera of {rig.name} lost: {rig.last_error}"
    for rig in rigs:
        if rig.frames_left == 0:
            return f"card of {rig.name} is full"
    for rig in rigs:
        if rig.battery_percent is not None and rig.battery_percent <= BATTERY_VERY_LOW_PERCENT:
            return f"battery of {rig.name} at {rig.battery_percent} %"
    for rig in rigs:
        if rig.frames_left is not None and rig.frames_left < rig.to_come:
            return f"card of {rig.name} has room for {rig.frames_left} of {rig.to_come} frames"
    for rig in rigs:
        if rig.battery_percent is not None and rig.battery_percent <= BATTERY_LOW_PERCENT:
            return f"battery of {rig.name} at {rig.battery_percent} %"
    return ""
