"""Display: does the panel answer, and are the data it gives of itself sound?

Evidence is the display connectors (Linux, Documentation/gpu/drm-kms.rst) and the panel's own data (VESA
E-EDID standard): header, checksums, maker and product. They come over the panel's cable, so data that
arrive spoilt speak of its plug. Some panels inside a unit, on LVDS and DSI, have no such data; some
all-in-ones lead their panel to a connector of the sort that monitors have. Whether the picture is right, a
person looks in another check.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, missing
from checks.judging import CRAFT, cannot_tell, failed, passed, same_name, text, unread, words
from checks.machine import DisplayConnector, Machine, Session
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.order import Form
from reports.model.servicemap import PartKind

MAY_HAVE_NO_DATA: Final = ("LVDS", "DSI")


@dataclass(frozen=True, slots=True)
class Connectors:
    """The connectors; `fitted` is what a person said where no display hangs on any."""

    connectors: tuple[DisplayConnector, ...] | Absent
    fitted: Answer | Absent


def panel_limits(subject: Subject) -> Limits:
    """One panel; its model where the map names it; whether any connector may lead to it."""
    model = subject.given("model")
    if subject.order.unit.form is not Form.ALL_IN_ONE:
        return Limits((*at_least_one(subject).items, *model))
    anywhere = Limit("panel_on_any_connector", True, "", Origin.DEFAULT, CRAFT)
    return Limits((*at_least_one(subject).items, *model, anywhere))


def measure_panel(machine: Machine, subject: Subject, session: Session) -> Connectors:
    found = machine.display_connectors()
    none = isinstance(found, tuple) and not _answering(found, panel_limits(subject))
    return Connectors(found, ask_fitted("display.panel", subject, session, found=not none))


def judge_panel(evidence: Connectors, limits: Limits) -> Judgement:
    """A panel inside decides; without a connector for one, whatever display answers is only inferred."""
    if isinstance(evidence.connectors, Absent):
        return unread("the list of display connectors", evidence.connectors, _DRIVER)
    there = _answering(evidence.connectors, limits)
    if fault := missing("display panel", len(there), evidence.fitted, limits, _RESEAT):
        return fault
    return _judged(there[0], limits, Way.INSTRUMENT if there[0].internal else Way.INFERRED)


_DRIVER = "run from a stick whose kernel knows this graphics adapter, then look at the picture by hand"
_RESEAT = "reseat the panel's cable at the board, then at the panel, then try a known good panel"


def _answering(connectors: tuple[DisplayConnector, ...], limits: Limits) -> list[DisplayConnector]:
    """The connectors on which the panel may be, and where something is or may be."""
    inside = [each for each in connectors if each.internal]
    anywhere = limits.get("panel_on_any_connector") is not None
    candidates = inside or (list(connectors) if anywhere else [])
    return [each for each in candidates if not _silent(each)]


def _silent(connector: DisplayConnector) -> bool:
    return isinstance(connector.connected, Reading) and not connector.connected.value


def _judged(panel: DisplayConnector, limits: Limits, way: Way) -> Judgement:
    limit, fault = limits.get("model"), panel.fault
    if isinstance(fault, Reading) and fault.value:
        return failed(f"the panel's own data arrive spoilt: {text(fault)}", _RESEAT, fault)
    model = text(panel.model)
    if limit is not None and model and not any(same_name(model, wanted) for wanted in words(limit)):
        measured = panel.model if isinstance(panel.model, Reading) else None
        reason = f"the panel is {model}, not {' or '.join(words(limit))}"
        return failed(reason, "fit the panel that the order says", measured, limit)
    if isinstance(panel.connected, Absent):
        return unread("whether a panel is connected", panel.connected)
    if isinstance(fault, Absent):
        return _without_data(panel, fault)
    where = "" if way is Way.INSTRUMENT else f", on {_name_of(panel)}, which may lead to a monitor"
    return passed(f"the panel answers: {model or 'it gives no name'}{where}", panel.connected, limit, way)


def _name_of(panel: DisplayConnector) -> str:
    """The connector's name, safe to print."""
    return text(Reading(panel.id, "", "connector"))


def _without_data(panel: DisplayConnector, fault: Absent) -> Judgement:
    if fault.why is Why.NOT_THERE and panel.id.startswith(MAY_HAVE_NO_DATA):
        assert isinstance(panel.connected, Reading)  # asked before
        reason = f"a panel is connected on {_name_of(panel)}, of a sort that need not give data of itself"
        return passed(reason, panel.connected, None, Way.INFERRED)
    if fault.why is Why.NOT_THERE:
        return cannot_tell("the panel is connected and gives no data of itself", _RESEAT)
    return unread("the panel's own data", fault)


PANEL = Check(
    id="display.panel",
    kind=PartKind.DISPLAY,
    asks="Does the panel answer, and are its own data sound?",
    catches="panel cable off or half home, wrong panel",
    source="Linux, Documentation/gpu/drm-kms.rst; VESA E-EDID standard, release A revision 2",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED),
    evidence=Connectors,
    limits=panel_limits,
    measure=measure_panel,
    judge=judge_panel,
    whole_unit=True,
)

CHECKS = (PANEL,)
