"""`draft`: ask little, write a commented plan, compile it, and adjust it until it holds together."""

from __future__ import annotations

import bisect
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from controller.cameras.protocol import CameraFacts
from controller.cli.output import console, duration_text, print_json
from controller.cli.prepare import site_contacts
from controller.cli.sky import next_eclipse, parse_date, require_zone
from controller.cli.totality import Totality, totalities
from controller.errors import PlanError, UsageError
from controller.gear.body import SIMULATED_BODY, TETHERED_BODY, is_listed
from controller.gear.classes import CAMERA_CLASSES
from controller.gear.drift import SunSeen
from controller.light.extinction import Haze
from controller.light.sensor import FARTHEST_RADIUS
from controller.light.stops import format_f_number
from controller.plan import fields
from controller.plan.drafting import SUBJECTS, Draft, Gear, Scene, Wish, draft
from controller.plan.drafting.model import MOST_SPARED
from controller.plan.drafting.text import exposure, flow_list
from controller.plan.loading import load_plan_text
from controller.sky import Constants, Kind, Site, circumstances, time_zone_at
from controller.sky.track import sun_track
from controller.timeline.compile import Compiled, compile_plan
from controller.timeline.framing import BLUR_LIMIT_PX
from controller.units import FilterState

Answers = dict[str, str]
"""What was given for each option, as text."""


@dataclass(frozen=True)
class _Question:
    """One thing a draft needs to know."""

    option: str
    """Without the dashes."""
    ask: str
    kind: Any
    """The plan's own type, which reads the text."""
    unit: str = ""
    """Added where the text is a bare number."""
    default: str | None = None
    """Taken when nothing is given; None: it has to be."""


QUESTIONS: tuple[_Question, ...] = (
    _Question("lat", "Latitude of the place (36.12 N)", fields.Latitude),
    _Question("lon", "Longitude (5.72 W)", fields.Longitude),
    _Question("elevation", "Metres above the sea", fields.Elevation, "m", "0 m"),
    _Question("camera", "Class of the camera", fields.SensorField),
    _Question("focal-length", "Focal length of the lens alone, mm", fields.FocalLengthMm, "mm"),
    _Question("aperture", "Its f-number", fields.FNumber),
    _Question("teleconverter", "Teleconverter's factor (1 without)", fields.TeleconverterFactor, "", "1"),
    _Question("filter-density", "Optical density of the solar filter", fields.Density, "", "5.0"),
    _Question("mount", "Mount: fixed or tracking", fields.MountField),
)
_THERE_ALREADY = "{} is there already. Mend: give another name with -o, or --force."
_ADAPTERS: dict[str, TypeAdapter[Any]] = {one.option: TypeAdapter(one.kind) for one in QUESTIONS}


@dataclass(frozen=True, kw_only=True)
class Extras:
    """What a draft is told beyond the questions; None and nothing mean: by default."""

    date: str | None = None
    zone: str | None = None
    place: str = ""
    title: str = ""
    iso: int | None = None
    want: str | None = None
    corona: float = 5.0
    crescents: int = 12
    spacing: str = "time"
    haze: str = "clear"
    long_side: str | None = None
    filter_kind: str | None = None
    wide: str | None = None
    people: str | None = None
    frame_gap: str | None = None
    write_time: str | None = None
    buffer: int | None = None
    card: int | None = None
    battery: str | None = None


@dataclass(frozen=True)
class Drafted:
    """A draft that compiles, and what it comes to."""

    draft: Draft
    compiled: Compiled
    gear: Gear
    scene: Scene
    haze: Haze
    notes: tuple[str, ...] = field(default_factory=tuple)


def command(
    answers: Mapping[str, str | None],
    extras: Extras,
    *,
    attached: bool,
    ask: bool,
    out: Path | None,
    force: bool,
    ephemeris: Path | None,
    as_json: bool,
) -> None:
    """Draft a plan and write it.

    Raises:
        UsageError: if something is missing or cannot be meant, or the file is there already.
        SkyError: if the eclipse cannot be computed.
        CameraError: if the attached camera cannot be probed.
    """
    given = {option: text for option, text in answers.items() if text is not None}
    for one in QUESTIONS:  # whoever answers questions has not slipped before
        if one.option in given:
            _read(one, given[one.option])
    if out is not None and not force and out.exists():
        raise UsageError(_THERE_ALREADY.format(out))
    _wish(extras)
    told = _complete(given, ask=ask)
    if ask:
        extras = _asked_wishes(extras)
    values = {one.option: _read(one, told[one.option]) for one in QUESTIONS}
    site = Site(values["lat"], values["lon"], values["elevation"])
    scene = _scene(site, extras, ephemeris)
    facts = _probed() if attached else None
    made = checked(
        scene, _gear(values, extras, facts), _wish(extras), card=_card(extras, facts), title=extras.title
    )
    path = out or Path(f"eclipse-{scene.sky.eclipse_date.isoformat()}.yaml")
    if str(path) == "-":
        sys.stdout.write(made.draft.text)
        return
    _write(path, made.draft.text, force=force)
    if as_json:
        print_json({"file": str(path), **figures(made)})
        return
    _tell(made, path)


# --- asking ---------------------------------------------------------------------------------------------


def _complete(given: Answers, *, ask: bool) -> Answers:
    """Return an answer to every question: given, asked for at the terminal, or by default."""
    missing = [one for one in QUESTIONS if one.option not in given and one.default is None]
    asking = ask or (missing and sys.stdin.isatty())
    if missing and not asking:
        options = ", ".join(f"--{one.option}" for one in missing)
        raise UsageError(f"A draft needs {options}. Mend: give them, or --ask to be asked.")
    told = {one.option: one.default for one in QUESTIONS if one.default is not None} | given
    if not asking:
        return told
    for one in QUESTIONS:
        if one.option not in given and (ask or one.default is None):
            told[one.option] = _asked(one)
    return told


def _asked(one: _Question) -> str:
    if one.option == "camera":
        for number, name in enumerate(CAMERA_CLASSES, 1):
            console(error=True).print(f"  {number}  {name}")

    def understood(text: str) -> str:
        if one.option == "camera" and text.isdigit() and 1 <= int(text) <= len(CAMERA_CLASSES):
            text = list(CAMERA_CLASSES)[int(text) - 1]
        _read(one, text)
        return text

    return _answer(one.ask, one.option, one.default or "", understood)


def _asked_wishes(extras: Extras) -> Extras:
    """Return the extras with the eclipse and what is wanted above all asked for, where they are not given."""

    def day(text: str) -> str:
        return parse_date(text).isoformat() if text else ""

    def wanted(text: str) -> str:
        _wish(replace(extras, want=text))
        return text

    date = extras.date or _answer(
        "Date of the eclipse (2027-08-02; nothing for the next one)", "date", "", day
    )
    subjects = ", ".join(SUBJECTS)
    want = extras.want or _answer(f"Wanted above all, of {subjects}; all; or nothing", "want", "", wanted)
    return replace(extras, date=date or None, want=want or None)


def _answer(ask: str, option: str, default: str, understood: Callable[[str], str]) -> str:
    """Ask until the answer is understood.

    Raises:
        UsageError: if nobody answers any more.
    """
    out = console(error=True)
    while True:
        out.print(f"{ask}{f' [{default}]' if default else ''}: ", end="", soft_wrap=True, markup=False)
        line = sys.stdin.readline()
        if not line:
            raise UsageError(f"Nobody answered: {ask}. Mend: give --{option}.")
        try:
            return understood(line.strip() or default)
        except UsageError as error:
            out.print(str(error), soft_wrap=True, markup=False)


def _read(one: _Question, text: str) -> Any:  # noqa: ANN401 - each question has its own type
    bare = text.replace(".", "", 1).replace("-", "", 1).isdigit()
    return _value(
        _ADAPTERS[one.option], f"--{one.option}", f"{text} {one.unit}" if one.unit and bare else text
    )


def _value(adapter: TypeAdapter[Any], option: str, text: str) -> Any:  # noqa: ANN401
    try:
        return adapter.validate_python(text)
    except ValidationError as error:
        wrong = error.errors()[0].get("ctx", {}).get("error")
        if isinstance(wrong, fields.WrongValueError):
            raise UsageError(f"{option}: {wrong.what} Mend: {wrong.mend}") from None
        raise UsageError(f'{option}: "{text}" cannot be meant. Mend: write it as in a plan.') from None


_DURATION: TypeAdapter[Any] = TypeAdapter(fields.DurationS)
_BATTERY: TypeAdapter[Any] = TypeAdapter(fields.BatteryField)
_LENGTH: TypeAdapter[Any] = TypeAdapter(fields.FocalLengthMm)
_NAME: TypeAdapter[Any] = TypeAdapter(fields.Name)


def _optional(adapter: TypeAdapter[Any], option: str, text: str | None, unit: str = "") -> Any:  # noqa: ANN401
    if text is None:
        return None
    bare = text.replace(".", "", 1).isdigit()
    return _value(adapter, option, f"{text} {unit}" if unit and bare else text)


# --- place and gear -------------------------------------------------------------------------------------


def _scene(site: Site, extras: Extras, ephemeris: Path | None) -> Scene:
    day = parse_date(extras.date) if extras.date else next_eclipse(site, Constants(), ephemeris)
    if extras.zone:
        require_zone(extras.zone)
    sky = circumstances(site, day, ephemeris=ephemeris)
    if sky.kind is Kind.NONE:
        raise UsageError(
            f"The place sees nothing of the eclipse of {sky.eclipse_date}. Mend: holdfire eclipses --lat "
            f"{site.latitude_deg:g} --lon {site.longitude_deg:g} lists those it sees."
        )
    zone = extras.zone or time_zone_at(site.latitude_deg, site.longitude_deg)
    place = "" if not extras.place else str(_value(_NAME, "--place", extras.place))
    return Scene(sky=sky, track=sun_track(sky, ephemeris=ephemeris), zone=zone, place=place)


def _probed() -> CameraFacts:
    from controller.cli.runs import probe_attached

    found = probe_attached()
    if len(found) != 1:
        how_many = f"{len(found)} cameras are" if found else "No camera is"
        raise UsageError(
            f"{how_many} attached. Mend: attach the one for the long lens, or leave --attached out."
        )
    return found[0]


def _card(extras: Extras, facts: CameraFacts | None) -> int | None:
    if extras.card is not None:
        return extras.card
    return None if facts is None else facts.status.frames_left


def _gear(values: Mapping[str, Any], extras: Extras, facts: CameraFacts | None) -> Gear:
    if not isinstance(values["camera"], str):
        raise UsageError(
            f"--camera: a draft goes by a class of camera. Mend: give one of: {'; '.join(CAMERA_CLASSES)}; the sides "
            "of your sensor can be written into the plan afterwards."
        )
    body = SIMULATED_BODY if facts is None else TETHERED_BODY
    written: list[str] = []
    gap = _optional(_DURATION, "--frame-gap", extras.frame_gap, "s")
    write = _optional(_DURATION, "--write-time", extras.write_time, "s")
    battery = _optional(_BATTERY, "--battery", extras.battery, "Wh")
    body = replace(body, card_frames=None)
    if facts is not None:
        body = replace(body, shutter_s=facts.shutter_s, f_numbers=facts.f_numbers, isos=facts.isos)
        written.append("# what the attached camera lists:")
        written += _listed("shutter_speeds", map(exposure, sorted(facts.shutter_s)))
        written += _listed("isos", map(str, sorted(facts.isos)))
    if not is_listed(values["aperture"], body.f_numbers):
        body = replace(body, f_numbers=(values["aperture"],))
        written.append(f"apertures: [{format_f_number(values['aperture'])}]   # the lens has this one alone")
    elif facts is not None:
        written += _listed("apertures", map(format_f_number, sorted(facts.f_numbers)))
    if extras.iso is not None and not is_listed(extras.iso, body.isos):
        raise UsageError(
            f"--iso {extras.iso}: the camera does not list it. Mend: give one it has, or leave it out."
        )
    if gap is not None:
        body = replace(body, frame_gap_s=gap)
    mark = (
        "" if gap is not None else "       # assumed: measure yours, it decides how much fits into totality"
    )
    written.append(f"frame_gap: {body.frame_gap_s:.10g} s{mark}")
    if write is not None:
        body = replace(body, write_time_s=write)
        written.append(f"write_time: {write:.10g} s")
    if extras.buffer is not None:
        body = replace(body, buffer_frames=extras.buffer)
        written.append(f"buffer_frames: {extras.buffer}")
    if battery is not None:
        written.append(f"battery: {battery if isinstance(battery, str) else f'{battery:g} Wh'}")
    return Gear(
        camera_class=values["camera"],
        body=body,
        focal_length_mm=values["focal-length"],
        aperture=values["aperture"],
        teleconverter=values["teleconverter"],
        filter_density=values["filter-density"],
        mount=values["mount"],
        long_side="upright" if extras.long_side == "upright" else "level",
        driver="simulated" if facts is None else "tethered",
        written=tuple(written),
        iso=extras.iso,
        **(
            {}
            if extras.filter_kind is None
            else {"filter_kind": _value(_NAME, "--filter", extras.filter_kind)}
        ),
    )


def _listed(key: str, values: Iterable[str]) -> list[str]:
    """Return a list of what a camera offers; nothing where it does not say."""
    known = list(values)
    return flow_list(f"{key}: ", known) if known else []


def _wish(extras: Extras) -> Wish:
    wanted = {word.strip().casefold() for word in (extras.want or "").split(",") if word.strip()}
    wanted = set(SUBJECTS) if wanted == {"all"} else wanted
    unknown = sorted(wanted - set(SUBJECTS))
    if unknown:
        raise UsageError(
            f'--want: "{unknown[0]}" is nothing to want. Mend: name some of: {", ".join(SUBJECTS)}; or all.'
        )
    if extras.haze not in list(Haze):
        raise UsageError(f'--haze: "{extras.haze}" is no kind of air. Mend: one of: {"; ".join(Haze)}.')
    if extras.spacing not in ("time", "area"):
        raise UsageError(f'--spacing: "{extras.spacing}" is no spacing. Mend: write time or area.')
    if extras.long_side not in (None, "level", "upright"):
        raise UsageError(f'--long-side: "{extras.long_side}" cannot be meant. Mend: write level or upright.')
    if not 1.5 <= extras.corona <= FARTHEST_RADIUS:
        raise UsageError(
            f"--corona {extras.corona:g} cannot be meant. Mend: give 1.5 to {FARTHEST_RADIUS:g} radii."
        )
    if not 1 <= extras.crescents <= 200:
        raise UsageError(f"--crescents {extras.crescents} cannot be meant. Mend: give 1 to 200.")
    return Wish(
        most_wanted=frozenset(wanted),
        corona_radii=extras.corona,
        crescents=extras.crescents,
        spacing="area" if extras.spacing == "area" else "time",
        haze=Haze(extras.haze),
        blur_px=BLUR_LIMIT_PX,
        land_mm=_optional(_LENGTH, "--wide", extras.wide, "mm"),
        people_mm=_optional(_LENGTH, "--people", extras.people, "mm"),
    )


# --- drafting, compiling, adjusting ---------------------------------------------------------------------


def checked(scene: Scene, gear: Gear, wish: Wish, *, card: int | None = None, title: str = "") -> Drafted:
    """Return a draft that compiles and fits the card; what compiling warns of stands at its head.

    Args:
        scene: the eclipse over the place.
        gear: the rig on the Sun.
        wish: what is wanted.
        card: how many frames the card of that rig holds; None when it is not known.
        title: what the day is called.
    """
    made = _compiled(scene, gear, wish, title=title)
    if gear.mount == "fixed" and gear.long_side == "level" and _lost(made):
        upright = _compiled(scene, replace(gear, long_side="upright"), wish, title=title)
        made = made if _lost(upright) else upright
    while crowded_out := _without_room(made):
        wish = replace(wish, left_out=wish.left_out | crowded_out)
        made = _compiled(scene, made.gear, wish, title=title)
    said: list[str] = []
    if card is not None:
        made, wish, said = _fitted(made, wish, card, title)
        gear = replace(made.gear, written=(*made.gear.written, f"card_frames: {card}"))
    else:
        gear = made.gear
    notes = [*said, *(f"{fault.what} {_mend(fault.mend)}" for fault in made.compiled.warnings)]
    return _compiled(scene, gear, wish, notes=list(dict.fromkeys(notes)), title=title)


def _mend(words: str) -> str:
    return f"To mend it, {words[0].lower()}{words[1:]}"


def _compiled(
    scene: Scene, gear: Gear, wish: Wish, *, notes: list[str] | None = None, title: str = ""
) -> Drafted:
    made = draft(scene, gear, wish, notes=notes or (), title=title)
    contacts = replace(site_contacts(scene.sky), sun=SunSeen(scene.track.at, scene.track.sun_radius_arcsec))
    try:
        compiled = compile_plan(load_plan_text(made.text, "draft"), contacts, time_zone=scene.zone)
    except PlanError as error:  # never the user's doing
        raise RuntimeError(f"the draft does not hold together: {error}") from error
    return Drafted(made, compiled, gear, scene, wish.haze, tuple(notes or ()))


def _lost(made: Drafted) -> bool:
    return any(plan.lost for plan in made.compiled.aims.values())


def _without_room(made: Drafted) -> frozenset[str]:
    """Return the shots of totality that compiling found no room for."""
    fired = {frame.shot for frame in made.compiled.timeline.frames if frame.rig == made.gear.name}
    plan = load_plan_text(made.draft.text, "draft").plan
    bare = [phase for phase in plan.phases if phase.filter is FilterState.OFF]
    return frozenset(shot.name for phase in bare for shot in phase.shots if shot.name not in fired)


def _fitted(made: Drafted, wish: Wish, card: int, title: str) -> tuple[Drafted, Wish, list[str]]:
    """Return the draft with as many frames as the card holds, the wish it came from, and what to say of it."""
    frames = _frames(made)
    if frames <= card:
        return made, wish, []
    tries = [replace(wish, crescents=count) for count in (8, 5, 3, 2) if count < wish.crescents]
    fewest = tries[-1] if tries else wish
    tries += [replace(fewest, spare_card=spared) for spared in range(1, MOST_SPARED + 1)]

    def tried(index: int) -> Drafted:
        return _compiled(made.scene, made.gear, tries[index], title=title)

    first = bisect.bisect_left(range(len(tries)), True, key=lambda index: _frames(tried(index)) <= card)
    if first == len(tries):
        raise UsageError(
            f"A card for {card} frames is too small for this eclipse: {_frames(tried(first - 1))} are the least. Mend: "
            "use a larger card (--card)."
        )
    chosen = tries[first]
    words = ["fewer crescents are taken"] if chosen.crescents < wish.crescents else []
    words += ["totality is not used to the full"] if chosen.spare_card else []
    said = (
        f"The card holds {card} frames, and {frames} would fit in the time: {' and '.join(words)}. With a larger card "
        "draft anew."
    )
    return tried(first), chosen, [said]


def _frames(made: Drafted) -> int:
    return sum(frame.rig == made.gear.name for frame in made.compiled.timeline.frames)


# --- what it comes to -----------------------------------------------------------------------------------


def figures(made: Drafted) -> dict[str, Any]:
    """Return what a draft comes to, as plain data."""
    timeline = made.compiled.timeline
    return {
        "kind": timeline.kind,
        "eclipse": made.scene.sky.eclipse_date.isoformat(),
        "time_zone": made.scene.zone,
        "frames": {rig.name: sum(f.rig == rig.name for f in timeline.frames) for rig in timeline.rigs},
        "totality": [one.to_json_dict() for one in _totalities(made)],
        "longest_exposure_on_the_tripod_s": made.draft.motion_limit_s,
        "aimings": {rig: len(plan.stands) for rig, plan in made.compiled.aims.items()},
        "notes": list(made.notes),
    }


def _totalities(made: Drafted) -> list[Totality]:
    plan = load_plan_text(made.draft.text, "draft").plan
    return totalities(made.compiled.timeline, plan.rigs, made.scene.sky, made.haze)


def _tell(made: Drafted, path: Path) -> None:
    out = console()
    timeline, sky = made.compiled.timeline, made.scene.sky
    what = f"{sky.kind.value} eclipse of {sky.eclipse_date}"
    if sky.duration_s is not None and sky.kind.is_central:
        what += f", {'totality' if sky.kind is Kind.TOTAL else 'the ring'} {duration_text(sky.duration_s)}"
    out.print(f"Wrote {path}: {what}, {len(timeline.frames)} frames.", soft_wrap=True)
    for one in _totalities(made):
        out.print(one.words, soft_wrap=True)
    for rig, plan in made.compiled.aims.items():
        often = "once" if len(plan.stands) == 1 else f"{len(plan.stands)} times"
        out.print(
            f"{rig}: on the fixed tripod the voice asks to aim {often}; no exposure is longer than "
            f"{made.draft.motion_limit_s:.2g} s, so none trails.",
            soft_wrap=True,
        )
    for note in made.notes:
        out.print(f"Worth knowing: {note}", soft_wrap=True)
    out.print(f"Now read it, then: holdfire check {path}", soft_wrap=True)
    out.print(f"                   holdfire rehearse {path} --fast", soft_wrap=True)


def _write(path: Path, text: str, *, force: bool) -> None:
    try:
        with path.open("w" if force else "x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(_THERE_ALREADY.format(path)) from None
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror}. Mend: give another place with -o."
        ) from None
