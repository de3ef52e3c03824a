"""Firmware: the version that the board runs, and the trust module that it shows or hides.

The version is that of SMBIOS type 0. A board from stock may come with an old one. A trusted platform
module that was there and is gone was most likely switched off when the firmware's setup was reset, and an
owner's encrypted drive then asks for its recovery key. Many units never had one, or have it switched off
on purpose: it is missing only where it was seen at intake, or where somebody says that the unit has one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from checks.check import Check, Subject
from checks.fitted import HAS_ONE, ask_fitted, made_without, seen_at_intake
from checks.judging import cannot_tell, failed, not_applicable, passed, same_text, text, unread
from checks.machine import Machine, Session, TrustModule
from checks.placeholders import is_placeholder
from reports.model.evidence import Absent, Answer, Reading
from reports.model.finding import Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

FORMS: Final = ("%Y-%m-%d", "%m/%d/%Y", "%m/%d/%y")
"""DSP0134 7.1 asks for mm/dd/yyyy, and for mm/dd/yy before version 2.3; some makers write ISO 8601."""


def written_date(value: Reading | Absent) -> date | None:
    """The firmware's date, None where it is none."""
    for form in FORMS:
        try:
            return datetime.strptime(text(value), form).date()  # noqa: DTZ007 - a day without a time
        except ValueError:
            continue
    return None


@dataclass(frozen=True, slots=True)
class Version:
    """Version and date of the firmware."""

    version: Reading | Absent
    date: Reading | Absent


def version_limits(subject: Subject) -> Limits:
    """The version that the order line of the board expects."""
    wanted = subject.line.expected.firmware_version if subject.line else None
    return Limits((Limit("firmware_version", wanted, "", Origin.ORDER_LINE),) if wanted else ())


def measure_version(machine: Machine, subject: Subject, session: Session) -> Version:
    unit = machine.identity()
    return Version(unit.firmware_version, unit.firmware_date)


def judge_version(evidence: Version, limits: Limits) -> Judgement:
    """Without a version to compare with, the one that is there is only told."""
    limit, said = limits.get("firmware_version"), text(evidence.version)
    if isinstance(evidence.version, Absent):
        return unread("the firmware's version", evidence.version)
    if is_placeholder(said):
        return cannot_tell("the firmware does not give its version", _LOOK)
    if limit is not None and not same_text(said, str(limit.value)):
        reason = f"the firmware is version {said}, the order says {limit.value}"
        return failed(reason, _UPDATE, evidence.version, limit)
    return passed(f"the firmware is version {said}{_dated(evidence.date)}", evidence.version, limit)


_LOOK = "look at the version in the firmware's setup, and accept it by name"
_UPDATE = "bring the firmware to the version of the order by the maker's procedure, then run again"


def _dated(said: Reading | Absent) -> str:
    """A date that cannot be is told; it keeps nothing from working."""
    day = written_date(said)
    if day is not None and day.year >= 1990:
        return f" of {day.isoformat()}"
    return f", and its date makes no sense: {text(said)}" if text(said) else ""


FIRMWARE = Check(
    id="board.firmware",
    kind=PartKind.BOARD,
    asks="Does the board run the firmware that it should?",
    catches="board from stock with old firmware, update that did not take",
    source="DMTF DSP0134 7.1 (type 0)",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT,),
    evidence=Version,
    limits=version_limits,
    measure=measure_version,
    judge=judge_version,
    whole_unit=True,
)


@dataclass(frozen=True, slots=True)
class TrustModules:
    """The modules that show; `fitted` is what a person said where none does."""

    modules: tuple[TrustModule, ...] | Absent
    fitted: Answer | Absent


def tpm_limits(subject: Subject) -> Limits:
    """One, where it was seen at intake; and whether the board was worked on."""
    if seen_at_intake("board.tpm", subject):
        return Limits((Limit("found_least", 1, "", Origin.BASELINE, "seen at intake"),))
    if subject.line is not None:
        return Limits((Limit("board_worked", True, "", Origin.ORDER_LINE),))
    return Limits()


def measure_tpm(machine: Machine, subject: Subject, session: Session) -> TrustModules:
    """They are asked only where the board was worked on: a reset of its setup switches modules off."""
    found = machine.trust_modules()
    ask = isinstance(found, tuple) and not found and subject.line is not None
    fitted = ask_fitted("board.tpm", subject, session, not ask, "trusted platform module", even_worked=True)
    return TrustModules(found, fitted)


def judge_tpm(evidence: TrustModules, limits: Limits) -> Judgement:
    if isinstance(evidence.modules, Absent):
        return unread("the list of trusted platform modules", evidence.modules)
    if not evidence.modules:
        return _no_module(evidence.fitted, limits)
    versions = " and ".join(filter(None, (text(module.version) for module in evidence.modules)))
    measured = Reading(len(evidence.modules), "", "trusted platform modules")
    return passed(f"the TPM answers, version {versions or 'not told'}", measured, limits.get("found_least"))


def _no_module(fitted: Answer | Absent, limits: Limits) -> Judgement:
    measured, least = Reading(0, "", "trusted platform modules"), limits.get("found_least")
    if least is not None:
        return failed("the TPM that was there at intake does not show", _SWITCH_ON, measured, least)
    if isinstance(fitted, Answer) and fitted.words == HAS_ONE:
        return failed("the unit has a TPM, and none shows", _SWITCH_ON, measured, way=Way.OBSERVED)
    if made_without(fitted):
        return not_applicable("this unit was made without a TPM", measured, Way.OBSERVED)
    if limits.get("board_worked") is not None:
        return cannot_tell("no TPM shows, and nobody says whether this unit has one", _ASK)
    return not_applicable("no TPM shows, and none is known to be in this unit", measured)


_SWITCH_ON = (
    "switch it on in the firmware's setup, and warn the owner that an encrypted drive may ask for its "
    "recovery key"
)
_ASK = "look in the firmware's setup or the unit's documents, answer the question, and run again"


TPM = Check(
    id="board.tpm",
    kind=PartKind.BOARD,
    asks="Does the trusted platform module show?",
    catches="module switched off by a reset of the firmware's setup",
    source="Linux, Documentation/ABI/stable/sysfs-class-tpm",
    stage=Stage.INVENTORY,
    depth=Depth.PRESENCE,
    ways=(Way.INSTRUMENT, Way.OBSERVED),
    evidence=TrustModules,
    limits=tpm_limits,
    measure=measure_tpm,
    judge=judge_tpm,
    whole_unit=True,
)

CHECKS = (FIRMWARE, TPM)
