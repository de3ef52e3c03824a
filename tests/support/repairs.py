"""Whole reports of repairs: for pages that are looked at, and for archives that are counted."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from math import exp
from typing import Any

from reports.canonical import digest
from reports.codec import to_json
from reports.credential import issue_credential
from reports.model.evidence import Gap, Reading, Series, Why
from reports.model.finding import (
    Cannot,
    Depth,
    Finding,
    How,
    Judgement,
    Limit,
    Link,
    Origin,
    Stage,
    Verdict,
    Way,
    Weight,
)
from reports.model.order import Action, Condition, Line, Order, Piece
from reports.model.record import ClockNote, Report, Source
from reports.multikey import Role, fingerprint
from tests.support import signed

BOARD = Link("main-board", "main board", How.WORKED, line=1, action="replaced")
PASTE = Link("thermal-compound", "thermal compound", How.WORKED, line=2, action="replaced")
CAMERA = (Link("camera-cable", "camera cable", How.UNPLUGGED, end="main board"), BOARD)
FAN = (Link("fan-cable", "fan cable", How.UNPLUGGED, end="main board"), BOARD)

ROOT = signed.signer("root of a rehearsal", Role.ROOT)
PRACTICE = signed.signer("key of a rehearsal", Role.BENCH)
PRACTICE_TRUST = fingerprint(ROOT.multikey)


def passed(reason: str, value: Any = None, unit: str = "", limit: Limit | None = None) -> Judgement:
    measured = None if value is None else Reading(value, unit, "where it was read")
    return Judgement(Verdict.PASS, reason, way=Way.INSTRUMENT, measured=measured, limit=limit)


def failed(reason: str, advice: str, value: Any, unit: str, limit: Limit | None = None) -> Judgement:
    return Judgement(
        Verdict.FAIL, reason, advice, Way.INSTRUMENT, Reading(value, unit, "where it was read"), limit
    )


def unanswered(reason: str = "nobody was there", cannot: Cannot = Cannot.DID_NOT_ANSWER) -> Judgement:
    return Judgement(Verdict.INCONCLUSIVE, reason, "ask again", cannot=cannot)


def one(check: str, part: str, judgement: Judgement, **changes: Any) -> Finding:
    """A finding of `check` on the part called `part`; its kind is that of the check."""
    kind = check.partition(".")[0]
    said = {"part": part.replace(" ", "-"), "part_name": part, "part_kind": kind, "check": check}
    return signed.finding(judgement=judgement, **{**said, "because": (), **changes})


def heat(load_began_s: float = 60.0, load_ended_s: float = 420.0, highest: float = 78.0) -> dict[str, Any]:
    """Ten minutes of a processor: idle, under load, cooling; two readings are missing."""
    values: list[float | None] = []
    for index in range(300):
        at = index * 2.0
        warm = 1 - exp(-max(0.0, min(at, load_ended_s) - load_began_s) / 80)
        cool = exp(-max(0.0, at - load_ended_s) / 70)
        values.append(round(38 + (highest - 38) * warm * cool + (index * 7 % 5 - 2) * 0.12, 1))
    values[200] = values[201] = None
    gaps = tuple(Gap(index, Why.DID_NOT_ANSWER) for index in (200, 201))
    series = Series("hwmon temp1_input", "celsius", 30.0, 2.0, tuple(values), gaps)
    busy = tuple(8.0 if load_began_s <= index * 2.0 <= load_ended_s else 0.0 for index in range(300))
    return {
        "temperature": to_json(series),
        "cores": to_json(Series("load workers", "cores", 30.0, 2.0, busy)),
        "safe": to_json(Reading(92.0, "celsius", "the sensor's critical limit minus the margin")),
    }


def order() -> Order:
    """A main board and its thermal compound, replaced in an all-in-one that switched itself off."""
    lines = (
        Line(
            "main-board",
            Action.REPLACED,
            Condition.REFURBISHED,
            fitted=Piece("MB-77120418", "TW-A24-MB2"),
            removed=Piece("MB-52003311", "TW-A24-MB1"),
        ),
        Line("thermal-compound", Action.REPLACED, fitted=Piece(part_number="LM-TC-4")),
    )
    complaint = "Switches itself off after half an hour; the fan is loud before it does."
    return replace(signed.report().order, lines=lines, complaint=complaint)


def findings(fan: Judgement | None = None, wireless: Judgement | None = None) -> tuple[Finding, ...]:
    """The checks of that repair; all pass but for what is given."""
    least = Limit("minimum_rpm", 600.0, "rpm", Origin.SERVICE_MAP)
    safe = Limit("safe_temperature", 92.0, "celsius", Origin.RATING, "critical limit of the sensor less 8 °C")
    size = Limit("capacity", 512_000_000_000, "bytes", Origin.ORDER_LINE, "line 1")
    serial = Limit("serial", "TA24-0193", "", Origin.ORDER_LINE)
    load = {"stage": Stage.LOAD, "depth": Depth.SUSTAINED}
    quiet = {"weight": Weight.ADVISORY}
    nothing = Judgement(Verdict.NOT_APPLICABLE, "this computer has one sensor only")
    return (
        one(
            "board.identity",
            "main board",
            passed("serial number and model are those of the order", "TA24-0193", "", serial),
            because=(BOARD,),
        ),
        one(
            "memory.capacity", "memory", passed("16 GB fitted, 15.6 GB given to programs", 16 << 30, "bytes")
        ),
        one("memory.modules", "memory", passed("two modules, one in each slot")),
        one("storage.present", "drive", passed("the drive is found", 512_110_190_592, "bytes", size)),
        one(
            "fan.spin",
            "fan",
            fan or passed("the fan never fell below 1180 rpm", 1180.0, "rpm", least),
            because=FAN,
        ),
        one(
            "wireless.present",
            "wireless module",
            wireless or passed("both aerials receive: −48 and −51 dBm", -48.0, "dBm"),
            because=(Link("antenna-main", "aerial lead", How.UNPLUGGED, end="wireless module"), BOARD),
        ),
        one("thermal.plausible", "processor cooler", nothing, because=(PASTE,)),
        one(
            "thermal.load",
            "processor cooler",
            passed(
                "the temperature rose by 40 °C and levelled off well below the limit", 78.2, "celsius", safe
            ),
            because=(PASTE,),
            evidence=heat(),
            **load,
        ),
        one("camera.present", "camera", passed("the camera is found"), because=CAMERA),
        one(
            "touch.present",
            "touch layer",
            unanswered("the program was not allowed to look", Cannot.NOT_PERMITTED),
            **quiet,
        ),
    )


def report(*found: Finding, number: str = "LM-2093", **changes: Any) -> Report:
    """An unsigned report of that repair on live hardware."""
    numbered = replace(order(), number=number)
    whole = {
        "order": numbered,
        "order_digest": digest(to_json(numbered)),
        "unproven": ("the whole travel of the stand: nobody was there to move it",),
    }
    return signed.report(*(found or findings()), **whole | changes)


def rehearsed(unsigned: Report) -> Report:
    """The same as a rehearsal, under a credential of a throw-away key."""
    held = issue_credential(
        ROOT,
        role=Role.BENCH,
        name="throw-away key",
        subject=PRACTICE.multikey,
        now=signed.NOW,
        days=1,
        throw_away=True,
    )
    chain = replace(unsigned.chain, chain=signed.report(certified=held).chain.chain)
    return replace(unsigned, source=Source.REHEARSAL, credential=held, chain=chain)


def placed(unsigned: Report, at: datetime = signed.NOW, chain: int = 0, position: int = 1) -> Report:
    """The same, begun at `at`, at a place of one of the bench's chains."""
    stem = unsigned.chain.chain.partition("-")[0]
    began = at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    where = replace(unsigned.chain, chain=f"{stem}-{chain:032x}", position=position)
    return replace(unsigned, chain=where, clock=ClockNote(began, began, "the unit's own clock"))


def file_of(unsigned: Report) -> bytes:
    """The bytes of the signed report, as a stick holds them."""
    by = PRACTICE if unsigned.credential["throw_away"] else signed.BENCH
    return json.dumps(signed.signed(unsigned, by), indent=1).encode()


def trust_of(unsigned: Report) -> str:
    """The fingerprint under which that report verifies."""
    return PRACTICE_TRUST if unsigned.credential["throw_away"] else signed.TRUST
