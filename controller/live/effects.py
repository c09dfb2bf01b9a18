"""Carrying out effects in order: every record is on the disk before the effect that it announces."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Protocol

from controller.engine import messages as m
from controller.journal.records import Kind

_KINDS = {kind.value: kind for kind in Kind}


class Writer(Protocol):
    """Where records go; the journal writer is one."""

    def append_many(self, records: list[tuple[Kind, int, dict[str, Any]]]) -> object:
        """Write records in order, on the disk when it returns."""
        ...


def journalled(
    effects: Iterable[m.Effect], journal: Writer
) -> Iterator[m.HandOver | m.Withdraw | m.Say | m.WakeAt | m.Finish]:
    """Yield what is to be done, in order, with every record before it written and flushed.

    Records that stand in a row are written with one flush; a wake-up announces nothing and waits for none.
    """
    records: list[tuple[Kind, int, dict[str, Any]]] = []
    for effect in effects:
        if isinstance(effect, m.Record):
            records.append((_KINDS[effect.kind], effect.at_utc_ns, dict(effect.data)))
            continue
        if records and not isinstance(effect, m.WakeAt):
            journal.append_many(records)
            records = []
        yield effect
    if records:
        journal.append_many(records)
