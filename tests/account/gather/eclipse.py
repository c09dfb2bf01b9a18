"""A whole eclipse rehearsed with three rigs whose simulated cameras write pictures, and ways to disturb these."""

from __future__ import annotations

import io
import os
import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import piexif
import pytest

from controller.cameras.protocol import Clock
from controller.cameras.simulated import SimulatedCamera, SimulatedDevice
from controller.cli.prepare import Prepared, prepare
from controller.engine.engine import Engine
from controller.journal.folder import RunFolder
from controller.journal.writing import JournalWriter
from controller.light.sampling import scene_of
from controller.light.scene import Outlook
from controller.operator.script import Habit, ScriptedOperator
from controller.simulate.driver import Simulation
from controller.timeline.model import Hold
from controller.units import NS_PER_S, UtcNs
from tests.cli.command import SAMPLES

CLOCK_ERRORS_S = {"long": 143.217, "short": -61.84, "land": 7384.5}
"""Minutes; and one that stands in another time zone."""
MODELS = {"long": "Lark 7", "short": "Lark 7", "land": "Wren D20"}
SERIALS = {"long": "L0001", "short": "L0002", "land": "W0003"}


@dataclass(frozen=True)
class Eclipse:
    """The run, and the pictures as the cameras wrote them."""

    run: Path
    prepared: Prepared
    cards: Path
    """``<rig>/HF_00001.JPG`` and so on."""
    truth: dict[Path, str]
    """Picture, relative to `cards` -> the frame's id."""
    opened_utc_ns: dict[str, int]
    """The frame's id -> when the simulated shutter opened."""


def three_rig_plan() -> str:
    """The sample plan of two rigs, and a second lens on the Sun that does the same as the first."""
    text = (SAMPLES / "two_rigs_2026.yaml").read_text(encoding="utf-8")
    long = text[text.index("  - name: long\n") : text.index("  # Turned to the east")]
    short = long.replace("name: long", "name: short").replace("500 mm", "300 mm")
    return text.replace(long, long + short).replace("rigs: [long]", "rigs: [long, short]")


def rehearse(base: Path, *, rendered: bool) -> Eclipse:
    """Play the day in virtual time; the pictures are rendered from the brightness model, or dark."""
    plan = base / "plan.yaml"
    plan.write_text(three_rig_plan(), encoding="utf-8")
    prepared = prepare(plan)
    timeline = prepared.compiled.timeline
    begins = timeline.frames[0].due_utc_ns - 600 * NS_PER_S
    folder = RunFolder.create(
        base / "runs", timeline.title, prepared.plan_bytes, timeline, started_utc_ns=begins
    )
    outlook = Outlook(scene=scene_of(prepared.sky), field_arcsec=(7400.0, 4900.0), filter_density=5.0,
        filter_off_utc_ns=tuple(
            (phase.starts_utc_ns, phase.ends_utc_ns) for phase in timeline.phases if phase.name == "totality"
        )[:1],
    )  # fmt: skip
    devices: dict[str, SimulatedDevice] = {}

    def opener(rig: str, seed: int) -> Callable[[Clock], SimulatedCamera]:
        def open_camera(clock: Clock) -> SimulatedCamera:
            if rig not in devices:
                devices[rig] = SimulatedDevice(
                    prepared.compiled.bodies[rig], clock, folder=base / "cards" / rig, model=MODELS[rig],
                    seed=seed, lag_jitter_s=0.012, clock_error_s=CLOCK_ERRORS_S[rig], serial=SERIALS[rig],
                    outlook=outlook if rendered and rig != "land" else None,
                )  # fmt: skip
            return devices[rig].open()

        return open_camera

    script = ScriptedOperator(Habit.parse("prompt"))

    def next_word(hold: Hold, opened: int, first: bool) -> int | None:
        return script.answer(UtcNs(opened), hold.due_utc_ns, hold.needs, first=first)

    with pytest.MonkeyPatch.context() as patch, JournalWriter.create(folder.path) as journal:
        patch.setattr(os, "fsync", lambda _: None)  # a journal of a test need not survive a loss of power
        Simulation(
            engine=Engine(timeline),
            cameras={rig.name: opener(rig.name, n) for n, rig in enumerate(timeline.rigs)},
            next_word=next_word, journal=journal, start_utc_ns=begins,
            facts={"mode": "rehearsal", "operator": "script", "cameras": MODELS, "clock": "pretended clock"},
        ).run()  # fmt: skip
    truth, opened = {}, {}
    for record in folder.read().records:
        if record["kind"] == "frame_fired":
            name = Path(record["file_name"])
            truth[name] = record["frame_id"]
            opened[record["frame_id"]] = devices[record["rig"]].taken[int(name.stem[3:]) - 1].opened_ns
    return Eclipse(folder.path, prepared, base / "cards", truth, opened)


@dataclass(frozen=True)
class Disturbed:
    """Pictures after what happens to pictures: some gone, some renamed, others among them."""

    folder: Path
    truth: dict[Path, str]
    """Each file that is there and is of a frame -> the frame's id."""
    gone: set[str]
    foreign: set[Path]


def disturb(
    eclipse: Eclipse, folder: Path, seed: int, *, missing: float = 0.02, renamed: float = 0.1
) -> Disturbed:
    """Copy the pictures, lose some, rename some (a few to another frame's name), and mix in foreign ones."""
    rng = random.Random(seed)
    truth, gone, foreign = {}, set(), set()
    for name, frame_id in eclipse.truth.items():
        if rng.random() < missing:
            gone.add(frame_id)
            continue
        target = folder / name
        if rng.random() < renamed:
            target = target.with_name(f"my eclipse {rng.randrange(10**9)}.jpg")
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(eclipse.cards / name, target)
        truth[target] = frame_id
    for a, b in _some_pairs(rng, sorted(truth), 3):
        spare = a.with_name("spare.jpg")
        a.rename(spare)
        b.rename(a)
        spare.rename(b)
        truth[a], truth[b] = truth[b], truth[a]
    names = sorted(eclipse.truth)
    for number in range(25):
        foreign.add(_foreign(eclipse, folder, rng, names, number))
    return Disturbed(folder, truth, gone, foreign)


def _some_pairs(rng: random.Random, paths: list[Path], count: int) -> list[tuple[Path, Path]]:
    """Pairs of pictures in one folder, no picture in two of them."""
    folder = [path for path in paths if path.parent.name == "long"]
    chosen = rng.sample(folder, 2 * count)
    return list(zip(chosen[::2], chosen[1::2], strict=True))


def _foreign(eclipse: Eclipse, folder: Path, rng: random.Random, names: list[Path], number: int) -> Path:
    """One picture that is of no frame: another camera's, the same camera's of another day, or without EXIF."""
    source = eclipse.cards / rng.choice(names)
    kind = number % 4
    target = folder / "others" / (f"IMG_{number:04d}.JPG" if kind != 1 else f"{number}" + "/" + source.name)
    target.parent.mkdir(parents=True, exist_ok=True)
    data = source.read_bytes()
    if kind == 3:
        target.write_bytes(without_exif(data))
        return target
    exif = piexif.load(data)
    if kind == 0:
        exif["0th"][piexif.ImageIFD.Model] = b"Swift phone"
        del exif["Exif"][piexif.ExifIFD.BodySerialNumber]
    elif kind == 1:  # of the day before, with the same settings and name
        exif["Exif"][piexif.ExifIFD.DateTimeOriginal] = b"2026:08:11 %02d:%02d:%02d" % (
            rng.randrange(24), rng.randrange(60), rng.randrange(60),
        )  # fmt: skip
    else:  # of the same hours, with settings that no frame had
        exif["Exif"][piexif.ExifIFD.ISOSpeedRatings] = 6400
    target.write_bytes(data)
    piexif.insert(piexif.dump(exif), str(target))
    return target


def without_exif(data: bytes) -> bytes:
    """The picture with no EXIF."""
    made = io.BytesIO()
    piexif.remove(data, made)
    return made.getvalue()


def changed_exif(data: bytes, change: Callable[[dict[str, dict[int, object]]], None]) -> bytes:
    """The picture with its EXIF changed."""
    exif = piexif.load(data)
    change(exif)
    made = io.BytesIO()
    piexif.insert(piexif.dump(exif), data, made)
    return made.getvalue()
