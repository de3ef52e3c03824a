"""Every check there is: a plain table of modules.

Ids are unique, and each begins with its part kind, or this module does not load.
"""

from __future__ import annotations

from collections.abc import Iterable
from types import ModuleType
from typing import Any, Final

import checks.board.clock
import checks.board.firmware
import checks.board.identity
import checks.board.intake
import checks.board.start
import checks.camera.frames
import checks.camera.presence
import checks.controls
import checks.cooling.fan
import checks.cooling.follow
import checks.cooling.thermal
import checks.counters
import checks.graphics.heat
import checks.graphics.presence
import checks.links
import checks.memory.modules
import checks.memory.pattern
import checks.panel.backlight
import checks.panel.display
import checks.ports
import checks.power.battery
import checks.power.charging
import checks.processor.computing
import checks.processor.identity
import checks.processor.restraint
import checks.readers
import checks.sound
import checks.storage.health
import checks.storage.layout
import checks.storage.presence
import checks.storage.reading
import checks.wireless.adapter
import checks.wireless.scan
from checks.check import Check
from reports.codec import from_json
from reports.errors import DocumentError
from reports.model.finding import Cannot, Finding, Judgement, Verdict
from reports.model.servicemap import PartKind

MODULES: Final = (
    checks.memory.modules,
    checks.memory.pattern,
    checks.storage.presence,
    checks.storage.health,
    checks.storage.reading,
    checks.storage.layout,
    checks.wireless.adapter,
    checks.wireless.scan,
    checks.processor.identity,
    checks.processor.computing,
    checks.board.identity,
    checks.board.firmware,
    checks.board.clock,
    checks.graphics.presence,
    checks.graphics.heat,
    checks.camera.presence,
    checks.camera.frames,
    checks.sound,
    checks.panel.display,
    checks.ports,
    checks.controls,
    checks.readers,
    checks.power.battery,
    checks.power.charging,
    checks.panel.backlight,
    checks.processor.restraint,
    checks.board.start,
    checks.links,
    checks.counters,
    checks.board.intake,
    checks.cooling.fan,
    checks.cooling.follow,
    checks.cooling.thermal,
)

UNJUDGED: Final = frozenset({Cannot.NOT_RUN, Cannot.INTERRUPTED, Cannot.PRECONDITION, Cannot.CRASHED})
"""What the run itself says of a check whose judge was never asked; its evidence is empty."""


def gathered(modules: Iterable[ModuleType]) -> tuple[Check[Any], ...]:
    """The checks of `modules`, in order; ValueError names an id that is wrong or taken."""
    found: dict[str, Check[Any]] = {}
    for check in (check for module in modules for check in module.CHECKS):
        kind, _, aspect = check.id.partition(".")
        if kind != check.kind.value or not aspect:
            raise ValueError(f"{check.id}: a check of {check.kind} is called {check.kind}.<aspect>")
        if check.id in found:
            raise ValueError(f"{check.id}: two checks have this id")
        found[check.id] = check
    _known_needs(found)
    return tuple(found.values())


def _known_needs(found: dict[str, Check[Any]]) -> None:
    for check in found.values():
        for need in check.needs:
            if need not in found:
                raise ValueError(f"{check.id}: needs {need}, which is no check")


CHECKS: Final = gathered(MODULES)

_BY_ID: Final = {check.id: check for check in CHECKS}


def check(id: str) -> Check[Any]:
    """The check called `id`; KeyError where there is none."""
    return _BY_ID[id]


def checks_for(kind: PartKind) -> tuple[Check[Any], ...]:
    """The checks of parts of `kind`."""
    return tuple(check for check in CHECKS if check.kind is kind)


def rejudge(finding: Finding) -> Judgement | None:
    """What the judge says of the finding's evidence and limits now.

    None where the check is unknown or judges by another version. A check that the run kept from its
    judge has nothing to repeat: its judgement stands. Evidence that is not the check's, or that its
    judge cannot take, is inconclusive, so that nothing else can follow from it.
    """
    known = _BY_ID.get(finding.check)
    if known is None or known.judgement_version != finding.judgement_version:
        return None
    if not finding.evidence and finding.judgement.cannot in UNJUDGED:
        return finding.judgement
    try:
        return _judged(known, finding)
    except DocumentError as error:
        return _no_evidence(f"its evidence is not that of the check: {error.faults[0]}")
    except Exception as error:  # noqa: BLE001 - evidence from outside must not stop the reader
        return _no_evidence(f"its evidence cannot be judged: {type(error).__name__}")


def _judged(known: Check[Any], finding: Finding) -> Judgement:
    evidence = from_json(finding.evidence, known.evidence, "evidence")  # type: ignore[arg-type]
    return known.judge(evidence, finding.limits)


def _no_evidence(reason: str) -> Judgement:
    return Judgement(
        Verdict.INCONCLUSIVE, reason, "ask for the report as it was signed", cannot=Cannot.NOT_UNDERSTOOD
    )
