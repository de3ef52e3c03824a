"""Devices that leave their bus while a run goes on.

It is said in the report and judged by nobody: what was found of such a device is from before. A shutter, a
switch of the radio or an empty card reader may let a device leave; so may a plug that is half home. What is
known to sit at a socket is left out: people unplug such things.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from agent.machine.linux.hotplug import Change, Motion, Watch, watching
from agent.machine.live import LiveMachine
from checks.machine import Machine
from reports.errors import shown
from reports.model.evidence import Absent


class Departures:
    """Asked once, at the end; `watch` is None where nothing real can leave."""

    def __init__(self, watch: Watch | None) -> None:
        self._watch = watch

    def sentences(self) -> tuple[str, ...]:
        """One for each device of the unit that left; none where nothing was seen or could be seen."""
        changes = self._watch.changes() if self._watch else ()
        if isinstance(changes, Absent):
            return ()
        last = {change.id: change for change in changes if not _from_outside(change)}
        left = {change.id: change for change in changes if change.motion is Motion.LEFT and change.id in last}
        return tuple(_sentence(change, last[id].motion is Motion.APPEARED) for id, change in left.items())


@contextmanager
def departures(machine: Machine) -> Iterator[Departures]:
    """Watch the computer while the context is open; a rehearsal or a recording has nothing to watch."""
    if not isinstance(machine, LiveMachine):
        yield Departures(None)
        return
    with watching(machine.tree) as watch:
        yield Departures(watch)


def _from_outside(change: Change) -> bool:
    return not isinstance(change.inside, Absent) and not change.inside.value


def _sentence(change: Change, back: bool) -> str:
    what = shown(f"{change.name} at {change.id}" if change.name else change.id)
    return (
        f"{what} left its bus during the run{' and came back' if back else ''}: what was found of it is from "
        "before that; look at its plug and its cable"
    )
