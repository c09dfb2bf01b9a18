"""`moon`: read a published grid of lunar heights once and keep the limb; which limb the others use."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.cli.output import console, local_time, print_json, table
from controller.errors import UsageError
from controller.sky import Circumstances, Kind
from controller.sky.limb import terrain as limb_terrain
from controller.sky.limb.grids import Progress as Told
from controller.sky.limb.terrain import Terrain
from controller.units import ContactName, utc_iso

_WORTH_PIXELS_PER_DEGREE = 16
_HOW = "read a published grid once with holdfire moon FILE, or give one with --terrain FILE"


def chosen_terrain(named: Path | None, *, wanted: bool = True) -> Terrain | None:
    """Return the limb to use: what --terrain names ("none" for the mean limb), or else the kept one.

    Args:
        named: the option's value.
        wanted: whether to look for the kept one when nothing is named.

    Raises:
        SkyError: if the file cannot be used.
    """
    if named is not None:
        return None if str(named).lower() == "none" else limb_terrain.read_terrain(named)
    return limb_terrain.default_terrain() if wanted else None


def moon(path: Path | None, cache: Path | None, *, as_json: bool) -> None:
    """Check a grid, say what it is and keep its limb; without a grid, say which limb is in use."""
    if path is None:
        _show_kept(as_json=as_json)
        return
    with _progress() as told:
        terrain = limb_terrain.read_terrain(path, told)
        told("keeping the limb", 0.0)
        kept = limb_terrain.save_cache(terrain, cache or limb_terrain.cache_folder())
        told("keeping the limb", 1.0)
    by_itself = cache is None or cache.resolve() == limb_terrain.cache_folder().resolve()
    if as_json:
        print_json({**_facts(terrain), "kept_in": str(kept), "used_by_itself": by_itself})
        return
    out = console()
    _show(terrain)
    out.print(f"The limb is kept in {kept} ({kept.stat().st_size / 1e6:.1f} MB).", soft_wrap=True)
    if by_itself:
        out.print("contacts and check print both limbs from now on; a plan says which one it is keyed to.")
    else:
        out.print(f"To use it, set HOLDFIRE_MOON={kept}, or give --terrain {kept}.", soft_wrap=True)


def _show_kept(*, as_json: bool) -> None:
    terrain = limb_terrain.default_terrain()
    if as_json:
        print_json(None if terrain is None else _facts(terrain))
    elif terrain is None:
        console().print(f"No limb is kept: the mean limb is used. Mend: {_HOW}.", soft_wrap=True)
    else:
        _show(terrain)


def _facts(terrain: Terrain) -> dict[str, object]:
    info = terrain.info
    return {
        "name": info.name,
        "what": info.what,
        "sha256": info.sha256,
        "pixels_per_degree": info.pixels_per_degree,
        "km_per_pixel": round(info.km_per_pixel, 4),
        "lowest_m": info.lowest_m,
        "highest_m": info.highest_m,
        "west_deg": info.west_deg,
    }


def _show(terrain: Terrain) -> None:
    out, info = console(), terrain.info
    out.print(f"{info.name}: {info.what}, sound.")
    out.print(
        f"{info.pixels_per_degree:g} pixels a degree, {info.km_per_pixel:.2f} km a pixel; heights from "
        f"{info.lowest_m:.1f} to {info.highest_m:.1f} m about 1737.4 km; longitudes from {info.west_deg:g}° east."
    )
    out.print(f"sha256 {info.sha256}", soft_wrap=True)
    if info.pixels_per_degree < _WORTH_PIXELS_PER_DEGREE:
        out.print(
            "Coarse: narrow valleys are smoothed away, and with them beads. "
            f"A grid of {_WORTH_PIXELS_PER_DEGREE} pixels a degree or finer shows them."
        )


@contextmanager
def _progress() -> Iterator[Told]:
    from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn())
    with Progress(*columns, console=console(error=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def told(what: str, part: float) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=1.0)
            bar.update(tasks[what], completed=part)

        yield told


def show_limb(found: Circumstances, zone: str) -> None:
    """Print C2, C3 and the beads with the Moon's real edge, or how to get them."""
    out, limb = console(), found.limb
    if not found.geometric_kind.is_central:
        return
    if limb is None:
        out.print(f"The Moon's real edge is not looked at. For C2, C3 and beads with it, {_HOW}.")
        return
    if limb.duration_s is not None:
        mean = {contact.name: contact for contact in found.contacts}
        out.print(
            table(
                ("lunar limb", "local", "UTC", ">P °", ">± s", ">than the mean limb"),
                [
                    (
                        contact.name,
                        local_time(contact.utc_ns, zone),
                        utc_iso(contact.utc_ns, 1)[11:],
                        f"{contact.position_angle_deg:.1f}",
                        f"{contact.uncertainty_s:.1f}",
                        f"{abs(contact.shift_s):.1f} s {'later' if contact.shift_s > 0 else 'earlier'}",
                    )
                    for contact in limb.contacts()
                    if contact.name in mean
                ],
            )
        )
        name = "Totality" if found.geometric_kind is Kind.TOTAL else "Annularity"
        before, after = (
            sum(1 for bead in limb.beads if bead.contact is contact)
            for contact in (ContactName.C2, ContactName.C3)
        )
        out.print(
            f"{name} {limb.duration_s:.1f} s with the lunar limb; Baily's beads within 15 s: "
            f"{before} before C2, {after} after C3."
        )
    out.print(limb.note)


def draw_limb(path: Path, found: Circumstances, zone: str) -> None:
    """Draw the limb with its beads.

    Raises:
        UsageError: if there is nothing to draw, or the file cannot be written.
    """
    from controller.sky.limb.picture import draw

    if not found.geometric_kind.is_central:
        raise UsageError(
            f"There are no beads to draw: the eclipse is {found.kind.value} at this place. "
            "Mend: leave --limb-picture out, or choose a place where it is total or annular."
        )
    if found.limb is None:
        raise UsageError(f"There is no terrain to draw the limb from. Mend: {_HOW}.")
    try:
        draw(path, found, zone)
    except (OSError, ValueError) as problem:
        raise UsageError(
            f"The picture {path} cannot be written ({problem}). Mend: give a path that ends in .png, .svg or .pdf, "
            "in a folder that can be written to."
        ) from problem
