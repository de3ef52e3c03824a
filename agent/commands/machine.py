"""The computer that the options name: this one, or a rehearsal unit."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, TypeAlias

from agent.machine.live import LiveMachine
from reports.errors import DocumentError, Fault

if TYPE_CHECKING:
    from agent.machine.rehearsal.machine import RehearsalMachine

Computer: TypeAlias = "LiveMachine | RehearsalMachine"


def machine_of(options: argparse.Namespace) -> Computer:
    """This computer, or the unit of `--rehearse`; DocumentError for faults put on real hardware."""
    allow_control = getattr(options, "allow_control", False)
    if options.rehearse:
        from agent.machine.rehearsal.machine import RehearsalMachine, load_unit

        unit = load_unit(options.rehearse)
        return RehearsalMachine(unit, options.fault, options.seed, allow_control=allow_control)
    if options.fault:
        fault = Fault("", "--fault without --rehearse", "faults are put on rehearsal units only", "usage")
        raise DocumentError("the command line", (fault,))
    return LiveMachine(allow_control=allow_control)
