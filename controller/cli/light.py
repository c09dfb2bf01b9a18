"""`exposures`: the exposure for each phenomenon, by two models that check each other."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console

from controller.cli.output import console, print_json, table
from controller.errors import UsageError
from controller.light.coverage import Cover, cover
from controller.light.extinction import LOWEST_ALTITUDE_DEG, REFERENCE_ALTITUDE_DEG, Haze
from controller.light.phenomena import (
    DISK,
    LEAST_DENSITY,
    Exposure,
    Phenomenon,
    explain_difference,
    phenomena,
    recommend,
)
from controller.light.sensor import FARTHEST_RADIUS, FULL_FRAME, SENSORS
from controller.light.stops import (
    NOMINAL_THIRDS_S,
    format_exposure,
    format_f_number,
    parse_f_number,
    with_teleconverter,
)
from controller.units import ContactName

USUAL_MOON_RATIO = 1.03
"""The Moon's apparent diameter in the Sun's, where no eclipse is given."""
COVERED = (0.5, 0.9, 0.99)
"""Covered parts of the Sun's area that crescents are printed for."""
CAUTION = (
    'Rows marked "bare" are for totality and the seconds beside it alone. At all other times the filter is on: '
    "never look or aim at the Sun without it."
)


@dataclass(frozen=True)
class _Rig:
    name: str
    f_number: float
    teleconverter: float
    iso: int
    filter_density: float
    sensor: str
    listed_s: tuple[float, ...] = NOMINAL_THIRDS_S


@dataclass(frozen=True)
class _Sky:
    sun_altitude_deg: float
    site_elevation_m: float
    haze: Haze
    diameter_ratio: float = USUAL_MOON_RATIO
    total: bool = True


def exposures(
    plan: Path | None,
    *,
    f_number: str | None,
    iso: int | None,
    density: float | None,
    teleconverter: float | None,
    altitude: float | None,
    elevation: float | None,
    haze: str,
    sensor: str | None,
    corona: float,
    why: bool,
    ephemeris: Path | None,
    as_json: bool,
) -> None:
    """Print the exposures for the rigs of a plan, or for one that is given by options."""
    kind = None if sensor is None else _choice(sensor, list(SENSORS), "class of sensor", "--sensor")
    air = Haze(_choice(haze, [one.value for one in Haze], "kind of air", "--haze"))
    if plan is not None:
        if any(given is not None for given in (f_number, iso, density, teleconverter, elevation)):
            raise UsageError(
                "A plan has its own rigs and site. Mend: leave out --f-number, --iso, --density, "
                "--teleconverter and --elevation, or leave out the plan."
            )
        rigs, sky = _from_plan(plan, altitude, air, kind, ephemeris)
    else:
        rigs, sky = _from_options(f_number, iso, density, teleconverter, altitude, elevation, air, kind)
    if not sky.diameter_ratio < corona <= FARTHEST_RADIUS:
        raise UsageError(
            f"A corona out to {corona:g} solar radii cannot be covered. Mend: give --corona from "
            f"{max(1.1, sky.diameter_ratio):.1f} to {FARTHEST_RADIUS:g}, counted from the Sun's centre."
        )
    results = [(rig, *_for_rig(rig, sky, corona)) for rig in rigs]
    if as_json:
        print_json(
            {
                "sun_altitude_deg": round(sky.sun_altitude_deg, 3),
                "site_elevation_m": sky.site_elevation_m,
                "haze": sky.haze.value,
                "moon_diameter_ratio": round(sky.diameter_ratio, 6),
                "rigs": [_rig_json(rig, found, bracket) for rig, found, bracket in results],
            }
        )
        return
    out = console()
    out.print(
        f"Sun at {sky.sun_altitude_deg:.1f}°, {sky.site_elevation_m:.0f} m above the sea, {sky.haze.value} air"
    )
    for rig, found, bracket in results:
        _show(out, rig, found, bracket, why=why)
    if sky.total:
        out.print()
        out.print(CAUTION, soft_wrap=True)


def _from_plan(
    path: Path, altitude: float | None, haze: Haze, sensor: str | None, ephemeris: Path | None
) -> tuple[list[_Rig], _Sky]:
    from controller.plan.loading import load_plan
    from controller.plan.sensors import class_of
    from controller.sky import Kind, Site, circumstances

    plan = load_plan(path).plan
    site = Site(plan.site.latitude, plan.site.longitude, plan.site.elevation)
    seen = circumstances(site, plan.eclipse, ephemeris=ephemeris)
    if seen.kind is Kind.NONE:
        raise UsageError(f"{path}: its site sees nothing of that eclipse. Mend: change site or date.")
    rigs = []
    for rig in plan.rigs:
        if rig.filter is not None:
            camera = class_of(rig)
            rigs.append(
                _Rig(
                    rig.name, rig.optics.aperture, rig.optics.teleconverter, rig.iso, rig.filter.density,
                    sensor or (camera.light_sensor if camera else FULL_FRAME.name),
                    tuple(rig.camera.shutter_speeds or NOMINAL_THIRDS_S),
                )
            )  # fmt: skip
    if not rigs:
        raise UsageError(f"{path}: no rig points at the Sun. Mend: add one with a filter.")
    height = seen.contact(ContactName.MID).altitude_deg if altitude is None else altitude
    sky = _Sky(_up(height), plan.site.elevation, haze, seen.diameter_ratio, total=seen.kind is Kind.TOTAL)
    return rigs, sky


def _from_options(
    f_number: str | None,
    iso: int | None,
    density: float | None,
    teleconverter: float | None,
    altitude: float | None,
    elevation: float | None,
    haze: Haze,
    sensor: str | None,
) -> tuple[list[_Rig], _Sky]:
    try:
        number = parse_f_number(f_number or "8")
    except ValueError as error:
        raise UsageError(f"--f-number: {error}. Mend: write it as 8 or f/5.6.") from None
    dense = 5.0 if density is None else density
    factor = 1.0 if teleconverter is None else teleconverter
    high = 0.0 if elevation is None else elevation
    for option, value, least, most in (
        ("--f-number", number, 0.5, 128), ("--iso", iso or 100, 1, 1_000_000), ("--density", dense, LEAST_DENSITY, 7),
        ("--teleconverter", factor, 0.5, 10), ("--elevation", high, -500, 9000),
    ):  # fmt: skip
        if not least <= value <= most:
            raise UsageError(
                f"{option} {value:g} cannot be meant. Mend: give a number from {least:.10g} to {most:.10g}."
            )
    rig = _Rig("", number, factor, iso or 100, dense, sensor or FULL_FRAME.name)
    return [rig], _Sky(_up(REFERENCE_ALTITUDE_DEG if altitude is None else altitude), high, haze)


def _up(altitude_deg: float) -> float:
    if not LOWEST_ALTITUDE_DEG <= altitude_deg <= 90:
        raise UsageError(
            f"The Sun stands at {altitude_deg:.1f} degrees: nothing can be exposed. Mend: give --altitude "
            "between 0 and 90."
        )
    return altitude_deg


def _choice(word: str, choices: list[str], what: str, option: str) -> str:
    if word in choices:
        return word
    raise UsageError(f'"{word}" is no {what}. Mend: give {option} as one of: {"; ".join(choices)}.')


def _for_rig(rig: _Rig, sky: _Sky, corona: float) -> tuple[list[tuple[str, Exposure]], Cover | None]:
    def take(phenomenon: Phenomenon, covered: float = 0.0) -> Exposure:
        return recommend(
            phenomenon, f_number=rig.f_number, iso=rig.iso, filter_density=rig.filter_density,
            sun_altitude_deg=sky.sun_altitude_deg, site_elevation_m=sky.site_elevation_m, haze=sky.haze,
            sensor=SENSORS[rig.sensor], teleconverter=rig.teleconverter, listed_s=rig.listed_s, obscuration=covered,
            diameter_ratio=sky.diameter_ratio,
        )  # fmt: skip

    found = [(DISK.name, take(DISK))]
    most = min(1.0, sky.diameter_ratio**2)
    found += [(f"{covered:.0%} covered", take(DISK, covered)) for covered in COVERED if covered < most]
    if not sky.total:
        return found, None
    found += [(one.name, take(one)) for one in phenomena() if not one.filtered]
    bracket = cover(
        max(1.0, sky.diameter_ratio), corona, f_number=with_teleconverter(rig.f_number, rig.teleconverter),
        iso=rig.iso, sensor=SENSORS[rig.sensor], sun_altitude_deg=sky.sun_altitude_deg,
        site_elevation_m=sky.site_elevation_m, haze=sky.haze, listed_s=rig.listed_s,
    )  # fmt: skip
    return found, bracket


def _show(
    out: Console, rig: _Rig, found: list[tuple[str, Exposure]], bracket: Cover | None, *, why: bool
) -> None:
    working = with_teleconverter(rig.f_number, rig.teleconverter)
    out.print()
    out.print(
        f"{rig.name + ': ' if rig.name else ''}{format_f_number(round(working, 1))}, ISO {rig.iso}, "
        f"filter of density {rig.filter_density:g}; sensor: {rig.sensor} (typical figures)"
    )
    rows = [
        (
            name,
            "on" if one.phenomenon.filtered else "bare",
            "" if one.guide_s is None else _time(one.guide_s),
            _time(one.radiometric_s),
            "" if one.difference_stops is None else f"{one.difference_stops:+.1f}",
            format_exposure(one.recommended_s) + (" !" if abs(one.off_stops) > 1 / 3 else ""),
            "clips" if one.clips else f"{one.level:.0%}",
        )
        for name, one in found
    ]
    out.print(table(("", "filter", ">guide", ">computed", ">stops", ">take", ">level"), rows))
    if any(abs(one.off_stops) > 1 / 3 for _, one in found):
        out.print("!: the camera lists nothing nearer; change ISO or f-number.")
    if bracket is not None:
        out.print(_bracket_text(bracket), soft_wrap=True)
    if why:
        for name, one in found:
            out.print(f"{name}: {one.why} {one.phenomenon.reason}", soft_wrap=True)


def _bracket_text(bracket: Cover) -> str:
    inner, outer = bracket.wanted
    head = f"Corona from {inner:.2f} to {outer:g} solar radii ({bracket.range_stops:.1f} stops)"
    if not bracket.exposures_s:
        return f"{head}: no listed exposure is of use at this ISO and f-number."
    count = len(bracket.exposures_s)
    times = ", ".join(format_exposure(one) for one in bracket.exposures_s)
    words = f"{head}: {count} {'frame' if count == 1 else 'frames'}, {times}"
    if not bracket.complete:
        stretches = " and ".join(f"{low:.2f} to {high:.2f}" for low, high in bracket.covered)
        words += f"; only {stretches} can be covered"
    if count == 1:
        return f"{words}."
    return f"{words}. Steps up to {bracket.widest_step_stops:.1f} stops keep signal over noise at {bracket.seam_snr:.0f}."


def _time(exposure_s: float) -> str:
    if exposure_s < 1e-5:
        return "too short"
    return f"1/{1 / exposure_s:.0f} s" if exposure_s < 0.3 else f"{float(f'{exposure_s:.2g}'):g} s"


def _rig_json(rig: _Rig, found: list[tuple[str, Exposure]], bracket: Cover | None) -> dict[str, Any]:
    return {
        "name": rig.name,
        "f_number": round(with_teleconverter(rig.f_number, rig.teleconverter), 3),
        "iso": rig.iso,
        "filter_density": rig.filter_density,
        "sensor": rig.sensor,
        "exposures": [
            {
                "name": name,
                "filter": "on" if one.phenomenon.filtered else "off",
                "recommended_s": one.recommended_s,
                "guide_s": one.guide_s,
                "radiometric_s": one.radiometric_s,
                "difference_stops": None if one.difference_stops is None else round(one.difference_stops, 3),
                "luminance_cd_m2": one.luminance_cd_m2,
                "level_of_saturation": round(one.level, 4),
                "clips": one.clips,
                "snr": round(one.snr, 1),
                "why": one.why,
                "models_differ": explain_difference(one),
            }
            for name, one in found
        ],
        "corona_bracket": None
        if bracket is None
        else {
            "wanted_radii": list(bracket.wanted),
            "covered_radii": [list(stretch) for stretch in bracket.covered],
            "complete": bracket.complete,
            "exposures_s": list(bracket.exposures_s),
            "steps_stops": [round(step, 3) for step in bracket.steps_stops],
            "seam_snr": round(bracket.seam_snr, 1),
            "range_stops": round(bracket.range_stops, 3),
        },
    }
