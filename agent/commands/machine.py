"""The computer that the options name: this one, or a rehearsal unit."""

from __future__ import annotations

import argparse

from agent.machine.live import LiveMachine
from checks.machine import Machine
from reports.errors import DocumentError, Fault


def machine_of(options: argparse.Namespace) -> Machine:
    """This computer, or the unit of `--rehearse`; DocumentError for faults put on real hardware."""
    if options.rehearse:
        from agent.machine.rehearsal import RehearsalMachine, load_unit

        return RehearsalMachine(load_unit(options.rehearse), options.fault, options.seed)
    if options.fault:
        fault = Fault("", "--fault without --rehearse", "faults are put on rehearsal units only", "usage")
        raise DocumentError("the command line", (fault,))
    return LiveMachine()
