"""A `Machine` made of values: a sound laptop unless told otherwise, and a person who answers.

`laptop(cameras=())` is one without a camera. Facts are attributes; what acts is remembered, not done.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from checks.check import Check, Subject
from checks.machine import (
    Camera,
    ChainSignal,
    Drive,
    Fan,
    Machine,
    MemorySlot,
    Question,
    Radio,
    TemperatureSensor,
)
from reports.model.baseline import Baseline, Settings
from reports.model.evidence import Absent, Answer, Reading, Value, Why
from reports.model.finding import Depth, Judgement
from reports.model.order import SCHEMA, Action, Form, Line, Order, Unit
from reports.model.record import Identity, Source
from reports.model.servicemap import Part, PartKind

GIB = 2**30
PERSON = "t7"


def said(value: Value, unit: str = "", source: str = "test") -> Reading:
    return Reading(value, unit, source)


def absent(why: Why = Why.NOT_THERE, detail: str = "") -> Absent:
    return Absent(why, "test", detail)


def slot(locator: str = "Slot 1", gib: float = 8, **changes: Any) -> MemorySlot:
    """A filled slot, or with 0 GiB an empty one, as a firmware table has it."""
    empty = not gib
    plain: dict[str, Any] = {
        "locator": said(locator),
        "bank": said(f"Channel {locator[-1]}"),
        "capacity": said(int(gib * GIB), "bytes"),
        "form_factor": said("SODIMM"),
        "memory_type": said("Unknown" if empty else "DDR4"),
        "rated_speed": absent() if empty else said(3200, "MT/s"),
        "configured_speed": absent() if empty else said(3200, "MT/s"),
        "serial": absent() if empty else said(f"4C1907A{locator[-1]}"),
        "part_number": absent() if empty else said("HG-D4S-8G32"),
    }
    return MemorySlot(**plain | changes)


def drive(**changes: Any) -> Drive:
    """A drive of 512 GB inside the unit."""
    plain: dict[str, Any] = {
        "id": "pci-0000:01:00.0-nvme-1",
        "transport": said("nvme"),
        "model": said("HG-N512"),
        "serial": said("HN5-20417733"),
        "capacity": said(512_110_190_592, "bytes"),
        "removable": said(False),
        "boot_stick": False,
    }
    return Drive(**plain | changes)


def stick(**changes: Any) -> Drive:
    """The medium that the agent runs from."""
    plain = {"id": "usb-3", "transport": said("usb"), "serial": said("BS-0007"), "removable": said(True)}
    return drive(**{**plain, "capacity": said(15_518_924_800, "bytes"), "boot_stick": True, **changes})


def radio(**changes: Any) -> Radio:
    plain: dict[str, Any] = {
        "id": "pci-0000:02:00.0",
        "model": said("two-chain card"),
        "driver": said("wl_test"),
        "soft_blocked": said(False),
        "hard_blocked": said(False),
    }
    return Radio(**plain | changes)


def chains(*dbm: float | Absent, frames: int = 40) -> tuple[ChainSignal, ...]:
    """What each antenna chain hears."""
    return tuple(
        ChainSignal(index, level if isinstance(level, Absent) else said(level, "dBm"), frames)
        for index, level in enumerate(dbm)
    )


def camera(**changes: Any) -> Camera:
    return Camera(**{"id": "usb-7", "model": said("camera"), "driver": said("uvcvideo"), **changes})


def identity(**changes: str | Reading | Absent) -> Identity:
    """Who the sound laptop says it is."""
    plain = {
        "maker": "Tarnwick",
        "product": "Fellside 14",
        "serial": "TF14-0193-8841",
        "sku": "TF14-512-16",
        "uuid": "5f0c1d52-7a3e-4b7c-9d41-2e60b8a4c917",
        "firmware_version": "1.08",
        "firmware_date": "2025-11-04",
        "board_serial": "FB-88041207",
        "chassis_serial": "TF14-0193-8841",
    }
    members = {**plain, **changes}
    return Identity(
        **{name: said(value) if isinstance(value, str) else value for name, value in members.items()}
    )


def settings(
    secure_boot: bool = True, boot: tuple[str, ...] = ("Example system",), **changes: Any
) -> Settings:
    """The settings of the sound laptop's firmware."""
    plain = Settings(said(secure_boot), tuple(said(name) for name in boot), said("AHCI"))
    return replace(plain, **changes)


@dataclass
class FakeClock:
    """Time that moves when somebody sleeps."""

    seconds: float = 0.0

    def monotonic(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        self.seconds += max(seconds, 0.0)

    def utc(self) -> datetime:
        return datetime(2026, 3, 2, 8, tzinfo=UTC) + timedelta(seconds=self.seconds)


@dataclass
class FakeMachine:
    """Fits `checks.machine.Machine`. `facts` by the name of the question; `loads` counts what was loaded."""

    facts: Mapping[str, Any]
    clock: FakeClock = field(default_factory=FakeClock)
    source: Source = Source.RECORDED
    busy: int = 0
    loads: list[int] = field(default_factory=list)

    def identity(self) -> Identity:
        return self.facts["identity"]

    def memory_slots(self) -> tuple[MemorySlot, ...] | Absent:
        return self.facts["memory_slots"]

    def memory_total(self) -> Reading | Absent:
        return self.facts["memory_total"]

    def drives(self) -> tuple[Drive, ...] | Absent:
        return self.facts["drives"]

    def hidden_storage(self) -> Reading | Absent:
        return self.facts["hidden_storage"]

    def firmware_settings(self) -> Settings:
        return self.facts["firmware_settings"]

    def radios(self) -> tuple[Radio, ...] | Absent:
        return self.facts["radios"]

    def chain_signals(self, radio: str) -> tuple[ChainSignal, ...] | Absent:
        heard = self.facts["chain_signals"]
        return heard[radio] if isinstance(heard, Mapping) else heard

    def cameras(self) -> tuple[Camera, ...] | Absent:
        return self.facts["cameras"]

    def fans(self) -> tuple[Fan, ...] | Absent:
        return self.facts["fans"]

    def fan_speed(self, fan: str) -> Reading | Absent:
        return self.facts["fan_speed"]

    def temperature_sensors(self) -> tuple[TemperatureSensor, ...] | Absent:
        return self.facts["temperature_sensors"]

    def temperature(self, sensor: str) -> Reading | Absent:
        return self.facts["temperature"]

    def processor_sensor(self) -> str | None:
        return self.facts["processor_sensor"]

    def package_energy(self) -> Reading | Absent:
        return self.facts["package_energy"]

    def cores(self) -> int:
        return self.facts["cores"]

    def on_mains(self) -> Reading | Absent:
        return self.facts["on_mains"]

    def load(self, cores: int) -> Any:
        return self._load(cores)

    @contextmanager
    def _load(self, cores: int) -> Iterator[None]:
        self.loads.append(cores)
        before, self.busy = self.busy, self.busy + cores
        try:
            yield
        finally:
            self.busy = before


def laptop(**facts: Any) -> FakeMachine:
    """A sound laptop: two modules of 8 GiB, one drive and the stick, a radio with two chains, a camera."""
    plain: dict[str, Any] = {
        "identity": identity(),
        "memory_slots": (slot("Slot 1"), slot("Slot 2")),
        "memory_total": said(16 * GIB - 400 * 2**20, "bytes"),
        "drives": (drive(), stick()),
        "hidden_storage": absent(),
        "firmware_settings": settings(),
        "radios": (radio(),),
        "chain_signals": chains(-49.0, -52.0),
        "cameras": (camera(),),
        "fans": (Fan("fan-1", "Fan"),),
        "fan_speed": said(2400.0, "rpm"),
        "temperature_sensors": (TemperatureSensor("cpu", "coretemp", "Package", said(100.0, "celsius")),),
        "temperature": said(45.0, "celsius"),
        "processor_sensor": "cpu",
        "package_energy": absent(Why.NOT_SUPPORTED),
        "cores": 4,
        "on_mains": said(True),
    }
    assert not facts.keys() - plain.keys()
    return FakeMachine(plain | facts)


@dataclass
class Bench:
    """The person at the bench: `answers` by question id; who does not know it does not answer."""

    answers: Mapping[str, str] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)

    def ask(self, question: Question) -> Answer | Absent:
        self.asked.append(question.id)
        words = self.answers.get(question.id)
        if words is None:
            return Absent(Why.DID_NOT_ANSWER, "person")
        assert words in question.options
        return Answer(question.text, words, PERSON)

    def tell(self, words: str, fraction: float) -> None:
        assert words
        assert 0.0 <= fraction <= 1.0


def part(kind: PartKind, id: str = "", **changes: Any) -> Part:
    name = id or kind.value
    return Part(name, name.replace("-", " "), kind, "base", **changes)


def order(*lines: Line, form: Form = Form.LAPTOP, **unit: str) -> Order:
    """An order for the sound laptop."""
    said = Unit(form, **{"serial": "TF14-0193-8841", **unit})
    return Order(SCHEMA, "LM-2093", "2026-03-02", said, "does not start", lines, "t7")


def replaced(part: str, **changes: Any) -> Line:
    return Line(part, Action.REPLACED, **changes)


def subject(
    kind: PartKind,
    *lines: Line,
    about: Part | None = None,
    peers: tuple[Part, ...] = (),
    depth: Depth = Depth.FUNCTION,
    baseline: Baseline | None = None,
    worked: tuple[Part, ...] = (),
    **unit: Any,
) -> Subject:
    """The only part of its kind, with its line if there is one."""
    it = about or part(kind)
    line = next((line for line in lines if line.part == it.id), None)
    return Subject(it, order(*lines, **unit), depth, line, peers or (it,), baseline, worked)


def judged(
    check: Check[Any], machine: Machine, about: Subject, person: Bench | None = None
) -> tuple[Judgement, Any]:
    """The check, measured and judged, and its evidence."""
    evidence = check.measure(machine, about, person or Bench())
    return check.judge(evidence, check.limits(about)), evidence
