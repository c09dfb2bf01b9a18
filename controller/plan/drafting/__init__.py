"""Draft a plan: from place, eclipse, gear and wishes to commented YAML, every exposure with its reason.

Nothing here compiles or writes: `controller.cli.draft` does, and adjusts what does not hold together.
"""

from __future__ import annotations

from controller.plan.drafting.compose import draft
from controller.plan.drafting.model import SUBJECTS, Draft, Gear, Scene, Wish

__all__ = ["SUBJECTS", "Draft", "Gear", "Scene", "Wish", "draft"]
