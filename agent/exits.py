"""Exit statuses: each verdict of a unit has its own, and so has each way of failing.

The README prints this table, and a test compares the two.
"""

from __future__ import annotations

from enum import IntEnum

from reports.model.record import Source
from reports.model.verdict import UnitVerdict


class Exit(IntEnum):
    DONE = 0
    HOLD = 1
    BAD_DOCUMENT = 2
    INCOMPLETE = 3
    PROOF_REFUSED = 4
    STOPPED = 5
    REHEARSAL_READY = 6
    REHEARSAL_NOT_READY = 7
    OUR_FAULT = 70


MEANING = {
    Exit.DONE: "ready, ready with concessions, or done",
    Exit.HOLD: "hold: a required check failed",
    Exit.BAD_DOCUMENT: "wrong usage, or a document that cannot be used",
    Exit.INCOMPLETE: "incomplete: a required check could not be measured",
    Exit.PROOF_REFUSED: "the proof was refused, or a finding does not follow from its evidence",
    Exit.STOPPED: "stopped for safety or by the operator",
    Exit.REHEARSAL_READY: "rehearsal, ready",
    Exit.REHEARSAL_NOT_READY: "rehearsal, not ready",
    Exit.OUR_FAULT: "a fault of ours; what to send us is saved and named",
}

_READY = (UnitVerdict.READY, UnitVerdict.READY_WITH_CONCESSIONS)


def exit_of_run(verdict: UnitVerdict, source: Source, ended_by: str) -> Exit:
    """The status of a run. One that was stopped says so first, whatever it had found."""
    if ended_by:
        return Exit.STOPPED
    if source is not Source.LIVE:
        return Exit.REHEARSAL_READY if verdict in _READY else Exit.REHEARSAL_NOT_READY
    if verdict in _READY:
        return Exit.DONE
    return Exit.HOLD if verdict is UnitVerdict.HOLD else Exit.INCOMPLETE
