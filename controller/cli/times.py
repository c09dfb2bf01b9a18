"""Where the times come from that a camera is planned with: the plan, a measured profile, or the driver."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from controller.cli.prepare import Prepared
from controller.gear.body import CameraBody
from controller.plan.model import CameraPlan
from controller.plan.profiles import RigProfile

_CALLED = {
    "frame_gap_s": "frame gap",
    "setting_time_s": "setting time",
    "release_lag_s": "release lag",
    "buffer_frames": "buffer",
    "write_time_s": "write time",
}


@dataclass(frozen=True)
class Times:
    """The figures of speed that one rig is planned with, and whose they are."""

    rig: str
    camera: CameraPlan
    profile: RigProfile | None
    body: CameraBody

    @property
    def origins(self) -> dict[str, str]:
        """Return for each figure, by its name in `CameraBody`: ``plan``, ``profile`` or ``driver``."""
        own = self.camera.own_times()
        measured = self.profile.measured.figures() if self.profile else {}
        return {
            name: "plan" if name in own else "profile" if name in measured else "driver" for name in _CALLED
        }

    @property
    def words(self) -> str:
        """Return the origins in one sentence."""
        called: defaultdict[str, list[str]] = defaultdict(list)
        for name, origin in self.origins.items():
            called[origin].append(_CALLED[name])
        if len(called) == 1:
            called[next(iter(called))] = ["all"]
        said = [
            f"{', '.join(called[origin])} {self._origin_words(origin)}"
            for origin in ("plan", "profile", "driver")
            if origin in called
        ]
        return f"{self.rig}: times of its camera: {'; '.join(said)}."

    def to_json_dict(self) -> dict[str, Any]:
        """Return the figures with their origins, and what the profile says of itself."""
        profile = self.profile and {
            "file": self.profile.name,
            **self.profile.measured.model_dump(mode="json", include={"model", "measured_utc", "invented"}),
        }
        figures = {
            name: {"value": getattr(self.body, name), "from": origin} for name, origin in self.origins.items()
        }
        return {"rig": self.rig, "profile": profile, "figures": figures}

    def _origin_words(self, origin: str) -> str:
        if origin == "plan":
            return "as the plan says"
        if origin == "profile" and self.profile:
            measured = self.profile.measured
            real = " (no real camera)" if measured.invented else ""
            return f"measured on {measured.model}{real}, {measured.measured_utc:%Y-%m-%d}"
        return "the simulated camera's" if self.camera.driver == "simulated" else "typical, not measured"


def where_times_come_from(prepared: Prepared) -> list[Times]:
    """Return what each rig of a plan is planned with, in the plan's order."""
    loaded, bodies = prepared.loaded, prepared.compiled.bodies
    return [
        Times(rig.name, rig.camera, loaded.profiles.get(rig.name), bodies[rig.name])
        for rig in loaded.plan.rigs
    ]
