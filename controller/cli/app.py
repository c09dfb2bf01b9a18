"""The commands and their options."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from controller import __version__

EXIT_CODES = (
    "Exit codes: 0 done; 1 some other error; 2 wrong use of the command; 3 the plan has faults; "
    "4 the sky cannot be computed; 5 a camera; 6 a journal; 7 nobody can be heard; "
    "10 the run was stopped before its end; 11 a wanted-above-all (must) frame was not fired; "
    "12 something has to be mended before the day (ready); "
    "70 a fault of the program; 130 stopped by the keyboard."
)

app = typer.Typer(
    name="holdfire",
    help="Plan, check, rehearse, run and account for one photographer's solar eclipse.\n\n"
    "Safety first: read SAFETY.md. Outside totality never look or aim at the Sun without a proper filter.",
    epilog=EXIT_CODES,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

PlanPath = Annotated[Path, typer.Argument(metavar="PLAN", help="The plan, a YAML file.", show_default=False)]
RunPath = Annotated[
    Path, typer.Argument(metavar="RUN", help="The folder that a run or rehearsal made.", show_default=False)
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON: times in ISO 8601 UTC, units in the keys.")]
Ephemeris = Annotated[
    Path | None, typer.Option("--ephemeris", metavar="FILE", help="Another SPK file than the embedded DE421.")
]
SolarRadius = Annotated[
    float,
    typer.Option("--solar-radius", metavar="ARCSEC", help="Solar radius at 1 au: 959.95 or 959.63, say."),
]
MoonExterior = Annotated[
    float, typer.Option("--moon-k-exterior", metavar="K", help="Moon's radius for C1 and C4, Earth radii.")
]
MoonInterior = Annotated[
    float | None,
    typer.Option(
        "--moon-k-interior",
        metavar="K",
        help="Moon's radius for C2 and C3; by kind when left out (0.272281 total, 0.2725076 annular).",
        show_default=False,
    ),
]
DeltaT = Annotated[
    float | None,
    typer.Option("--delta-t", metavar="S", help="TT - UT1 in seconds, instead of the Earth-rotation table."),
]
EarthRotation = Annotated[
    Path | None,
    typer.Option(
        "--earth-rotation",
        metavar="FILE",
        help="A newer finals2000A.all of the IERS than the embedded one.",
        show_default=False,
    ),
]
Terrain = Annotated[
    Path | None,
    typer.Option(
        "--terrain",
        metavar="FILE",
        help='Lunar heights (PDS label or image, GeoTIFF) or a kept limb; "none" for the mean limb.',
        show_default=False,
    ),
]
Html = Annotated[
    Path | None,
    typer.Option(
        "--html", metavar="FILE", help="Write one page with drawings: to read, to print.", show_default=False
    ),
]
Markdown = Annotated[
    Path | None, typer.Option("--markdown", metavar="FILE", help="Write it as Markdown.", show_default=False)
]
Csv = Annotated[
    Path | None, typer.Option("--csv", metavar="FILE", help="Write one line a frame.", show_default=False)
]
RunsFolder = Annotated[Path, typer.Option("--runs", metavar="DIR", help="Where run folders are made.")]
Silent = Annotated[bool, typer.Option("--silent", help="No voice and no bell.")]
Plain = Annotated[
    bool, typer.Option("--plain", help="Lines instead of a full screen; words are typed as lines.")
]
Operator = Annotated[
    str | None,
    typer.Option(
        "--operator",
        metavar="HABIT",
        help='A scripted operator: "prompt", "prompt 5 s", "late 40 s", "silent". Simulated cameras only.',
        show_default=False,
    ),
]
StartAt = Annotated[
    str | None,
    typer.Option(
        "--from",
        metavar="WHEN",
        help='Pretend that it is this moment of the day, e.g. "2 min before C2". Simulated cameras only.',
        show_default=False,
    ),
]
Mqtt = Annotated[
    str | None,
    typer.Option(
        "--mqtt",
        metavar="ADDRESS",
        help='Publish the status to a broker, e.g. "mqtt://user@host:1883/topic"; mqtts:// for TLS. '
        "The password is taken from HOLDFIRE_MQTT_PASSWORD. Nothing is heard from there.",
        show_default=False,
    ),
]
MqttCa = Annotated[
    Path | None,
    typer.Option(
        "--mqtt-ca", metavar="FILE", help="The authority to trust for mqtts://, PEM.", show_default=False
    ),
]
Page = Annotated[
    bool | None,
    typer.Option(
        "--page/--no-page",
        help="Serve the page for a phone or browser; done unless --operator is given.",
        show_default=False,
    ),
]
Listen = Annotated[
    str | None,
    typer.Option(
        "--listen",
        metavar="ADDRESS[:PORT]",
        help="Serve the page on a network, too: 0.0.0.0 for all; this computer alone when left out.",
        show_default=False,
    ),
]
Certificate = Annotated[
    Path | None,
    typer.Option(
        "--certificate", metavar="FILE", help="Serve the page by HTTPS with this, PEM.", show_default=False
    ),
]
CertificateKey = Annotated[
    Path | None,
    typer.Option("--certificate-key", metavar="FILE", help="The certificate's key, PEM.", show_default=False),
]


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"holdfire {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command()
def contacts(
    plan: Annotated[
        Path | None, typer.Argument(metavar="[PLAN]", help="Take place and date from a plan.")
    ] = None,
    lat: Annotated[float | None, typer.Option("--lat", help="Latitude, degrees, north positive.")] = None,
    lon: Annotated[float | None, typer.Option("--lon", help="Longitude, degrees, east positive.")] = None,
    elevation: Annotated[float, typer.Option("--elevation", help="Metres above sea level.")] = 0.0,
    date: Annotated[
        str | None,
        typer.Option(
            "--date", metavar="YYYY-MM-DD", help="The eclipse's date; the next one seen there when left out."
        ),
    ] = None,
    zone: Annotated[str | None, typer.Option("--zone", help="IANA time zone; found from the place.")] = None,
    above_surroundings: Annotated[
        float | None,
        typer.Option(
            "--above-surroundings",
            metavar="M",
            help="Height above the sea or plain that the horizon is made of.",
            show_default=False,
        ),
    ] = None,
    pressure: Annotated[
        float | None,
        typer.Option(
            "--pressure", metavar="HPA", help="Air pressure at the place, for refraction.", show_default=False
        ),
    ] = None,
    temperature: Annotated[
        float | None,
        typer.Option(
            "--temperature", metavar="C", help="Air temperature, for refraction.", show_default=False
        ),
    ] = None,
    ics: Annotated[
        Path | None,
        typer.Option(
            "--ics", metavar="FILE", help="Write a calendar file with reminders, too.", show_default=False
        ),
    ] = None,
    terrain: Terrain = None,
    limb_picture: Annotated[
        Path | None,
        typer.Option(
            "--limb-picture", metavar="FILE", help="Draw the Moon's edge with its beads.", show_default=False
        ),
    ] = None,
    solar_radius: SolarRadius = 959.95,
    moon_k_exterior: MoonExterior = 0.2725076,
    moon_k_interior: MoonInterior = None,
    delta_t: DeltaT = None,
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    json: Json = False,
) -> None:
    """Print one eclipse as a place sees it: contacts in local time and UTC, and where the Sun stands."""
    from controller.cli import sky

    sky.contacts(
        plan, lat, lon, elevation, date, zone, sky.Surroundings(above_surroundings, pressure, temperature), ics,
        sky.constants(solar_radius, moon_k_exterior, moon_k_interior, delta_t, earth_rotation), ephemeris, as_json=json,
        terrain=terrain, limb_picture=limb_picture,
    )  # fmt: skip


@app.command()
def eclipses(
    lat: Annotated[float, typer.Option("--lat", help="Latitude, degrees, north positive.")],
    lon: Annotated[float, typer.Option("--lon", help="Longitude, degrees, east positive.")],
    elevation: Annotated[float, typer.Option("--elevation", help="Metres above sea level.")] = 0.0,
    since: Annotated[
        str | None, typer.Option("--from", metavar="YYYY[-MM-DD]", help="First date; today when left out.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--to", metavar="YYYY[-MM-DD]", help="Last date; 20 years on when left out.")
    ] = None,
    solar_radius: SolarRadius = 959.95,
    moon_k_exterior: MoonExterior = 0.2725076,
    moon_k_interior: MoonInterior = None,
    delta_t: DeltaT = None,
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    json: Json = False,
) -> None:
    """List the solar eclipses that a place sees."""
    from controller.cli import sky

    sky.eclipses(
        lat, lon, elevation, since, until,
        sky.constants(solar_radius, moon_k_exterior, moon_k_interior, delta_t, earth_rotation), ephemeris, as_json=json,
    )  # fmt: skip


@app.command("map")
def map_command(
    plan: Annotated[
        Path | None,
        typer.Argument(metavar="[PLAN]", help="Take place and date from a plan.", show_default=False),
    ] = None,
    lat: Annotated[
        float | None, typer.Option("--lat", help="Latitude of a site, degrees.", show_default=False)
    ] = None,
    lon: Annotated[
        float | None, typer.Option("--lon", help="Longitude of a site, degrees east.", show_default=False)
    ] = None,
    elevation: Annotated[float, typer.Option("--elevation", help="Metres above sea level.")] = 0.0,
    date: Annotated[
        str | None,
        typer.Option("--date", metavar="YYYY-MM-DD", help="The eclipse's date.", show_default=False),
    ] = None,
    every: Annotated[float, typer.Option("--every", metavar="MIN", help="Minutes between the rows.")] = 10.0,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE", help="Draw the map: .png, .pdf, .svg.", show_default=False),
    ] = None,
    geojson: Annotated[
        Path | None, typer.Option("--geojson", metavar="FILE", help="Write GeoJSON.", show_default=False)
    ] = None,
    kml: Annotated[
        Path | None, typer.Option("--kml", metavar="FILE", help="Write KML.", show_default=False)
    ] = None,
    gpx: Annotated[
        Path | None, typer.Option("--gpx", metavar="FILE", help="Write GPX.", show_default=False)
    ] = None,
    solar_radius: SolarRadius = 959.95,
    moon_k_exterior: MoonExterior = 0.2725076,
    moon_k_interior: MoonInterior = None,
    delta_t: DeltaT = None,
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    json: Json = False,
) -> None:
    """Trace an eclipse's path: central line, limits, times; how a site stands in it; a map of it."""
    from controller.cli import sky, where

    where.map_path(
        plan, lat, lon, elevation, date, every, where.Files(picture, geojson, kml, gpx),
        sky.constants(solar_radius, moon_k_exterior, moon_k_interior, delta_t, earth_rotation), ephemeris, as_json=json,
    )  # fmt: skip


@app.command()
def sites(
    plan: Annotated[
        Path | None,
        typer.Argument(metavar="[PLAN]", help="Take place and date from a plan.", show_default=False),
    ] = None,
    date: Annotated[
        str | None,
        typer.Option("--date", metavar="YYYY-MM-DD", help="The eclipse's date.", show_default=False),
    ] = None,
    near: Annotated[
        str | None,
        typer.Option(
            "--near",
            metavar="LAT,LON",
            help="The middle of a grid, and where distances count from.",
            show_default=False,
        ),
    ] = None,
    radius: Annotated[
        float | None,
        typer.Option("--radius", metavar="KM", help="As the crow flies; 100 for a grid.", show_default=False),
    ] = None,
    step: Annotated[
        float | None,
        typer.Option(
            "--step", metavar="KM", help="Of the grid; a twentieth of the radius.", show_default=False
        ),
    ] = None,
    file: Annotated[
        Path | None,
        typer.Option(
            "--file",
            metavar="FILE",
            help="A list instead: CSV (name,latitude,longitude,elevation) or GeoJSON points.",
            show_default=False,
        ),
    ] = None,
    elevation: Annotated[float, typer.Option("--elevation", help="Of a grid's places, metres.")] = 0.0,
    cloud: Annotated[
        Path | None,
        typer.Option(
            "--cloud", metavar="FILE", help="Cloud fraction: NetCDF or GeoTIFF.", show_default=False
        ),
    ] = None,
    cloud_variable: Annotated[
        str | None,
        typer.Option(
            "--cloud-variable", metavar="NAME", help="Which grid of a NetCDF file.", show_default=False
        ),
    ] = None,
    count: Annotated[int, typer.Option("--count", help="How many to print.")] = 20,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Write all of them, ranked.", show_default=False),
    ] = None,
    solar_radius: SolarRadius = 959.95,
    moon_k_exterior: MoonExterior = 0.2725076,
    moon_k_interior: MoonInterior = None,
    delta_t: DeltaT = None,
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    json: Json = False,
) -> None:
    """Compare places: how long it lasts, how high the Sun stands, how likely the sky is clear."""
    from controller.cli import sky, where

    where.sites(
        plan, date, where.Around(near, radius, step, file, elevation), cloud, cloud_variable, count, csv,
        sky.constants(solar_radius, moon_k_exterior, moon_k_interior, delta_t, earth_rotation), ephemeris, as_json=json,
    )  # fmt: skip


@app.command()
def moon(
    grid: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FILE]",
            help="A published grid of lunar heights: PDS label or image, or GeoTIFF.",
            show_default=False,
        ),
    ] = None,
    cache: Annotated[
        Path | None,
        typer.Option(
            "--cache",
            metavar="DIR",
            help="Where the limb is kept; a folder of yours when left out.",
            show_default=False,
        ),
    ] = None,
    json: Json = False,
) -> None:
    """Check a grid of lunar heights and keep what the limb needs of it; without FILE, say what is kept."""
    from controller.cli import moon as command

    command.moon(grid, cache, as_json=json)


@app.command()
def draft(
    lat: Annotated[
        str | None, typer.Option("--lat", help="Latitude: 36.12 N, or degrees north.", show_default=False)
    ] = None,
    lon: Annotated[
        str | None, typer.Option("--lon", help="Longitude: 5.72 W, or degrees east.", show_default=False)
    ] = None,
    elevation: Annotated[
        str | None, typer.Option("--elevation", help="Metres above sea level; 0.", show_default=False)
    ] = None,
    zone: Annotated[
        str | None, typer.Option("--zone", help="IANA time zone; found from the place.", show_default=False)
    ] = None,
    date: Annotated[
        str | None,
        typer.Option(
            "--date", metavar="YYYY-MM-DD", help="The eclipse; the next one seen there.", show_default=False
        ),
    ] = None,
    camera: Annotated[
        str | None,
        typer.Option("--camera", metavar="CLASS", help="Such as: APS-C 24 MP.", show_default=False),
    ] = None,
    focal_length: Annotated[
        str | None,
        typer.Option("--focal-length", metavar="MM", help="Of the lens alone.", show_default=False),
    ] = None,
    aperture: Annotated[
        str | None,
        typer.Option("--aperture", metavar="F", help="Of the lens alone: f/8.", show_default=False),
    ] = None,
    teleconverter: Annotated[
        str | None,
        typer.Option("--teleconverter", metavar="X", help="Its factor; 1 without.", show_default=False),
    ] = None,
    filter_density: Annotated[
        str | None,
        typer.Option("--filter-density", metavar="D", help="Optical density; 5.0.", show_default=False),
    ] = None,
    mount: Annotated[
        str | None, typer.Option("--mount", help="fixed or tracking.", show_default=False)
    ] = None,
    iso: Annotated[
        int | None, typer.Option("--iso", help="For every shot; chosen when left out.", show_default=False)
    ] = None,
    want: Annotated[
        str | None,
        typer.Option(
            "--want",
            metavar="LIST",
            help="What is wanted above all: beads, corona, earthshine, ..., or all.",
            show_default=False,
        ),
    ] = None,
    corona: Annotated[
        float, typer.Option("--corona", metavar="R", help="How far out, solar radii from the Sun's centre.")
    ] = 5.0,
    crescents: Annotated[
        int, typer.Option("--crescents", help="Pictures of the sequence on each side.")
    ] = 12,
    spacing: Annotated[
        str, typer.Option("--spacing", help="Of the sequence: even in time, or in covered area.")
    ] = "time",
    haze: Annotated[str, typer.Option("--haze", help="The air: very clear; clear; hazy; thick.")] = "clear",
    wide: Annotated[
        str | None,
        typer.Option(
            "--wide", metavar="MM", help="A second camera, on the land: its lens.", show_default=False
        ),
    ] = None,
    people: Annotated[
        str | None,
        typer.Option("--people", metavar="MM", help="A camera that faces the people.", show_default=False),
    ] = None,
    long_side: Annotated[
        str | None,
        typer.Option("--long-side", help="level or upright; on a fixed mount what fits.", show_default=False),
    ] = None,
    filter_kind: Annotated[
        str | None, typer.Option("--filter", metavar="TEXT", help="What it is.", show_default=False)
    ] = None,
    frame_gap: Annotated[
        str | None,
        typer.Option(
            "--frame-gap",
            metavar="S",
            help="From the end of one exposure to the next; measure it.",
            show_default=False,
        ),
    ] = None,
    write_time: Annotated[
        str | None,
        typer.Option("--write-time", metavar="S", help="To write one frame to the card.", show_default=False),
    ] = None,
    buffer: Annotated[
        int | None, typer.Option("--buffer", help="Frames it holds.", show_default=False)
    ] = None,
    card: Annotated[
        int | None, typer.Option("--card", help="Frames the card holds.", show_default=False)
    ] = None,
    battery: Annotated[
        str | None, typer.Option("--battery", metavar="WH", help="Or mains.", show_default=False)
    ] = None,
    place: Annotated[str, typer.Option("--place", metavar="NAME", help="What you call the place.")] = "",
    title: Annotated[str, typer.Option("--title", help="What you call the day.")] = "",
    attached: Annotated[
        bool, typer.Option("--attached", help="Take what the attached camera lists.")
    ] = False,
    ask: Annotated[bool, typer.Option("--ask", help="Ask for everything that is not given.")] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o", "--out", metavar="FILE", help="eclipse-DATE.yaml; - prints it.", show_default=False
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the file.")] = False,
    ephemeris: Ephemeris = None,
    json: Json = False,
) -> None:
    """Draft a plan for a place, an eclipse and your gear, with the reason for every exposure."""
    from controller.cli import draft as command

    command.command(
        {
            "lat": lat, "lon": lon, "elevation": elevation, "camera": camera, "focal-length": focal_length,
            "aperture": aperture, "teleconverter": teleconverter, "filter-density": filter_density, "mount": mount,
        },
        command.Extras(
            date=date, zone=zone, place=place, title=title, iso=iso, want=want, corona=corona, crescents=crescents,
            spacing=spacing, haze=haze, long_side=long_side, filter_kind=filter_kind, wide=wide, people=people,
            frame_gap=frame_gap, write_time=write_time, buffer=buffer, card=card, battery=battery,
        ),
        attached=attached, ask=ask, out=out, force=force, ephemeris=ephemeris, as_json=json,
    )  # fmt: skip


@app.command()
def check(
    plan: PlanPath,
    solar_radius: SolarRadius = 959.95,
    moon_k_exterior: MoonExterior = 0.2725076,
    moon_k_interior: MoonInterior = None,
    delta_t: DeltaT = None,
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    terrain: Terrain = None,
    frames: Annotated[bool, typer.Option("--frames", help="List every frame with its instant.")] = False,
    attached: Annotated[
        bool, typer.Option("--attached", help="Check it against the cameras that are attached, too.")
    ] = False,
    json: Json = False,
) -> None:
    """Check a plan as a whole: every fault at once, and what it comes to when there is none."""
    from controller.cli import plans, sky

    plans.check(
        plan, sky.constants(solar_radius, moon_k_exterior, moon_k_interior, delta_t, earth_rotation), ephemeris,
        frames=frames, attached=attached, terrain=terrain, as_json=json,
    )  # fmt: skip


@app.command()
def framing(
    plan: PlanPath,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="Draw each frame with the Sun's way through it (png, svg or pdf).",
            show_default=False,
        ),
    ] = None,
    ephemeris: Ephemeris = None,
    json: Json = False,
) -> None:
    """Print what each rig's frame takes in, how the Sun moves through it, and when to aim again."""
    from controller.cli import gear

    gear.framing(plan, ephemeris, picture, as_json=json)


@app.command()
def exposures(
    plan: Annotated[
        Path | None, typer.Argument(metavar="[PLAN]", help="Take rigs, site and eclipse from a plan.")
    ] = None,
    f_number: Annotated[
        str | None, typer.Option("--f-number", help="Of the lens alone; f/8 when left out.")
    ] = None,
    iso: Annotated[int | None, typer.Option("--iso", help="100 when left out.")] = None,
    density: Annotated[
        float | None, typer.Option("--density", help="Optical density of the solar filter; 5 when left out.")
    ] = None,
    teleconverter: Annotated[float | None, typer.Option("--teleconverter", help="Its factor.")] = None,
    altitude: Annotated[
        float | None,
        typer.Option("--altitude", help="Of the Sun, degrees; at the plan's mid, or 45, when left out."),
    ] = None,
    elevation: Annotated[
        float | None, typer.Option("--elevation", help="Metres above sea level; 0 when left out.")
    ] = None,
    haze: Annotated[str, typer.Option("--haze", help="The air: very clear; clear; hazy; thick.")] = "clear",
    sensor: Annotated[
        str | None,
        typer.Option(
            "--sensor", help="Its class: full frame, APS-C ...; the plan's, or full frame, when left out."
        ),
    ] = None,
    corona: Annotated[
        float, typer.Option("--corona", metavar="R", help="Cover it to here, solar radii from the centre.")
    ] = 5.0,
    why: Annotated[bool, typer.Option("--why", help="Say for each where the two models differ.")] = False,
    ephemeris: Ephemeris = None,
    json: Json = False,
) -> None:
    """Print the exposure for each phenomenon, by a published guide and by computed light, side by side."""
    from controller.cli import light

    light.exposures(
        plan, f_number=f_number, iso=iso, density=density, teleconverter=teleconverter, altitude=altitude,
        elevation=elevation, haze=haze, sensor=sensor, corona=corona, why=why, ephemeris=ephemeris, as_json=json,
    )  # fmt: skip


@app.command()
def cues(
    plan: PlanPath,
    speak: Annotated[bool, typer.Option("--speak", help="Speak them, one after the other.")] = False,
    real_time: Annotated[
        bool, typer.Option("--real-time", help="With --speak: each at its instant, as on the day.")
    ] = False,
    start: Annotated[
        str | None,
        typer.Option("--from", metavar="INSTANT", help='Only from then on: "2 min before C2".'),
    ] = None,
    language: Annotated[
        str | None,
        typer.Option(
            "--language", metavar="LANGUAGE", help="en, es, or a file of sentences, in place of the plan's."
        ),
    ] = None,
    json: Json = False,
) -> None:
    """Print all that a run of a plan will say, and when; or speak it, to try the voice and a translation."""
    from controller.cli.cues import cues as tell_cues

    tell_cues(plan, speech=language, start=start, speak=speak, real_time=real_time, as_json=json)


@app.command()
def schema() -> None:
    """Print the JSON Schema of the plan, so that editors complete and check it."""
    from controller.cli import plans

    plans.schema()


@app.command()
def cameras(json: Json = False) -> None:
    """List the cameras that are attached, and what must be set on them by hand."""
    from controller.cli import runs

    runs.cameras(as_json=json)


@app.command()
def calibrate(
    match: Annotated[
        str | None, typer.Option("--match", metavar="CAMERA", help="Part of its model name, or its port.")
    ] = None,
    virtual_camera: Annotated[
        bool, typer.Option("--virtual-camera", help="Measure libgphoto2's virtual camera.")
    ] = False,
    simulated: Annotated[bool, typer.Option("--simulated", help="Measure the simulated camera.")] = False,
    frames: Annotated[int, typer.Option("--frames", help="How many to fire to fill the buffer.")] = 60,
    release_lag: Annotated[
        float | None,
        typer.Option("--release-lag", metavar="S", help="As you found it with a photographed clock."),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="The profile; named by the model else."),
    ] = None,
    json: Json = False,
) -> None:
    """Measure how fast a camera works by firing frames, lens cap or filter on, and write its profile."""
    from controller.cli.calibrate import measure

    measure(
        match, output, virtual=virtual_camera, simulated=simulated, frames=frames, release_lag_s=release_lag,
        as_json=json,
    )  # fmt: skip


@app.command()
def rehearse(
    plan: PlanPath,
    fast: Annotated[bool, typer.Option("--fast", help="In virtual time: a whole day in seconds.")] = False,
    live: Annotated[
        bool,
        typer.Option(
            "--live", help="The real thing with simulated cameras, in real time; as when neither is given."
        ),
    ] = False,
    operator: Operator = None,
    start: StartAt = None,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault",
            metavar="WHAT",
            help='A fault of the simulated cameras, e.g. "lost 20 s after C2 for 15 s", "card full mid". Repeatable.',
            show_default=False,
        ),
    ] = None,
    runs_folder: RunsFolder = Path("runs"),
    plain: Plain = False,
    silent: Silent = False,
    mqtt: Mqtt = None,
    mqtt_ca: MqttCa = None,
    page: Page = None,
    listen: Listen = None,
    certificate: Certificate = None,
    certificate_key: CertificateKey = None,
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    terrain: Terrain = None,
    days: Annotated[
        int | None,
        typer.Option(
            "--days",
            metavar="N",
            help="Live so many made-up days in memory; print the odds.",
            show_default=False,
        ),
    ] = None,
    day: Annotated[
        int | None,
        typer.Option(
            "--day",
            metavar="K",
            help="Play one of these days again; --json has its journal.",
            show_default=False,
        ),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Decides all made-up days.")] = 1,
    assume: Annotated[
        list[str] | None,
        typer.Option(
            "--assume",
            metavar="KEY=NUMBER",
            help="Another assumption for --days. Repeatable.",
            show_default=False,
        ),
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="FILE", help="Draw the odds: .png, .pdf, .svg.", show_default=False
        ),
    ] = None,
    what_if: Annotated[
        bool, typer.Option("--what-if/--no-what-if", help="Find what would help by living --days again.")
    ] = True,
    cores: Annotated[
        int | None,
        typer.Option("--cores", metavar="N", help="For --days; all when left out.", show_default=False),
    ] = None,
    json: Json = False,
) -> None:
    """Play a plan against simulated cameras, in real time, --fast or --days; print the account or the odds."""
    from controller.cli import days as made_up
    from controller.cli import runs
    from controller.page.address import PageOptions

    if days is not None or day is not None:
        made_up.refuse_other_ways(
            **{
                "fast": fast,
                "live": live,
                "operator": operator,
                "from": start,
                "fault": fault,
                "mqtt": mqtt,
                "page": page,
                "listen": listen,
                "certificate": certificate,
            }
        )
        made_up.rehearse_days(
            plan, days=days, day=day, seed=seed, assume=assume or [], picture=picture, what_if=what_if,
            cores=cores, earth_rotation=earth_rotation, ephemeris=ephemeris, terrain=terrain, as_json=json,
        )  # fmt: skip
        return
    made_up.refuse_without_days(assume=assume, picture=picture, cores=cores)
    runs.rehearse(
        plan, fast=fast, live=live, habit=operator, start=start, faults=fault or [], base=runs_folder, plain=plain,
        silent=silent, earth_rotation=earth_rotation, ephemeris=ephemeris, terrain=terrain, as_json=json,
        status=runs.Status(mqtt, mqtt_ca), page_options=PageOptions(page, listen, certificate, certificate_key),
    )  # fmt: skip


@app.command()
def practice(
    what: Annotated[
        Path | None,
        typer.Argument(
            metavar="[RUNS | PLAN]", help="A folder of runs, one run, or a plan; runs when left out."
        ),
    ] = None,
    runs_folder: RunsFolder = Path("runs"),
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE", help="Draw it: .png, .pdf, .svg.", show_default=False),
    ] = None,
    json: Json = False,
) -> None:
    """Print how late each filter word was, over all live rehearsals of a place and eclipse."""
    from controller.cli import practice as command

    command.practice(what, runs_folder, picture, as_json=json)


@app.command()
def ready(
    plan: PlanPath,
    runs_folder: RunsFolder = Path("runs"),
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    terrain: Terrain = None,
    json: Json = False,
) -> None:
    """Take the last look before the day: plan, cameras, clock, disk, power, sleep; what to mend. Fires nothing."""
    from controller.cli import ready as command
    from controller.sky import Constants

    command.ready(
        plan, runs_folder, Constants(earth_rotation=earth_rotation), ephemeris, terrain, as_json=json
    )  # fmt: skip


@app.command()
def run(
    plan: PlanPath,
    go_on: Annotated[
        bool,
        typer.Option(
            "--resume", help="Go on with the latest run of this very plan if it was cut off; else begin."
        ),
    ] = False,
    virtual_camera: Annotated[
        bool,
        typer.Option("--virtual-camera", help="Use libgphoto2's virtual camera instead of what is attached."),
    ] = False,
    operator: Operator = None,
    start: StartAt = None,
    clock_offset: Annotated[
        float,
        typer.Option(
            "--clock-offset", metavar="S", help="Add this to the computer's clock to make it true UTC."
        ),
    ] = 0.0,
    runs_folder: RunsFolder = Path("runs"),
    plain: Plain = False,
    silent: Silent = False,
    mqtt: Mqtt = None,
    mqtt_ca: MqttCa = None,
    page: Page = None,
    listen: Listen = None,
    certificate: Certificate = None,
    certificate_key: CertificateKey = None,
    earth_rotation: EarthRotation = None,
    ephemeris: Ephemeris = None,
    terrain: Terrain = None,
    json: Json = False,
) -> None:
    """Run a plan on the cameras it names, and print the account. Never fires unfiltered unless you say so."""
    from controller.cli import runs, supervised
    from controller.page.address import PageOptions

    if go_on and (cut_off := supervised.cut_off_run(runs_folder, plan, virtual=virtual_camera)):
        typer.echo(f"Going on with the run that was cut off: {cut_off}", err=True)
        runs.resume(
            cut_off, virtual=virtual_camera, habit=operator, start=None, clock_offset_s=clock_offset,
            plain=plain, silent=silent, as_json=json, status=runs.Status(mqtt, mqtt_ca),
            page_options=PageOptions(page, listen, certificate, certificate_key), fast=False, at_once=True,
        )  # fmt: skip
        return
    runs.run(
        plan, virtual=virtual_camera, habit=operator, start=start, clock_offset_s=clock_offset,
        base=runs_folder, plain=plain, silent=silent, earth_rotation=earth_rotation, ephemeris=ephemeris,
        terrain=terrain, as_json=json, status=runs.Status(mqtt, mqtt_ca),
        page_options=PageOptions(page, listen, certificate, certificate_key),
    )  # fmt: skip


@app.command()
def resume(
    run_folder: RunPath,
    virtual_camera: Annotated[
        bool,
        typer.Option("--virtual-camera", help="Use libgphoto2's virtual camera instead of what is attached."),
    ] = False,
    operator: Operator = None,
    start: StartAt = None,
    clock_offset: Annotated[
        float,
        typer.Option(
            "--clock-offset", metavar="S", help="Add this to the computer's clock to make it true UTC."
        ),
    ] = 0.0,
    fast: Annotated[bool, typer.Option("--fast", help="In virtual time, for a rehearsal.")] = False,
    plain: Plain = False,
    silent: Silent = False,
    mqtt: Mqtt = None,
    mqtt_ca: MqttCa = None,
    page: Page = None,
    listen: Listen = None,
    certificate: Certificate = None,
    certificate_key: CertificateKey = None,
    json: Json = False,
) -> None:
    """Go on with a run that was cut off. Nothing that fired, or may have, is fired again."""
    from controller.cli import runs
    from controller.page.address import PageOptions

    runs.resume(
        run_folder, virtual=virtual_camera, habit=operator, start=start, clock_offset_s=clock_offset,
        fast=fast, plain=plain, silent=silent, as_json=json, status=runs.Status(mqtt, mqtt_ca),
        page_options=PageOptions(page, listen, certificate, certificate_key),
    )  # fmt: skip


@app.command()
def account(
    run_folder: RunPath,
    html: Html = None,
    markdown: Markdown = None,
    csv: Csv = None,
    json: Json = False,
) -> None:
    """Print what fired against what was planned, with the reason for every miss; write it as a page or a table."""
    from controller.cli import account as command

    command.account(run_folder, command.Files(html=html, markdown=markdown, csv=csv), as_json=json)


@app.command()
def merge(
    run_folders: Annotated[
        list[Path],
        typer.Argument(
            metavar="RUN RUN...", help="The folders of two or more runs of one day.", show_default=False
        ),
    ],
    html: Html = None,
    markdown: Markdown = None,
    csv: Csv = None,
    json: Json = False,
) -> None:
    """Join the accounts of several computers' runs of one day, by UTC; each journal is checked on its own."""
    from controller.cli import account as command

    command.merge(run_folders, command.Files(html=html, markdown=markdown, csv=csv), as_json=json)


@app.command()
def gather(
    run_folder: RunPath,
    pictures: Annotated[
        list[Path],
        typer.Argument(
            metavar="PICTURES...", help="Picture files, or folders with them.", show_default=False
        ),
    ],
    also: Annotated[
        list[Path] | None,
        typer.Option(
            "--run", metavar="RUN", help="Another run that they may be of; repeatable.", show_default=False
        ),
    ] = None,
    sidecars: Annotated[
        Path | None,
        typer.Option(
            "--sidecars",
            metavar="DIR",
            help="Put sidecars here, not beside the pictures.",
            show_default=False,
        ),
    ] = None,
    no_sidecars: Annotated[bool, typer.Option("--no-sidecars", help="Write no sidecars: only tell.")] = False,
    folders: Annotated[
        Path | None,
        typer.Option(
            "--folders", metavar="DIR", help="Make a folder of links for each set.", show_default=False
        ),
    ] = None,
    copy: Annotated[bool, typer.Option("--copy", help="With --folders: copies instead of links.")] = False,
    into: Annotated[
        Path | None,
        typer.Option(
            "--into",
            metavar="DIR",
            show_default=False,
            help="Look at the pictures, too, and write here: lists, contact sheets, drawings.",
        ),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Overwrite sidecars and lists that are there.")
    ] = False,
    camera: Annotated[
        list[str] | None,
        typer.Option(
            "--camera",
            metavar="RIG=SERIAL",
            help="Say which body was on a rig; repeatable.",
            show_default=False,
        ),
    ] = None,
    any_date: Annotated[
        bool, typer.Option("--any-date", help="A camera's clock may be off by more than 16 hours.")
    ] = False,
    json: Json = False,
) -> None:
    """Find out which picture is of which frame, and write sidecars that say so; pictures are never touched."""
    from controller.cli import gather as command

    command.gather(
        [run_folder, *(also or [])], pictures, command.Wishes(
            sidecars=sidecars, no_sidecars=no_sidecars, folders=folders, into=into, copy=copy, force=force
        ), cameras=camera or [], any_date=any_date, as_json=json,
    )  # fmt: skip
