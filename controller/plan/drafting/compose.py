"""The whole plan: its head, the sections, the phases, the cues."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from controller.gear.drift import motion_at
from controller.gear.steadiness import Touch, settle_time_s
from controller.light.stops import format_f_number
from controller.plan.drafting.light import LAND_F_NUMBER, Light, land_iso
from controller.plan.drafting.model import Draft, Gear, Scene, Wish
from controller.plan.drafting.phases import BARE_AFTER_S, BARE_BEFORE_S, C2, C3, MID, anchor, phases_of
from controller.plan.drafting.text import comment, phase_lines, scalar
from controller.plan.fields import EARLIEST_FILTER_OFF_BEFORE_C2_S
from controller.sky import Kind
from controller.units import ContactName, utc_datetime

HANDLING_S = 8.0
"""To take a filter off or put it on, at ease (common practice, no single source)."""
BACK_ON_S = 20.0
LEAD_S = 60.0
_SHORT_S = 30.0

_CAUTION_TOTAL = (
    "CAUTION. Looking at the Sun without a proper solar filter injures the eyes for good; a lens, a viewfinder or a "
    "telescope does it in an instant, also when the Sun is low and looks mild. This program moves no filter and guards "
    "no eye. How a filter is used and checked is for its maker to say; questions about eyes are for eye-care "
    "professionals. Follow them, not this file. The filter is off only while the Sun is wholly covered, and for the "
    "seconds beside it below."
)
_CAUTION_ON = (
    "CAUTION. {why}: the filter stays on the lens, and eye protection on the eyes, from beginning to end. Looking at "
    "the Sun without a proper solar filter injures the eyes for good. This program moves no filter and guards no eye. "
    "How a filter is used and checked is for its maker to say; questions about eyes are for eye-care professionals. "
    "Follow them, not this file."
)
_CONTACT_WORDS = {
    Kind.TOTAL: "C1 the Moon touches the Sun, C2 totality begins, mid its middle, C3 totality ends, C4 it is over",
    Kind.ANNULAR: "C1 the Moon touches the Sun, C2 the ring closes, mid its middle, C3 the ring opens, C4 it is over",
    Kind.PARTIAL: "C1 the Moon touches the Sun, mid the deepest bite, C4 it is over",
}


def draft(scene: Scene, gear: Gear, wish: Wish, *, notes: Sequence[str] = (), title: str = "") -> Draft:
    """Return a drafted plan.

    Args:
        scene: an eclipse that the place sees.
        gear: the rig on the Sun.
        wish: what is wanted.
        notes: what compiling had to say, to stand at the head of the plan.
        title: what the day is called; a plain one when empty.

    Raises:
        ValueError: if the place sees nothing of the eclipse.
    """
    if scene.sky.kind is Kind.NONE:
        raise ValueError("the place sees nothing of that eclipse")
    light = Light(scene, gear, wish)
    phases = phases_of(scene, gear, wish, light)
    lines = [
        *_head(scene, gear, wish, light, notes),
        "",
        "holdfire_plan: 1",
        f"title: {scalar(title or _title(scene))}",
        "",
        *_site(scene),
        "",
        f"eclipse: {scene.sky.eclipse_date.isoformat()}",
        "",
        *_rigs(scene, gear, wish, light),
    ]
    if scene.sky.kind is Kind.TOTAL:
        lines += ["", *_holds(gear)]
    lines += ["", "phases:"]
    for number, phase in enumerate(phases):
        of_phase = list(phase_lines(phase))
        lines += of_phase if number else of_phase[1:]
    lines += ["", *_cues(scene)]
    return Draft(text="\n".join(lines) + "\n", motion_limit_s=light.limit_s, notes=tuple(notes))


def _title(scene: Scene) -> str:
    where = f" from {scene.place}" if scene.place else ""
    return f"{scene.sky.kind.value.capitalize()} eclipse{where}"[:80]


# --- the head -------------------------------------------------------------------------------------------


def _head(scene: Scene, gear: Gear, wish: Wish, light: Light, notes: Sequence[str]) -> Iterator[str]:
    sky = scene.sky
    yield from comment(
        f"A drafted plan for the {sky.kind.value} eclipse of {sky.eclipse_date.isoformat()}"
        + (f", from {scene.place}." if scene.place else ".")
        + " Make it yours: every number below may be changed, and `holdfire check` says whether it still holds together."
    )
    yield "#"
    kind = sky.kind
    if kind is Kind.TOTAL:
        yield from comment(_CAUTION_TOTAL)
    elif kind is Kind.ANNULAR:
        yield from comment(
            _CAUTION_ON.format(why="The Moon never covers the whole Sun in an annular eclipse")
        )
    else:
        yield from comment(
            _CAUTION_ON.format(why="In a partial eclipse some of the Sun is bare at all times")
        )
    yield "#"
    yield from comment(
        f"Times are told from the contacts: {_CONTACT_WORDS[kind]}. Here they are, in {scene.zone}:"
    )
    for contact in sky.contacts:
        height = f"Sun {contact.apparent_altitude_deg:.0f} degrees up"
        yield f"#   {contact.name:<3}  {_clock(contact.utc_ns, scene.zone)}   {height}"
    yield "#"
    yield from comment(_gear_words(scene, gear, wish, light))
    if notes:
        yield "#"
        yield "# Worth knowing:"
        for note in notes:
            lines = comment(note, width=106)
            yield f"# * {lines[0][2:]}"
            yield from (f"#   {line[2:]}" for line in lines[1:])


def _gear_words(scene: Scene, gear: Gear, wish: Wish, light: Light) -> str:
    field, sun = gear.field, scene.sun
    short, _, corner = field.corona_radii(sun.radius_arcsec)
    lens = f"{gear.focal_length_mm * gear.teleconverter:g} mm at f/{gear.f_number:.3g}"
    across = f"{field.sun_diameter_px(sun.radius_arcsec):.0f} pixels across"
    words = [f"The gear: {lens} on {gear.camera_class} shows the Sun {across}"]
    if scene.sky.kind is Kind.TOTAL:
        words.append(
            f"The corona fits in to {short:.1f} solar radii from the Sun's centre at the nearest edge, {corner:.1f} in "
            "the corners"
        )
    if light.limit_s is not None:
        speed = motion_at(field, sun, scene.at(MID)).px_s
        words.append(
            f"On the fixed tripod the Sun drifts {speed:.1f} pixels a second: no exposure on it is longer than "
            f"{light.limit_s:.2g} s, so that none trails by more than {wish.blur_px:g} pixels. When to aim again the "
            "voice says in time, and `holdfire framing` beforehand"
        )
    words.append(
        f"Exposures: a published guide (F. Espenak, NASA RP-1369) and, beside it, light computed from sources, for "
        f"{wish.haze.value} air; `holdfire exposures` prints both. Neither knows your filter or this corona"
    )
    return ". ".join(words) + "."


def _clock(instant_ns: int, zone: str) -> str:
    return utc_datetime(instant_ns + 500_000_000).astimezone(ZoneInfo(zone)).strftime("%H:%M:%S")


# --- sections -------------------------------------------------------------------------------------------


def _site(scene: Scene) -> Iterator[str]:
    site = scene.sky.site
    yield "site:"
    if scene.place:
        yield f"  name: {scalar(scene.place)}"
    yield f"  latitude: {_degrees(site.latitude_deg, 'NS')}"
    yield f"  longitude: {_degrees(site.longitude_deg, 'EW')}"
    yield f"  elevation: {site.elevation_m:.10g} m"
    yield f"  time_zone: {scene.zone}"


def _degrees(value: float, letters: str) -> str:
    digits = f"{abs(value):.6f}".rstrip("0").rstrip(".")
    return f"{digits} {letters[value < 0]}"


def _rigs(scene: Scene, gear: Gear, wish: Wish, light: Light) -> Iterator[str]:
    yield "rigs:"
    yield f"  - name: {gear.name}"
    yield "    camera:"
    if gear.driver == "simulated":
        yield "      driver: simulated     # rehearse with this; write tethered when the real camera is on the cable"
    else:
        yield "      driver: tethered"
    if gear.match:
        yield f"      match: {scalar(gear.match)}"
    for line in gear.written:
        yield f"      {line}"
    yield "    optics:"
    yield f"      focal_length: {gear.focal_length_mm:g} mm"
    yield f"      aperture: {format_f_number(gear.aperture)}"
    if gear.teleconverter > 1:
        yield f"      teleconverter: {gear.teleconverter:g}      # the pair works at f/{gear.f_number:.3g}"
    yield f"      sensor: {gear.camera_class}   # typical of its class; your camera's own sides and pixels are better"
    if gear.long_side == "upright":
        yield "      long_side: upright"
    yield "    filter:"
    yield f"      kind: {scalar(gear.filter_kind)}"
    yield f"      density: {gear.filter_density:.1f}       # as labelled: try it on the Sun before the day"
    yield f"    mount: {gear.mount}"
    yield f"    iso: {light.iso}"
    for name, focal_mm in (("land", wish.land_mm), ("people", wish.people_mm)):
        if focal_mm is None:
            continue
        yield ""
        yield "  # Its back to the Sun, which is never in its frame: no filter is needed."
        yield f"  - name: {name}"
        yield "    camera:"
        yield "      driver: simulated"
        yield "    optics:"
        yield f"      focal_length: {focal_mm:g} mm"
        yield f"      aperture: {format_f_number(LAND_F_NUMBER)}"
        yield "    points_at: landscape"
        yield f"    iso: {land_iso(scene, name)}"


def _holds(gear: Gear) -> Iterator[str]:
    settle_s = settle_time_s(Touch.FILTER, gear.focal_length_mm * gear.teleconverter)
    early_s = min(EARLIEST_FILTER_OFF_BEFORE_C2_S, math.ceil(BARE_BEFORE_S + HANDLING_S + settle_s))
    yield from comment(
        f"When the filter may come off and must be back on. The first frame without it is {BARE_BEFORE_S:g} s before C2, "
        f"which leaves {early_s - BARE_BEFORE_S:g} s to take it off and to let the rig settle ({settle_s:.0f} s). The "
        f"last ends {BARE_AFTER_S:g} s after C3. Nothing is fired without it before you have said that it is off."
    )
    yield "holds:"
    yield f"  filter_off_earliest: {anchor(C2, -early_s)}"
    yield f"  filter_on_latest: {anchor(C3, BACK_ON_S)}"
    yield f"  lead: {LEAD_S:g} s"


def _cues(scene: Scene) -> Iterator[str]:
    rows: list[tuple[ContactName, float, str]] = []
    kind = scene.sky.kind
    if kind is Kind.TOTAL:
        assert scene.sky.duration_s is not None  # noqa: S101 - a total eclipse has one
        rows = [
            (
                C2,
                -900,
                "Fifteen minutes to totality. The filter stays on. Check focus, framing, card and battery.",
            ),
            (
                C2,
                -150,
                "Two and a half minutes. Be ready at the filter, which stays on. Eye protection stays on.",
            ),
            (MID, 0, "The middle of totality. Leave the camera alone."),
        ]
        if scene.sky.duration_s > 4 * _SHORT_S:
            rows.append((C3, -_SHORT_S, "Thirty seconds of totality left. Eye protection ready."))
    elif kind is Kind.ANNULAR:
        rows = [
            (
                C2,
                -900,
                "Fifteen minutes to the ring. The filter stays on. Check focus, framing, card and battery.",
            ),
            (C2, -60, "One minute to the ring. The filter stays on."),
            (MID, 0, "The middle of the ring. The filter stays on."),
        ]
    else:
        rows = [(MID, -60, "One minute to the deepest bite. The filter stays on.")]
    yield "cues:"
    for contact, offset, say in rows:
        yield f"  - at: {anchor(contact, offset)}"
        yield f"    say: {scalar(say)}"
