"""A scenario from the unit's start to the signed report, and whether what came is what must come."""

from __future__ import annotations

import json
import re
import subprocess
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread
from typing import Any

from agent.planning.mapcheck import INVENTED, generic_map
from agent.reference import NAMES
from checks.measures.air import digest_of
from reports.codec import load_map, to_json
from reports.model.bench import SCHEMA, VALID_DAYS, AccessPoint, Band, BenchReference
from reports.model.evidence import Absent, Reading, Why
from reports.model.order import Form
from reports.model.record import Source
from reports.utc import utc_text
from tests.support.boots import BIOS, SECURE_BOOT, UEFI, VirtualComputer
from tests.unit import smbios
from tests.unit.bench import MOUNT, PASSPHRASE, RELEASE, Stick, make_disk, make_stick, make_whole_stick
from tests.unit.cell import Cell
from tests.unit.climate import TEMPERATURE, Climate, Cooling
from tests.unit.image import Image
from tests.unit.parts import PARTS, trust_module
from tests.unit.scenario import Scenario, Unit
from tests.unit.virtual import (
    Answering,
    Hardware,
    Qmp,
    SetUpFailed,
    Terminal,
    VirtualUnit,
    acpi_table,
    connected,
    devices,
    running,
    switched_on,
)

AGENT = "benchproof"

TRUTH = {
    "is it lit?": "it is lit",
    "nothing lies on a drive of it": "it was empty",
    "Does it show now": "it does not show",
    "is air moving at its outlet": "air moves",
    "no Bluetooth controller": "it was made without",
    "is the owner's system listed": "it is listed",
    "How does it stand": "closed, as in use",
    "could not be heated from here": "warm, a hand bears it",
    "close the shutter or slide": "it has none",
    "wave a hand before it": "cannot tell",  # nothing waves there: the camera's picture moves by itself
}
"""What somebody in front of any sound unit of ours would answer, by words of the question."""
_TROUBLED = ("fail", "inconclusive")


@dataclass
class Started:
    """A unit that is set up, with its stick in it, and the reports seen so far."""

    unit: Unit
    boot: str
    virtual: VirtualUnit
    climate: Climate
    stick: Stick
    answers: Mapping[str, str]
    seen: set[str] = field(default_factory=set)

    def answer(self, scenario: Scenario | None) -> Answering:
        return answering(self.answers, scenario)


def answering(answers: Mapping[str, str], scenario: Scenario | None) -> Answering:
    """Who sits at the terminal: options by words of the question."""
    known = {**TRUTH, **answers, **(scenario.answers if scenario else {})}

    def choose(question: str, options: Sequence[str]) -> str:
        for words, option in known.items():
            if words in question:
                return str(options.index(option) + 1)
        raise SetUpFailed(f"nobody knows what to answer: {question} {options}")

    return choose


@dataclass(frozen=True)
class Came:
    """What came of a run: the signed report, verified, and how long the run took. No exit status comes from a
    unit that was started from the stick and went off."""

    status: int | None
    refused: str
    report: Mapping[str, Any]
    screen: str
    seconds: float
    bad_cell: str = ""
    """What the reason must say of the cell that did not hold (`cell.py`)."""

    @property
    def findings(self) -> Mapping[str, Mapping[str, Any]]:
        return {f"{each['check']}/{each['part']}": each for each in self.report["findings"]}


@contextmanager
def started(unit: Unit, boot: str, image: Image, folder: Path) -> Iterator[Started]:
    """The unit booted and set up as its file says."""
    data = unit.started(boot)
    folder.mkdir(parents=True)
    stick = make_stick(folder, dict(_documents(unit, data)))
    parts = [PARTS[name] for name in data.get("parts", ()) if name != "tpm"]
    _files(folder, parts)
    _disks(folder, data)
    with ExitStack() as stack:
        if "tpm" in data["parts"]:
            stack.enter_context(trust_module(folder))
        hardware = Hardware(
            data["memory_mib"],
            data["processors"],
            smbios.write(folder, data["firmware"]),
            data["devices"],
            data.get("acpi", ()),
            data.get("clock", ""),
            "on" if data.get("keyboard", False) else "off",
            {TEMPERATURE: 3031} | {int(offset): value for offset, value in data.get("mailbox", {}).items()},
        )
        virtual = stack.enter_context(running(folder, image, hardware, stick.image))
        virtual.set_up("worked </dev/null >/dev/null 2>&1 &")
        climate = Climate(virtual, Cooling(**data.get("cooling", {})))
        climate.start()
        stack.callback(climate.stop)
        for command in (
            *(command for part in parts for command in part.commands),
            *data.get("set_up", ()),
            MOUNT,
        ):
            virtual.set_up(command)
        here = Started(unit, boot, virtual, climate, stick, data.get("answers", {}))
        if data.get("baseline"):
            _record(here, data["baseline"])
        yield here


def _disks(folder: Path, data: Mapping[str, Any]) -> None:
    for name, disk in data.get("disks", {}).items():
        make_disk(folder / name, disk["bytes"], disk["efi"])


def _files(folder: Path, parts: Sequence[Any]) -> None:
    for part in parts:
        for name, content in (part.files or {}).items():
            path = folder / "shared" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)


def number_of(order: str) -> str:
    return f"LM-{order}"


def _documents(unit: Unit, data: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """What lies on the stick, by its path there."""
    for name, order in _orders(unit, data):
        yield f"orders/{name}.json", order
    for name, service_map in _maps(data):
        yield f"maps/{name}.json", service_map
    if "air" in data:
        yield NAMES[Source.LIVE], to_json(_reference(data["air"]))


def _reference(air: Mapping[str, Mapping[str, Any]]) -> BenchReference:
    """What a known-good radio heard here yesterday: `air` says channel, sender and level of each band."""
    taken, salt = datetime.now(UTC) - timedelta(days=1), "0417" * 8
    heard = tuple(
        AccessPoint(
            Band(band),
            digest_of(each["sender"], salt),
            each["channel"],
            Reading(each["dbm"], "dBm", "nl80211"),
            10,
        )
        for band, each in air.items()
    )
    nobody = Absent(Why.NOT_SUPPORTED, "room", "nobody said")
    return BenchReference(
        SCHEMA, "bench-0417", utc_text(taken), VALID_DAYS, salt, heard, nobody, nobody, Source.LIVE
    )


def _orders(unit: Unit, data: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The orders of the unit: what its firmware says as it should be, and the lines of each."""
    firmware = unit.data["firmware"]
    known = {name: firmware[name] for name in ("serial", "product", "uuid", "sku")}
    for name, lines in data["orders"].items():
        yield (
            number_of(name),
            {
                "schema": "benchproof/order/1",
                "number": number_of(name),
                "ordered": "2026-03-16",
                "unit": {
                    "form": data["form"],
                    "family": data.get("family", ""),
                    "maker": "Tarnwick",
                    **known,
                },
                "complaint": "shuts down during video calls",
                "technician": "t-07",
                "lines": lines,
                "budget_minutes": 60,
            },
        )


def _maps(data: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The unit's own service map, where its file gives one: the generic map of its form, with more limits, or
    that of its invented family, with other ones (`[map.other]`), since families come in several makes."""
    if "map" not in data:
        return
    if "other" in data["map"]:
        service_map = to_json(load_map(INVENTED[data["family"]]))
        for part in service_map["parts"]:
            part["limits"] = data["map"]["other"].get(part["id"], part.get("limits", ()))
        yield data["family"], service_map
        return
    service_map = to_json(generic_map(Form(data["form"])))
    service_map |= {"family": data["family"], "title": data["map"]["title"], "generic": False}
    for part in service_map["parts"]:
        part["limits"] = [*part.get("limits", ()), *data["map"].get("limits", {}).get(part["id"], ())]
    yield data["family"], service_map


def _record(here: Started, order: str) -> None:
    """The baseline, as a technician takes it."""
    command = f"{AGENT} baseline {number_of(order)} --bench /bench"
    status, text = here.virtual.terminal.run(command, here.answer(None))
    if status != 0:
        raise SetUpFailed(f"no baseline, status {status}:\n{text}")


def perform(here: Started, scenario: Scenario, folder: Path) -> Came:
    """Inject, run, read the report from the stick, put back."""
    virtual = here.virtual
    for command in scenario.inject:
        _act(here, command)
    sound = here.climate.cooling
    here.climate.cooling = replace(sound, **scenario.cooling)
    here.climate.settle()
    cell = Cell(virtual.memory, scenario.bad_bit) if scenario.bad_bit is not None else None
    began = time.monotonic()
    try:
        command = (
            f"{AGENT} run {number_of(scenario.order)} --bench /bench --passphrase-file /bench/passphrase"
        )
        with cell or nullcontext():
            status, screen = virtual.terminal.run(command, here.answer(scenario))
        seconds = time.monotonic() - began
        virtual.set_up(RELEASE)
        refused, report = _read_back(here.stick, here.seen, folder, screen)
        virtual.set_up(MOUNT)
    finally:
        here.climate.cooling = sound
        here.climate.settle()
        for command in scenario.restore:
            _act(here, command)
    bad_cell = _words_of(cell, here.unit.data["firmware"]["memory"]) if cell else ""
    return Came(status, refused, report, screen, seconds, bad_cell)


def _words_of(cell: Cell, slots: Sequence[Mapping[str, Any]]) -> str:
    """Module, address and bit of the cell that was forced."""
    address = cell.physical
    if address is None:
        raise SetUpFailed("no cell was forced: the trial never held ones in one piece")
    module = next(
        f"Slot {number}"
        for number, slot in enumerate(slots, 1)
        for first, end in slot.get("mapped_gib", ())
        if first << 30 <= address < end << 30
    )
    return f"memory in {module} read wrong at physical address {address:#x}: bit {cell.bit} of 64"


def _act(here: Started, command: str) -> None:
    """A line of a scenario: `qmp: {...}` for QEMU, `mailbox: OFFSET VALUE`, else a command in the unit."""
    if command.startswith("qmp:"):
        asked = json.loads(command.removeprefix("qmp:"))
        here.virtual.qmp.ask(asked["execute"], asked.get("arguments"))
    elif command.startswith("mailbox:"):
        offset, value = command.removeprefix("mailbox:").split()
        here.virtual.write(int(offset), int(value))
    else:
        here.virtual.set_up(command)


def _read_back(stick: Stick, seen: set[str], folder: Path, screen: str) -> tuple[str, Mapping[str, Any]]:
    """The one report that is new on the stick, and what verifying it against the shop's root refuses."""
    found = [path for path in stick.reports(folder) if path.parent.name not in seen]
    if len(found) != 1:
        raise SetUpFailed(f"{len(found)} new reports on the stick:\n{screen[-3000:]}")
    seen.add(found[0].parent.name)
    return stick.verify(found[0]), dict(json.loads(found[0].read_text()))


# -- started from the whole stick --------------------------------------------------------------------

FIRMWARE = {each.name: each for each in (BIOS, UEFI, SECURE_BOOT)}

_SOMEBODY = {
    "starts alone in .*any key stops that *": "",
    "Enter = 1: ": "",
    "passphrase of the bench key: ": PASSPHRASE,
    "-- Enter shows more --": "",
    "Enter starts, b goes back[^:]*: ": "",
    "Enter switches the unit off, a starts another run: ": "",
}
"""What a technician types who takes the order that is offered."""
_NOBODY = {
    "is switched off in .*any key stops that.\n": "",
    "Enter switches the unit off, a starts another run: ": "",
}
"""Somebody comes back when the run is over; it may have been shown on the screen, and not on the line."""


def perform_whole(unit: Unit, scenario: Scenario, image: Image, folder: Path) -> Came:
    """Start from a stick by the unit's own firmware; the agent starts by itself, on the serial line too."""
    data = unit.started(scenario.boot)
    folder.mkdir(parents=True)
    _disks(folder, data)
    stick = make_whole_stick(folder, image.whole, dict(_documents(unit, data)))
    options = [*devices(folder, data["devices"]), "-acpitable", f"file={acpi_table(folder, ['STILL'])}"]
    for structure in smbios.write(folder, data["firmware"]):
        options += ["-smbios", f"file={structure}"]
    port = folder / "serial"
    computer = VirtualComputer(
        folder,
        FIRMWARE[data["stick"]],
        data["memory_mib"],
        options=options,
        serial=f"unix:{port},server=on,wait=off",
    )
    began = time.monotonic()
    person = None if data.get("nobody") else answering(data.get("answers", {}), scenario)
    command = [*computer.command(stick.image), "-qmp", f"unix:{folder / 'qmp'},server=on,wait=off"]
    with (
        switched_on(folder, command) as process,
        connected(port, process) as connection,
        connected(folder / "qmp", process) as control,
    ):
        if person is None:
            Thread(target=_come_back, args=(stick, Qmp(control), process), daemon=True).start()
        screen = Terminal(connection).converse(None, person, _SOMEBODY if person else _NOBODY)
        process.wait(60)
    seconds = time.monotonic() - began
    return Came(None, *_read_back(stick, set(), folder, screen), screen, seconds)


def _come_back(stick: Stick, qmp: Qmp, process: subprocess.Popen[bytes]) -> None:
    """Press Enter at the screen once the report is there, until the unit is off."""
    while process.poll() is None:
        time.sleep(3.0)
        if stick.is_done():
            with suppress(SetUpFailed, OSError):
                qmp.ask("send-key", {"keys": [{"type": "qcode", "data": "ret"}]})


# -- what must come ----------------------------------------------------------------------------------


def differences(scenario: Scenario, came: Came) -> list[str]:
    """Where what came is not what the scenario says; empty where it is."""
    return [*_verdicts(scenario, came), *_findings(scenario, came), *_caught(scenario, came)]


def _verdicts(scenario: Scenario, came: Came) -> Iterator[str]:
    statuses = {"ready": 0, "hold": 1, "incomplete": 3}
    if came.report["verdict"] != scenario.verdict:
        yield f"verdict {came.report['verdict']}, expected {scenario.verdict}"
    if came.status not in (statuses[scenario.verdict], None):
        yield f"exit status {came.status}, expected {statuses[scenario.verdict]}"
    if came.refused != scenario.refused:
        yield f"verify refused it for {came.refused or 'nothing'}, expected {scenario.refused or 'nothing'}"
    if came.report["source"] != "live":
        yield f"source {came.report['source']}"


def _findings(scenario: Scenario, came: Came) -> Iterator[str]:
    expected = dict.fromkeys(scenario.fails, "fail") | dict.fromkeys(scenario.unmeasured, "inconclusive")
    for id, finding in came.findings.items():
        found = finding["judgement"]["verdict"]
        wanted = expected.get(id)
        if found != wanted and (wanted or found in _TROUBLED):
            yield f"{id}: {found}, expected {wanted or 'a pass'}: {finding['judgement']['reason']}"
    for id in expected.keys() - came.findings.keys():
        yield f"{id}: not planned"


def _caught(scenario: Scenario, came: Came) -> Iterator[str]:
    """Whether the finding that catches the fault says what to do and where to look first."""
    catches = came.findings.get(next(iter((*scenario.fails, *scenario.unmeasured)), ""))
    if catches is None:
        return
    advice = catches["judgement"]["advice"]
    if not re.search(scenario.advice, advice):
        yield f"advice {advice!r}, expected {scenario.advice!r}"
    reason = catches["judgement"]["reason"]
    if not reason.startswith(came.bad_cell):
        yield f"reason {reason!r}, expected {came.bad_cell!r}"
    looked = [
        f"{each['name']}, {each['end']} end" if each["end"] else each["name"] for each in catches["suspects"]
    ]
    if scenario.suspect and looked[:1] != [scenario.suspect]:
        yield f"first suspects {looked[:3]}, expected {scenario.suspect!r}"
