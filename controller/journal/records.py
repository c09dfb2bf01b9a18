"""The kinds of journal record and the fields each carries. The account and resume rely on these.

Every record also has ``seq`` (from 1), ``at_utc_ns`` (the engine's instant), ``kind``, ``prev``
(SHA-256 of the bytes of the line before, without its newline; 64 zeros on the first line) and, last in
its line, ``sum`` (check digits over the line itself, so that damage to the last line shows too).
``rig`` is a rig's name; a None rig means all rigs.
"""

from __future__ import annotations

from enum import StrEnum

CLOUD, CLEAR = "cloud", "clear"
"""What the operator can say of the sky: cloud before the Sun, and none any more. It changes nothing of the run."""


class Kind(StrEnum):
    """Record kinds, with the fields of each."""

    RUN_BEGAN = "run_began"
    """title, plan_sha256, timeline_sha256, profiles_sha256 {file in the run's folder: digest},
    mode ("rehearsal" or "run"), cameras {rig: model},
    contacts_note, versions {name: version}, clock (sentence), operator ("person" or "script"),
    silence_limit_s {rig: how long after an exposure a camera may be silent before its call counts as hung; one of
    a second or more has its own length on top}, real_cameras [rigs whose cameras are neither simulated
    nor virtual], second_place (the file in which the
    journal goes on when it cannot be written here; absent where there is none),
    sleep (sentence: whether the computer's sleep is held off; live runs),
    practised_utc_ns (when a rehearsal in real time really began, by the computer's clock; there alone)"""
    RUN_RESUMED = "run_resumed"
    """torn_sha256, torn_bytes (None and 0 when the journal ended on a whole line), clock_back_s (how far the
    clock is behind the journal; 0 when it is not), clock (sentence; not in a rehearsal),
    silence_limit_s (as above), second_place (as above, from here on), missed_file (the second place that was
    gone, with what may have stood in it; absent when none was), sleep (as above)"""
    RUN_ENDED = "run_ended"
    """outcome ("finished" or "stopped"), fired, missed, failed, unknown (numbers of frames)"""
    FRAME_INTENT = "frame_intent"
    """frame_id, rig, due_utc_ns, exposure_s, f_number, iso"""
    FRAME_FIRED = "frame_fired"
    """frame_id, rig, released_utc_ns, due_utc_ns, file_name, reported_utc_ns,
    read_back {exposure_s, f_number, iso}, words {widget: text}, differs [names]"""
    FRAME_MISSED = "frame_missed"
    """frame_id, rig, reason, detail"""
    FRAME_FAILED = "frame_failed"
    """frame_id, rig, code, detail"""
    FRAME_UNKNOWN = "frame_unknown"
    """frame_id, rig, detail"""
    FRAME_MOVED = "frame_moved"
    """frame_id, rig, due_utc_ns (the new one), was_utc_ns"""
    FILTER_SAID = "filter_said"
    """rig, state ("on" or "off"), by ("terminal", "page" or "script"), word_id (as the page calls the word),
    more_follow (true: the same word goes on with another rig). These are there only where they are known; so they
    are in `paused` and `went_on`."""
    HOLD_OPENED = "hold_opened"
    """hold_id, rig, needs"""
    HOLD_PASSED = "hold_passed"
    """hold_id, rig, needs, late_s (0 when in time)"""
    HOLD_EXPIRED = "hold_expired"
    """hold_id, rig, needs: the phase ended and nobody had said it"""
    CUE_SAID = "cue_said"
    """cue_id, say"""
    CUE_DROPPED = "cue_dropped"
    """cue_id, say, late_s"""
    CAMERA_LOST = "camera_lost"
    """rig, detail"""
    CAMERA_READY = "camera_ready"
    """rig, model"""
    CAMERA_REPORT = "camera_report"
    """rig, battery_percent, frames_left"""
    FILTER_DOUBTED = "filter_doubted"
    """rig, frame_id, said ("on" or "off"), shows (in words that follow "the picture"), stops (above zero: brighter
    than the model), at_least (so many or more)"""
    DOUBT_OVER = "doubt_over"
    """rig, frame_id: a later picture agrees with the word again"""
    PAUSED = "paused"
    """rig"""
    WENT_ON = "went_on"
    """rig"""
    STOP_ASKED = "stop_asked"
    """by ("terminal", "page", "signal" or, in words, what else asked for it; "operator" where nobody tells),
    word_id as above"""
    REFITTED = "refitted"
    """rig, phase, moved, lost (numbers of frames), why"""
    CLOCK_STEPPED = "clock_stepped"
    """step_s, firing goes on by the monotonic clock"""
    JOURNAL_MOVED = "journal_moved"
    """place (the file that holds the journal from here on), from_seq (the first record there that may not
    stand whole in the run's folder), cause"""
    JOURNAL_RETURNED = "journal_returned"
    """The journal is whole again in the run's folder, and goes on there."""
    NOTE = "note"
    """text, and, only where it is the operator's word, by (as above): then the text is `CLOUD` or `CLEAR`"""
