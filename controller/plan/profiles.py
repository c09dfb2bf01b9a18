"""The profiles that a plan names: found beside it, read, and refused when they cannot be meant."""

from __future__ import annotations

import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from controller.errors import Fault
from controller.gear.profile import CameraProfile, parse_profile
from controller.plan.fields import shown
from controller.plan.model import Plan, RigPlan
from controller.plan.source import Loc, PlanSource

LARGEST_PROFILE_BYTES = 100_000

_MEASURE = "measure the rig's own camera with holdfire calibrate, or leave profile out."

ProfilePath = Callable[[int, str], Path]
"""Where the profile of a rig lies: the rig's number from 0 and what the plan says, to a path."""


@dataclass(frozen=True)
class RigProfile:
    """What was measured of a rig's camera, and the very file that says so."""

    name: str
    """The file, as the plan names it."""
    content: bytes
    measured: CameraProfile


def beside(plan_path: str) -> ProfilePath:
    """Return where profiles lie that are named relative to a plan file."""
    folder = Path(plan_path).parent
    return lambda _number, name: folder / name


def read_profiles(
    plan: Plan, source: PlanSource, path_of: ProfilePath
) -> tuple[Mapping[str, RigProfile], list[Fault]]:
    """Return the profiles of a plan by the name of the rig, and what is wrong with those that cannot be used."""
    found: dict[str, RigProfile] = {}
    faults: list[Fault] = []
    for number, rig in enumerate(plan.rigs):
        name = rig.camera.profile
        if name is None:
            continue
        loc: Loc = ("rigs", number, "camera", "profile")
        try:
            content = _content(path_of(number, name))
            measured = parse_profile(content)
        except ValueError as error:
            faults.append(
                source.fault(loc, f'The profile "{name}" cannot be used: {error}.', _mend(error, name))
            )
            continue
        fault = _of_the_wrong_kind(rig, measured)
        if fault:
            faults.append(source.fault(loc, *fault))
        found[rig.name] = RigProfile(name, content, measured)
    return found, faults


class _NotReadError(ValueError):
    """The file itself cannot be read."""


def _mend(error: ValueError, name: str) -> str:
    if isinstance(error, _NotReadError):
        counts = "" if Path(name).is_absolute() else ", which counts from the plan's folder"
        return f"correct its name{counts}, or leave profile out."
    return _MEASURE


def _content(path: Path) -> bytes:
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise _NotReadError("it is no regular file")
        if status.st_size > LARGEST_PROFILE_BYTES:
            raise _NotReadError(f"it has {status.st_size} bytes, far more than a profile")
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        raise _NotReadError("there is no such file") from None
    except OSError as error:
        raise _NotReadError(f"it cannot be read ({error.strerror})") from None


def _of_the_wrong_kind(rig: RigPlan, measured: CameraProfile) -> tuple[str, str] | None:
    if measured.invented and rig.camera.driver == "tethered":
        what = f"its profile was measured on a camera that is not real, {shown(measured.model)}"
        return f'Rig "{rig.name}" is tethered, and {what}.', _MEASURE
    return None
