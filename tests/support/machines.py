"""A `Machine` made of values: a sound laptop unless told otherwise, and a person who answers.

`laptop(cameras=())` is one without a camera. Facts are attributes; what acts is remembered, not done.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from checks.board.start import EFI_SYSTEM
from checks.check import Check, Subject
from checks.machine import (
    NOT_ALLOWED,
    Backlight,
    BadWord,
    Battery,
    BootEntry,
    BusLink,
    Camera,
    CardReader,
    ChainSignal,
    Charge,
    ClockState,
    Complaint,
    ComputeTrial,
    CoreTrial,
    DisplayConnector,
    Drawn,
    Drive,
    DriveHealth,
    DriveLayout,
    DriveReader,
    ErrorCounts,
    Fan,
    GraphicsAdapter,
    GraphicsChip,
    GraphicsLoad,
    InputDevice,
    InputSort,
    KernelLog,
    LinkErrors,
    Look,
    Machine,
    MemoryErrors,
    MemorySlot,
    MemoryTrial,
    Network,
    NetworkAdapter,
    Partition,
    Processor,
    Question,
    Radio,
    Restraint,
    SoundCard,
    TemperatureSensor,
    TrustModule,
    Use,
    Volume,
)
from checks.measures.air import digest_of
from reports.model import bench
from reports.model.baseline import Baseline, Settings
from reports.model.bench import AccessPoint, Band, BenchReference
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


def drive_health(**changes: Any) -> DriveHealth:
    """What the drive of the sound laptop says of itself; on SATA, so that every count is kept."""
    plain: dict[str, Any] = {
        "id": "pci-0000:01:00.0-nvme-1",
        "sound": said(True),
        "warnings": said(""),
        "worn": said(""),
        **dict.fromkeys(("reallocated", "pending", "uncorrectable", "unrecovered"), said(0)),
        "interface_errors": said(17),
        "spare": said(100, "percent"),
        "spare_threshold": said(10, "percent"),
        "used": said(1, "percent"),
        "hours": said(12, "h"),
        "starts": said(20),
        "temperature": said(38, "celsius"),
    }
    return DriveHealth(**plain | changes)


def volume(number: int = 1, signature: str = "ntfs", use: Use = Use.FILES, **changes: Any) -> Volume:
    """A volume; with "" one in which nothing was found."""
    found = said(signature) if signature else absent()
    plain = {"number": number, "signature": found, "use": said(use.value) if signature else absent()}
    return Volume(**{**plain, "board_bound": absent(Why.NOT_SUPPORTED), **changes})


def layout(*volumes: Volume, table: str = "gpt") -> DriveLayout:
    return DriveLayout("pci-0000:01:00.0-nvme-1", said(table) if table else absent(), volumes)


@dataclass
class FakeReader:
    """A drive of `size` bytes that takes `took` seconds for each read; `answers` may say otherwise of the
    read with that number, from 1."""

    size: int = 512_110_190_592
    took: float = 0.004
    answers: Mapping[int, Reading | Absent] = field(default_factory=dict)
    reads: list[tuple[int, int]] = field(default_factory=list)
    clock: FakeClock | None = None

    def read(self, offset: int, length: int) -> Reading | Absent:
        self.reads.append((offset, length))
        if self.clock is not None:
            self.clock.sleep(self.took)
        return self.answers.get(len(self.reads), said(self.took, "s"))


def radio(**changes: Any) -> Radio:
    plain: dict[str, Any] = {
        "id": "pci-0000:02:00.0",
        "model": said("two-chain card"),
        "driver": said("wl_test"),
        "soft_blocked": said(False),
        "hard_blocked": said(False),
    }
    return Radio(**plain | changes)


def in_range(mhz: int, dbm: float | Absent, sender: str = "02000000a001", frames: int = 3) -> Network:
    """A network in range."""
    return Network(sender, mhz, dbm if isinstance(dbm, Absent) else said(dbm, "dBm"), frames)


SALT = "5a" * 16


def reference(levels: Mapping[Band, float] | None = None, days: int = 30, **changes: Any) -> BenchReference:
    """The reference of a bench whose access point sends on channels 6 and 36."""
    levels = {Band.LOW: -46.0, Band.MIDDLE: -51.0} if levels is None else levels
    channel = {Band.LOW: 6, Band.MIDDLE: 36, Band.HIGH: 5}
    points = tuple(
        AccessPoint(band, digest_of("02000000a001", SALT), channel[band], said(dbm, "dBm"), 10)
        for band, dbm in levels.items()
    )
    plain: dict[str, Any] = {
        "schema": bench.SCHEMA,
        "id": "bench-2026-03-01-1f00aa",
        "taken": "2026-03-01T12:00:00Z",
        "valid_days": days,
        "salt": SALT,
        "heard": points,
        "ambient": said(21.5, "celsius"),
        "clock": said(0.02, "s"),
    }
    return BenchReference(**plain | changes)


def chains(*dbm: float | Absent, frames: int = 40) -> tuple[ChainSignal, ...]:
    """What each antenna chain hears."""
    return tuple(
        ChainSignal(index, level if isinstance(level, Absent) else said(level, "dBm"), frames)
        for index, level in enumerate(dbm)
    )


def trial(**changes: Any) -> MemoryTrial:
    """A whole trial of 9 of 10 GiB that found nothing, on two processors with a cache of 8 MiB."""
    plain: dict[str, Any] = {
        "available": said(10 * GIB, "bytes"),
        "tried": said(9 * GIB, "bytes"),
        "smallest": said(9 * GIB // 2, "bytes"),
        "cache": said(8 * 2**20, "bytes"),
        "rounds": said(10),
        "wrong": said(0),
        "words": (),
        "ended": absent(),
    }
    return MemoryTrial(**plain | changes)


def bad_word(*modules: str, bits: int = 1 << 17, **changes: Any) -> BadWord:
    """A word of which `bits` read as ones."""
    plain: dict[str, Any] = {
        "address": said(0x1F3A4C8, "bytes"),
        "expected": said(f"{0:016x}"),
        "read": said(f"{bits:016x}"),
        "modules": tuple(said(module) for module in modules),
    }
    return BadWord(**plain | changes)


def view(**changes: Any) -> Look:
    """What a sound camera gives: each member a value, or why there is none."""
    plain: dict[str, Any] = {
        "format": "YUYV 640 by 480",
        "refused": absent(),
        "frames": 90,
        "spoilt": 0,
        "stated": 30.0,
        "rate": 29.9,
        "light": 0.4,
        "contrast": 0.2,
        "sharpness": 6.0,
        "repeats": 0.0,
        "moved": 0.0,
    }
    assert not changes.keys() - plain.keys()
    units = {"stated": "frames_per_s", "rate": "frames_per_s"}
    members = {
        name: value if isinstance(value, Reading | Absent) else said(value, units.get(name, ""))
        for name, value in (plain | changes).items()
    }
    return Look(**members)


def camera(**changes: Any) -> Camera:
    return Camera(**{"id": "usb-7", "model": said("camera"), "driver": said("uvcvideo"), **changes})


def battery(**changes: Any) -> Battery:
    """One that holds 83 % of its 50 Wh."""
    plain: dict[str, Any] = {
        "id": "acpi-PNP0C0A:00",
        "model": said("HG-B4"),
        "present": said(True),
        "design": said(50.0, "watt_hours"),
        "full": said(41.5, "watt_hours"),
        "cycles": said(312),
    }
    return Battery(**plain | changes)


def processor(**changes: Any) -> Processor:
    return Processor(**{"model": said("HG four"), "cores": said(4), "socket_cores": said(4), **changes})


def trust_module(version: Reading | Absent | str = "2.0") -> TrustModule:
    return TrustModule("tpm", said(version) if isinstance(version, str) else version)


def connector(**changes: Any) -> DisplayConnector:
    """The panel of the sound laptop."""
    plain: dict[str, Any] = {
        "id": "eDP-1",
        "internal": True,
        "connected": said(True),
        "fault": said(""),
        "model": said("HGP 1404 HG-P14"),
    }
    return DisplayConnector(**plain | changes)


def graphics(**changes: Any) -> GraphicsAdapter:
    plain: dict[str, Any] = {
        "id": "pci-0000:01:00.0",
        "model": said("HG card"),
        "driver": said("gfx_test"),
        "on_card": said(True),
    }
    return GraphicsAdapter(**plain | changes)


def graphics_chip(**changes: Any) -> GraphicsChip:
    """That of the card, which an open driver has draw."""
    plain: dict[str, Any] = {
        "id": "pci-0000:01:00.0",
        "model": said("HG card"),
        "on_card": said(True),
        "draws": said("/dev/dri/renderD128"),
        "sensors": ("card",),
    }
    return GraphicsChip(**plain | changes)


def drawn(**changes: Any) -> Drawn:
    """What a sound card drew."""
    plain: dict[str, Any] = {
        "driver": said("HG card (gfx_test)"),
        "by_processor": said(False),
        "squares": said(4000),
        "wrong": said(0),
        "ended": absent(),
    }
    return Drawn(**plain | changes)


def network(**changes: Any) -> NetworkAdapter:
    plain: dict[str, Any] = {
        "id": "pci-0000:00:1f.6",
        "model": said("HG network"),
        "driver": said("net_test"),
        "carrier": said(True),
        "speed": said(1000, "Mbit/s"),
        "most_speed": said(1000, "Mbit/s"),
    }
    return NetworkAdapter(**plain | changes)


def sound_card(**changes: Any) -> SoundCard:
    plain = {"id": "pci-0000:00:1f.3", "model": said("HG codec"), "plays": said(True), "records": said(True)}
    return SoundCard(**plain | changes)


def control(*sorts: InputSort, **changes: Any) -> InputDevice:
    plain: dict[str, Any] = {"id": "platform-i8042", "name": said("HG input"), "inside": said(True)}
    return InputDevice(**plain | changes, sorts=sorts)


def reader(**changes: Any) -> CardReader:
    plain = {"id": "pci-0000:03:00.0", "model": said("HG reader"), "driver": said("sdhci-pci")}
    return CardReader(**plain | changes)


def bus_link(lanes: int = 4, of: int = 4, **changes: Any) -> BusLink:
    """A drive on PCI Express."""
    plain: dict[str, Any] = {
        "id": "pci-0000:01:00.0-nvme-1",
        "model": said("HG-N512"),
        "speed": said(8.0, "GT/s"),
        "width": said(lanes, "lanes"),
        "most_speed": said(8.0, "GT/s"),
        "most_width": said(of, "lanes"),
        "lowered": absent(Why.NOT_SUPPORTED),
    }
    return BusLink(**plain | changes)


def sata_link(speed: float | Absent = 6.0, **changes: Any) -> BusLink:
    """A drive on SATA, whose port sets no limit."""
    none = absent(Why.NOT_SUPPORTED)
    rate = speed if isinstance(speed, Absent) else said(speed, "Gbit/s")
    plain: dict[str, Any] = {"speed": rate, "width": none, "most_speed": none}
    return bus_link(**{**plain, "most_width": none, "lowered": said(False), **changes})


def module_errors(
    corrected: int | Absent = 0, uncorrected: int | Absent = 0, id: str = "mc0"
) -> MemoryErrors:
    return MemoryErrors(id, "Slot 1", *(_count(number) for number in (corrected, uncorrected)))


def link_errors(
    corrected: int | Absent = 0, nonfatal: int | Absent = 0, fatal: int | Absent = 0
) -> LinkErrors:
    counts = (_count(number) for number in (corrected, nonfatal, fatal))
    return LinkErrors("pci-0000:01:00.0", "drive or its controller", *counts)


def _count(number: int | Absent) -> Reading | Absent:
    return number if isinstance(number, Absent) else said(number)


def kernel_log(lost: bool = False, **counts: int) -> KernelLog:
    """Errors by sort: `kernel_log(drive=2, machine_check=1)`."""
    names = {sort: sort.value.casefold().replace(" ", "_") for sort in Complaint}
    assert counts.keys() <= set(names.values())
    return KernelLog(tuple(said(counts.get(name, 0)) for name in names.values()), lost)


def error_counts(**changes: Any) -> ErrorCounts:
    """A unit that counts everything, and nothing to count."""
    plain: dict[str, Any] = {
        "memory": (module_errors(),),
        "links": (link_errors(),),
        "log": kernel_log(),
        "machine_checks": said(0),
    }
    return ErrorCounts(**plain | changes)


GUID = "0c5f3a52-7b1e-4d8c-9a41-2e60b8a4c917"


def partition(id: str | Absent = GUID, kind: str | Absent = EFI_SYSTEM) -> Partition:
    """The partition that a system starts from."""
    return Partition(*(each if isinstance(each, Absent) else said(each) for each in (id, kind)))


def backlight(share: float = 0.6, **changes: Any) -> Backlight:
    return Backlight(**{"id": "panel", "brightness": said(share), "lit": said(True), **changes})


def charge(status: Any = "Charging", share: float = 0.8, **changes: Any) -> Charge:
    word = said(status) if isinstance(status, str) else status
    plain: dict[str, Any] = {"id": "acpi-PNP0C0A:00", "status": word, "level": said(share)}
    return Charge(**{**plain, "starts_below": absent(), **changes})


def restraint(slowed: Any = 0.0, clock: float = 1.0, **changes: Any) -> Restraint:
    """Slowed for this share of 100 s, and allowed this share of 3.6 GHz."""
    plain: dict[str, Any] = {
        "slowed": said(100.0 * slowed, "s") if isinstance(slowed, float) else slowed,
        "since_start": said(100.0, "s"),
        "allowed": said(3.6e9 * clock, "hertz"),
        "highest": said(3.6e9, "hertz"),
        "power_limit": absent(Why.NOT_SUPPORTED),
    }
    return Restraint(**plain | changes)


def clock_state(share: Any = 1.1, id: str = "policy0", **changes: Any) -> ClockState:
    """At this share of a base clock of 2 GHz."""
    now = said(2e9 * share, "hertz") if isinstance(share, float) else share
    plain: dict[str, Any] = {"now": now, "base": said(2e9, "hertz"), "highest": said(4e9, "hertz")}
    return ClockState(id, **plain | changes)


def core_trial(number: int = 0, **changes: Any) -> CoreTrial:
    """A core that computed right."""
    plain: dict[str, Any] = {"pinned": said(True), "rounds": said(12), "wrong": said(0)}
    return CoreTrial(number, **{**plain, "sorts": absent(), "ended": absent(), **changes})


def compute_trial(*cores: CoreTrial, **changes: Any) -> ComputeTrial:
    """Of four cores unless they are given."""
    tried = cores or tuple(core_trial(number) for number in range(4))
    return ComputeTrial(**{"cores": tried, "running": said(len(tried)), "ended": absent(), **changes})


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
class Warming:
    """A chip at 35 celsius that draws itself warmer by `rise_k`, and cools again (time constant, s)."""

    rise_k: float = 30.0
    constant_s: float = 15.0
    cools: bool = True
    celsius: float = 35.0
    until_s: float = 0.0

    def __call__(self, machine: FakeMachine, sensor: str) -> Reading:
        passed_s = machine.clock.seconds - self.until_s
        aim = 35.0 + self.rise_k * machine.draws
        if aim > self.celsius or self.cools:
            self.celsius = aim + (self.celsius - aim) * math.exp(-passed_s / self.constant_s)
        self.until_s = machine.clock.seconds
        return said(round(self.celsius, 2), "celsius")


@dataclass
class FakeDrawing:
    """A chip that is ready to draw."""

    machine: FakeMachine

    def drawn(self) -> Drawn:
        return self.machine.facts["drawn"]

    @contextmanager
    def busy(self) -> Iterator[None]:
        self.machine.draws, self.machine.drew = True, True
        try:
            yield
        finally:
            self.machine.draws = False


@dataclass
class FakeMachine:
    """Fits `checks.machine.Machine`. `facts` by the name of the question; `loads` counts what was loaded."""

    facts: Mapping[str, Any]
    clock: FakeClock = field(default_factory=FakeClock)
    source: Source = Source.RECORDED
    busy: int = 0
    loads: list[int] = field(default_factory=list)
    asked_health: int = 0
    trials: list[float] = field(default_factory=list)
    draws: bool = False
    drew: bool = False

    def identity(self) -> Identity:
        return self.facts["identity"]

    def memory_slots(self) -> tuple[MemorySlot, ...] | Absent:
        return self.facts["memory_slots"]

    def memory_total(self) -> Reading | Absent:
        return self.facts["memory_total"]

    def memory_trial(
        self, share: float, rounds: int, seconds: float, watch: Callable[[float], bool]
    ) -> MemoryTrial | Absent:
        """The trial, or what a function makes of what was asked."""
        fact = self.facts["memory_trial"]
        return fact(share, rounds, seconds, watch) if callable(fact) else fact

    def drives(self) -> tuple[Drive, ...] | Absent:
        return self.facts["drives"]

    def drive_health(self, drive: str) -> DriveHealth | Absent:
        """What the drive says, or what a function makes of how often it was asked."""
        fact = self.facts["drive_health"]
        self.asked_health += 1
        return fact(self.asked_health) if callable(fact) else fact

    def drive_layout(self, drive: str) -> DriveLayout | Absent:
        return self.facts["drive_layout"]

    def reading(self, drive: str) -> AbstractContextManager[DriveReader | Absent]:
        fact = self.facts["reading"]
        if isinstance(fact, FakeReader):
            fact.clock = self.clock
        return nullcontext(fact)

    def hidden_storage(self) -> Reading | Absent:
        return self.facts["hidden_storage"]

    def firmware_settings(self) -> Settings:
        return self.facts["firmware_settings"]

    def radios(self) -> tuple[Radio, ...] | Absent:
        return self.facts["radios"]

    def chain_signals(self, radio: str) -> tuple[ChainSignal, ...] | Absent:
        heard = self.facts["chain_signals"]
        return heard[radio] if isinstance(heard, Mapping) else heard

    def networks(self, radio: str, scans: int) -> tuple[Network, ...] | Absent:
        heard = self.facts["networks"]
        return heard[radio] if isinstance(heard, Mapping) else heard

    def frequencies(self, radio: str) -> tuple[int, ...] | Absent:
        return self.facts["frequencies"]

    def cameras(self) -> tuple[Camera, ...] | Absent:
        return self.facts["cameras"]

    def look(self, camera: str, settle_s: float, seconds: float) -> Look | Absent:
        """The fact, or of a list of them one after the other, the last ever after."""
        self.clock.sleep(settle_s + seconds)
        fact = self.facts["look"]
        if isinstance(fact, list):
            return fact.pop(0) if len(fact) > 1 else fact[0]
        return fact

    def fans(self) -> tuple[Fan, ...] | Absent:
        return self.facts["fans"]

    def fan_speed(self, fan: str) -> Reading | Absent:
        return self.facts["fan_speed"]

    def full_speed(self, fan: str) -> AbstractContextManager[Reading | Absent]:
        return nullcontext(NOT_ALLOWED)

    def temperature_sensors(self) -> tuple[TemperatureSensor, ...] | Absent:
        return self.facts["temperature_sensors"]

    def temperature(self, sensor: str) -> Reading | Absent:
        """The temperature, or what a function makes of this machine and the sensor."""
        fact = self.facts["temperature"]
        return fact(self, sensor) if callable(fact) else fact

    def processor_sensor(self) -> str | None:
        return self.facts["processor_sensor"]

    def package_energy(self) -> Reading | Absent:
        """The energy, or what a function makes of the machine's clock."""
        fact = self.facts["package_energy"]
        return fact(self.clock) if callable(fact) else fact

    def cores(self) -> int:
        return self.facts["cores"]

    def on_mains(self) -> Reading | Absent:
        return self.facts["on_mains"]

    def batteries(self) -> tuple[Battery, ...] | Absent:
        return self.facts["batteries"]

    def processor(self) -> Processor:
        return self.facts["processor"]

    def real_time_clock(self) -> Reading | Absent:
        """The time of the clock, or what a function makes of the machine's own clock."""
        fact = self.facts["real_time_clock"]
        return fact(self.clock) if callable(fact) else fact

    def trust_modules(self) -> tuple[TrustModule, ...] | Absent:
        return self.facts["trust_modules"]

    def display_connectors(self) -> tuple[DisplayConnector, ...] | Absent:
        return self.facts["display_connectors"]

    def graphics_adapters(self) -> tuple[GraphicsAdapter, ...] | Absent:
        return self.facts["graphics_adapters"]

    def graphics_chips(self) -> tuple[GraphicsChip, ...] | Absent:
        return self.facts["graphics_chips"]

    def graphics_energy(self, chip: str) -> Reading | Absent:
        fact = self.facts["graphics_energy"]
        return fact(self) if callable(fact) else fact

    def drawing(self, chip: str) -> AbstractContextManager[GraphicsLoad]:
        return nullcontext(FakeDrawing(self))

    def network_adapters(self) -> tuple[NetworkAdapter, ...] | Absent:
        fact = self.facts["network_adapters"]
        return fact(self.clock) if callable(fact) else fact

    def bluetooth_controllers(self) -> tuple[Radio, ...] | Absent:
        return self.facts["bluetooth_controllers"]

    def sound_cards(self) -> tuple[SoundCard, ...] | Absent:
        return self.facts["sound_cards"]

    def input_devices(self) -> tuple[InputDevice, ...] | Absent:
        return self.facts["input_devices"]

    def card_readers(self) -> tuple[CardReader, ...] | Absent:
        return self.facts["card_readers"]

    def drive_links(self) -> tuple[BusLink, ...] | Absent:
        said = self.facts["drive_links"]
        return said(self) if callable(said) else said

    def card_links(self) -> tuple[BusLink, ...] | Absent:
        """The links, or what a function makes of whether a chip draws."""
        fact = self.facts["card_links"]
        return fact(self.draws) if callable(fact) else fact

    def backlights(self) -> tuple[Backlight, ...] | Absent:
        return self.facts["backlights"]

    def charging(self) -> tuple[Charge, ...] | Absent:
        return self.facts["charging"]

    def restraint(self) -> Restraint:
        """What holds it back, or what a function makes of the machine's clock."""
        fact = self.facts["restraint"]
        return fact(self.clock) if callable(fact) else fact

    def clocks(self) -> tuple[ClockState, ...] | Absent:
        """The clocks, or what a function makes of how many trials there were."""
        fact = self.facts["clocks"]
        return fact(len(self.trials)) if callable(fact) else fact

    def compute_trial(self, seconds: float, watch: Callable[[float], bool]) -> ComputeTrial:
        """A second for each look of the watch."""
        self.trials.append(seconds)
        for passed in range(int(seconds)):
            if not watch(passed / seconds):
                break
            self.clock.sleep(1.0)
        return self.facts["compute_trial"]

    def boot_entries(self) -> tuple[BootEntry, ...] | Absent:
        return self.facts["boot_entries"]

    def partitions(self) -> tuple[Partition, ...] | Absent:
        return self.facts["partitions"]

    def error_counts(self) -> ErrorCounts:
        return self.facts["error_counts"]

    def error_counts_at_start(self) -> ErrorCounts:
        return self.facts["error_counts_at_start"]

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
        "memory_trial": trial(),
        "drives": (drive(), stick()),
        "drive_health": drive_health(),
        "drive_layout": layout(volume(1, "vfat"), volume(2, "ntfs")),
        "reading": FakeReader(),
        "hidden_storage": absent(),
        "firmware_settings": settings(),
        "radios": (radio(),),
        "chain_signals": chains(-49.0, -52.0),
        "networks": (in_range(2437, -48.0), in_range(5180, -53.0)),
        "frequencies": (2412, 2437, 5180, 5200),
        "cameras": (camera(),),
        "look": view(),
        "fans": (Fan("fan-1", "Fan"),),
        "fan_speed": said(2400.0, "rpm"),
        "temperature_sensors": (TemperatureSensor("cpu", "coretemp", "Package", said(100.0, "celsius")),),
        "temperature": said(45.0, "celsius"),
        "processor_sensor": "cpu",
        "package_energy": absent(Why.NOT_SUPPORTED),
        "cores": 4,
        "on_mains": said(True),
        "batteries": (battery(),),
        "processor": processor(),
        "real_time_clock": lambda clock: said(int(clock.utc().timestamp()), "s"),
        "trust_modules": (trust_module(),),
        "display_connectors": (connector(),),
        "graphics_adapters": (graphics(),),
        "graphics_chips": (graphics_chip(),),
        "graphics_energy": absent(Why.NOT_SUPPORTED),
        "drawn": drawn(),
        "network_adapters": (network(),),
        "bluetooth_controllers": (radio(id="usb-10", driver=said("btusb")),),
        "sound_cards": (sound_card(),),
        "input_devices": tuple(control(sort) for sort in InputSort),
        "card_readers": (reader(),),
        "drive_links": (bus_link(),),
        "card_links": (bus_link(16, 16, id="pci-0000:01:00.0"),),
        "backlights": (backlight(),),
        "charging": (charge(),),
        "restraint": restraint(),
        "clocks": (clock_state(),),
        "compute_trial": compute_trial(),
        "boot_entries": (BootEntry("Example system", GUID),),
        "partitions": (partition(),),
        "error_counts": error_counts(),
        "error_counts_at_start": error_counts(),
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
    reference: BenchReference | None = None,
    **unit: Any,
) -> Subject:
    """The only part of its kind, with its line if there is one."""
    it = about or part(kind)
    line = next((line for line in lines if line.part == it.id), None)
    return Subject(it, order(*lines, **unit), depth, line, peers or (it,), baseline, worked, reference)


def judged(
    check: Check[Any], machine: Machine, about: Subject, person: Bench | None = None
) -> tuple[Judgement, Any]:
    """The check, measured and judged, and its evidence."""
    evidence = check.measure(machine, about, person or Bench())
    return check.judge(evidence, check.limits(about)), evidence
