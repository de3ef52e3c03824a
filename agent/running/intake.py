"""At intake, before the unit is opened: what is recorded, and what a run makes of it.

Rules:

- only what reads runs at intake, and the link of a card, which draws for three seconds; the heating checks
  where they are asked for, behind what they need;
- a finding is known at intake where the same check of the same part failed then (or could not be measured
  then, and cannot now), and the part is not on the order;
- heat, fans and batteries are matters of safety: a finding about them is never excused by intake.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, Final

from agent.planning.plan import Plan, make_plan
from checks.board.inside import devices_inside
from checks.check import Check
from checks.cooling.series import Load, contact_of, contact_unit, power_known
from checks.graphics.heat import Warmed
from checks.judging import same_text
from checks.links import CARD
from checks.machine import CANNOT_TELL, Machine, Question, Session
from checks.registry import CHECKS, check
from reports.canonical import digest
from reports.codec import baseline_from, from_json, read_json
from reports.errors import DocumentError, Fault, shown
from reports.model.baseline import SCHEMA, Baseline, Intake, Noted, ThermalContact
from reports.model.bench import BenchReference
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.finding import Depth, Finding, Stage, Verdict
from reports.model.order import Order
from reports.model.record import BaselineNote, Identity, Source
from reports.model.servicemap import PartKind, ServiceMap

SHOWS, SHOWS_NOT, NOT_ASKED = "it shows", "it does not show", "not asked"

HEATING: Final = "thermal.load"
GRAPHICS_HEATING: Final = "graphics.heat"

SAFETY: Final = frozenset({PartKind.THERMAL, PartKind.FAN, PartKind.BATTERY})

_WIDE_MINUTES: Final = 60.0
"""Nothing is left out of an intake to save seconds."""


# -- recording ---------------------------------------------------------------------------------------


def intake_plan(
    order: Order, service_map: ServiceMap, *, load: bool = False, reference: BenchReference | None = None
) -> Plan:
    """Every check that only reads, of every part; with `load` the heating checks and what they need too."""
    wanted = {each.id for each in CHECKS if each.stage is Stage.INVENTORY} | {CARD.id}
    if load:
        wanted |= {*_with_needs(HEATING), *_with_needs(GRAPHICS_HEATING)}
    shallow = tuple(replace(each, depth=Depth.PRESENCE) for each in CHECKS if each.id in wanted)
    wide = replace(order, budget_minutes=_WIDE_MINUTES)
    return make_plan(wide, service_map, checks=shallow, reference=reference)


def _with_needs(id: str) -> Iterator[str]:
    yield id
    for need in check(id).needs:
        yield from _with_needs(need)


def ask_complaint(order: Order, session: Session) -> str:
    """Whether the complaint shows, in the words of the answer; that nobody was asked where nobody was."""
    question = Question(
        "complaint.shows",
        f"The complaint is: {shown(order.complaint, 300)}. Does it show now, before the unit is opened?",
        (SHOWS, SHOWS_NOT, CANNOT_TELL),
    )
    answer = session.ask(question)
    return answer.words if isinstance(answer, Answer) else NOT_ASKED


def record(
    order: Order,
    machine: Machine,
    findings: Sequence[Finding],
    *,
    taken: str,
    label_serial: str = "",
    complaint_shows: str = NOT_ASKED,
) -> Baseline:
    """The baseline of a unit that runs."""
    return Baseline(
        schema=SCHEMA,
        order_number=order.number,
        intake=Intake.RAN,
        label_serial=_label(order, label_serial),
        taken=taken,
        unit=machine.identity(),
        complaint_shows=complaint_shows,
        noted=tuple(_noted(finding) for finding in findings),
        thermal_resistance_k_per_w=_resistance(findings),
        inside=devices_inside(machine),
        settings=machine.firmware_settings(),
        source=machine.source,
        contact=_contact(findings),
        graphics_contact=_graphics_contact(findings),
    )


def did_not_start(order: Order, *, taken: str, label_serial: str, source: Source = Source.LIVE) -> Baseline:
    """The baseline of a unit that does not start: what its label says is all there is."""
    silent = Absent(Why.DID_NOT_ANSWER, "intake", "the unit did not start")
    return Baseline(
        schema=SCHEMA,
        order_number=order.number,
        intake=Intake.DID_NOT_START,
        label_serial=_label(order, label_serial),
        taken=taken,
        unit=Identity(*(silent for _ in Identity.__dataclass_fields__)),
        complaint_shows=NOT_ASKED,
        noted=(),
        thermal_resistance_k_per_w=silent,
        source=source,
    )


def _label(order: Order, label_serial: str) -> str:
    """The label's serial; DocumentError where the order is for another one."""
    wanted = order.unit.serial
    if label_serial and wanted and not same_text(label_serial, wanted):
        fault = Fault(
            "/unit/serial",
            f"the order is for serial {shown(wanted)}, the label says {shown(label_serial)}",
            "the order of this very unit",
            "order-other-unit",
            "take the right order, or read the label again",
        )
        raise DocumentError(f"order {order.number}", (fault,))
    return label_serial


def _noted(finding: Finding) -> Noted:
    return Noted(finding.check, finding.part, finding.judgement.verdict, finding.judgement.reason)


def _resistance(findings: Iterable[Finding]) -> Reading | Absent:
    """Of the heating check, where it ran and power is known."""
    for finding in findings:
        measured = finding.judgement.measured
        if finding.check == HEATING and measured is not None and measured.unit == "K/W":
            return measured
    heated = any(finding.check == HEATING for finding in findings)
    why = "no figure came of it" if heated else "the unit was not heated"
    return Absent(Why.NOT_SUPPORTED, "intake", why)


def _contact(findings: Iterable[Finding]) -> ThermalContact:
    """Of the heating check, where its pulses show one."""
    loads = (from_json(dict(it.evidence), Load) for it in findings if it.check == HEATING and it.evidence)
    return _first_contact(loads)


def _graphics_contact(findings: Iterable[Finding]) -> ThermalContact:
    """Of the only graphics chip that was heated, where it tells its power."""
    heated = [it for it in findings if it.check == GRAPHICS_HEATING and it.evidence]
    chips = [from_json(dict(it.evidence), Warmed).chips for it in heated]
    loads = [each.load for found in chips if isinstance(found, tuple) for each in found]
    known = [each for each in loads if isinstance(each, Load) and power_known(each)]
    return _first_contact(known if len(loads) == 1 else ())


def _first_contact(loads: Iterable[Load]) -> ThermalContact:
    for load in loads:
        contact = contact_of(load)
        if contact is not None:
            return ThermalContact(
                Reading(round(contact.resistance, 4), contact_unit(load), "pulses of the load"),
                Reading(round(contact.time_constant_s, 3), "s", "pulses of the load"),
            )
    return ThermalContact()


# -- finding it again --------------------------------------------------------------------------------


def baseline_name(order: Order) -> str:
    """The file that holds an order's baseline, beside the order."""
    return f"{order.number}.baseline.json"


def load_for(
    order: Order, folders: Sequence[Path], given: Path | None, today: date | None
) -> tuple[Baseline, BaselineNote] | None:
    """The baseline `given`, else the one for `order` in the first of `folders` that has one; None without.

    Raises DocumentError where it cannot be read or is of another order.
    """
    found = (folder / baseline_name(order) for folder in folders)
    path = given or next((path for path in found if path.exists()), None)
    if path is None:
        return None
    raw = read_json(path, "baseline")
    baseline = baseline_from(raw, f"baseline {path}", today)
    if baseline.order_number != order.number:
        raise DocumentError(f"baseline {path}", (_of_another(baseline, order),))
    return baseline, BaselineNote(baseline.taken, baseline.intake.value, digest(raw))


def _of_another(baseline: Baseline, order: Order) -> Fault:
    found = f"it was taken for order {shown(baseline.order_number)}"
    return Fault("/order_number", found, f"order {shown(order.number)}", "baseline-other-order")


def refuse_another_source(baseline: Baseline | None, machine: Machine) -> None:
    """A rehearsal is not compared with hardware, nor the other way round."""
    if baseline is None or baseline.source is machine.source:
        return
    fault = Fault(
        "/source",
        f"it was taken of {_OF[baseline.source]}, and this is {_OF[machine.source]}",
        "a baseline of the same",
        "baseline-other-source",
        "take it again",
    )
    raise DocumentError(f"baseline of order {baseline.order_number}", (fault,))


_OF: Final = {
    Source.LIVE: "real hardware",
    Source.REHEARSAL: "a rehearsal unit",
    Source.RECORDED: "a recording",
}


# -- known at intake ---------------------------------------------------------------------------------


def with_known(findings: Sequence[Finding], baseline: Baseline | None) -> tuple[Finding, ...]:
    """`findings`, those marked that were already so at intake and are not on the order."""
    if baseline is None:
        return tuple(findings)
    return tuple(
        replace(finding, known_at_intake=True) if _known(finding, baseline.noted) else finding
        for finding in findings
    )


def _known(finding: Finding, noted: Iterable[Noted]) -> bool:
    """Tried to the full depth is what stands on the order, itself or by its cable."""
    if finding.depth is Depth.SUSTAINED or PartKind(finding.part_kind) in SAFETY:
        return False
    before = [note.verdict for note in noted if _same_question(note, finding)]
    return any(_no_worse(finding.judgement.verdict, verdict) for verdict in before)


def _same_question(note: Noted, finding: Finding) -> bool:
    """A check of the whole unit stands for whichever part was touched most."""
    if note.check != finding.check:
        return False
    return note.part == finding.part or _of_whole_unit(finding.check)


def _of_whole_unit(id: str) -> bool:
    known: Check[Any] | None = next((each for each in CHECKS if each.id == id), None)
    return known is not None and known.whole_unit


def _no_worse(now: Verdict, before: Verdict) -> bool:
    if now is Verdict.FAIL:
        return before is Verdict.FAIL
    return now is Verdict.INCONCLUSIVE and before in (Verdict.FAIL, Verdict.INCONCLUSIVE)
