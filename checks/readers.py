"""Readers of memory cards: does the reader answer, with or without a card in it?

Evidence is the SD host controllers and readers that the buses show (PCI class 0805h and makers' own; USB
drives that take cards, on a port inside the unit).
"""

from __future__ import annotations

from dataclasses import dataclass

from checks.check import Check, Subject
from checks.fitted import ask_fitted, at_least_one, missing
from checks.judging import no_driver, passed, text, unread
from checks.machine import CardReader, Machine, Session
from reports.model.evidence import Absent, Answer, Reading
from reports.model.finding import Depth, Judgement, Limits, Stage, Way
from reports.model.servicemap import PartKind


@dataclass(frozen=True, slots=True)
class Readers:
    """The readers found; `fitted` is what a person said where there are none."""

    readers: tuple[CardReader, ...] | Absent
    fitted: Answer | Absent


def measure_present(machine: Machine, subject: Subject, session: Session) -> Readers:
    found = machine.card_readers()
    none = isinstance(found, tuple) and not found
    return Readers(found, ask_fitted("readers.present", subject, session, found=not none))


def judge_present(evidence: Readers, limits: Limits) -> Judgement:
    if isinstance(evidence.readers, Absent):
        return unread("the list of card readers", evidence.readers)
    found = evidence.readers
    if fault := missing("card reader", len(found), evidence.fitted, limits, _RESEAT):
        return fault
    for reader in found:
        if isinstance(reader.driver, Absent):
            return no_driver("card reader", "", reader.driver, _NO_DRIVER)
    names = ", ".join(text(reader.model) or text(reader.driver) for reader in found)
    measured = Reading(len(found), "", "card readers found")
    return passed(f"the card reader answers: {names}", measured, limits.get("found_least"))


_NO_DRIVER = "run from a stick whose kernel knows this reader, then try a card by hand"
_RESEAT = "reseat the reader's ribbon at both ends, then try a known good reader"


PRESENT = Check(
    id="readers.present",
    kind=PartKind.READERS,
    asks="Does the card reader answer?",
    catches="reader's ribbon off",
    source="PCI class 0805h (Linux, drivers/mmc/host); USB drives with removable media",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=Readers,
    limits=at_least_one,
    measure=measure_present,
    judge=judge_present,
    whole_unit=True,
)

CHECKS = (PRESENT,)
