"""The rehearsal machine: plays a unit of a JSON file, with named faults, in virtual time.

It fits `checks.machine.Machine`, so checks cannot tell it from a computer; its `source` can, and everything
that is signed about it says rehearsal. Facts come from the unit's values, temperatures and speeds from
`agent.machine.rehearsal.physics`; the same unit, faults, seed and calls give the same readings.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from agent.machine.pattern import divided
from agent.machine.rehearsal import faults as fault_table
from agent.machine.rehearsal import physics, scale_model
from agent.machine.rehearsal.camera import PlayedCamera
from agent.machine.rehearsal.drive import Played
from agent.machine.rehearsal.graphics import PlayedGraphics
from agent.machine.rehearsal.unit import (
    Adapter,
    Antenna,
    Cell,
    Disk,
    Lane,
    Node,
    Screen,
    Slot,
    Thermometer,
    Unit,
)
from agent.machine.rehearsal.unit_file import load_unit
from checks.machine import (
    NOT_ALLOWED,
    Backlight,
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
    DisplayConnector,
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
)
from checks.measures.air import place_of
from checks.measures.march import MARCH_C_MINUS
from reports.model.baseline import Settings
from reports.model.evidence import Absent, Answer, Reading, Value, Why
from reports.model.record import Identity, Source

__all__ = ["RehearsalMachine", "load_unit"]

FRAMES_HEARD = 40
SINCE_START_S = 90.0
"""How long before a run the unit was switched on."""

OWNERS_PARTITION = "0c5f3a52-7b1e-4d8c-9a41-2e60b8a4c917"
NO_PARTITION = "0c5f3a52-7b1e-4d8c-9a41-000000000000"
EFI_SYSTEM = "c12a7328-f81f-11d2-ba4b-00a0c93ec93b"
TRIAL_BYTES_PER_S = 12e9
"""Two channels of memory, read and written by all cores (common practice, no source)."""
ROUND_S = 1.0
"""A round of computation, on an ordinary core."""
BASE_HERTZ = 2.4e9
SYSTEM_BYTES = 2**30
"""What a system started from a stick holds itself."""
FELT_RPM = 150.0
"""Slower than this, nobody feels the air."""


@dataclass
class VirtualClock:
    """Time that moves when somebody sleeps; `pass_time` is told how far."""

    began: datetime
    pass_time: Callable[[float], None]
    seconds: float = 0.0

    def monotonic(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            self.pass_time(seconds)
            self.seconds += seconds

    def utc(self) -> datetime:
        return self.began + timedelta(seconds=self.seconds)

    def jump_s(self) -> float:
        return 0.0


def _reading(value: Value, unit: str, source: str) -> Reading:
    return Reading(value, unit, f"rehearsal: {source}")


def _text(value: str, source: str) -> Reading | Absent:
    return _reading(value, "", source) if value else Absent(Why.NOT_THERE, f"rehearsal: {source}")


class RehearsalMachine:
    """A unit with `faults` (ids of `agent.machine.rehearsal.faults.FAULTS`), played with `seed`.

    `began` is the wall clock at the start, the present unless given. DocumentError for faults that are not
    known or that the unit has no part for.
    """

    def __init__(
        self,
        unit: Unit,
        faults: Collection[str] = (),
        seed: int = 0,
        began: datetime | None = None,
        *,
        allow_control: bool = False,
    ) -> None:
        self.allow_control = allow_control
        self._sound = unit
        self.unit = fault_table.apply(unit, faults)
        self._heat = physics.Heat(self.unit, seed)
        self._clock = VirtualClock(began or datetime.now(UTC), self._heat.advance)
        self._noise = {
            sensor.id: random.Random(f"{sensor.id} {seed}")  # noqa: S311 - a rehearsal must repeat
            for sensor in self.unit.thermometers
        }
        self._first_said: dict[str, float] = {}
        self._at_start: ErrorCounts | None = None
        self._drives = {disk.id: Played(disk, self._clock) for disk in self.unit.disks}
        self._cameras = {eye.id: PlayedCamera(eye, seed) for eye in self.unit.eyes}
        self._graphics = {
            it.id: PlayedGraphics(it, self._clock.monotonic, lambda: self._load(self._shared_cores()), seed)
            for it in self.unit.graphics
        }
        self._ripple = random.Random(f"tachometer {seed}")  # noqa: S311

    @property
    def source(self) -> Source:
        return Source.REHEARSAL

    @property
    def clock(self) -> VirtualClock:
        return self._clock

    def truth(self) -> physics.Truth:
        """What a perfect measurement of this unit would find; for tests and training only."""
        return physics.truth(self.unit)

    # -- inventory ------------------------------------------------------------------------------------------

    def identity(self) -> Identity:
        plate = self.unit.plate
        names = (name for name in Identity.__dataclass_fields__)
        return Identity(*(_reading(getattr(plate, name), "", f"identity {name}") for name in names))

    def memory_slots(self) -> tuple[MemorySlot, ...] | Absent:
        return tuple(_slot(slot) for slot in self.unit.slots)

    def memory_total(self) -> Reading | Absent:
        fitted = sum(slot.capacity_bytes for slot in self.unit.slots)
        return _reading(max(fitted - self.unit.reserved_bytes, 0), "bytes", "memory total")

    def memory_trial(
        self, share: float, rounds: int, seconds: float, watch: Callable[[float], bool]
    ) -> MemoryTrial | Absent:
        """The march that ships, over a scale model of the unit's memory; it takes its time and heats."""
        fitted = sum(slot.capacity_bytes for slot in self.unit.slots)
        available = max(fitted - self.unit.reserved_bytes - SYSTEM_BYTES, 0)
        cache = _reading(scale_model.CACHE_BYTES, "bytes", "processor cache")
        region_bytes, helpers = divided(available, share, self.unit.package.cores, cache)
        tried = region_bytes * helpers
        whole_s = tried * MARCH_C_MINUS.operations_per_word * rounds / TRIAL_BYTES_PER_S
        took_s, ended = self._work(min(whole_s, seconds), whole_s, watch)
        if not ended and whole_s > seconds:
            ended = "its time was up"
        done = int(rounds * took_s / whole_s) if ended else rounds
        wrong, words = scale_model.tried(self.unit.slots, done)
        return MemoryTrial(
            available=_reading(available, "bytes", "free memory"),
            tried=_reading(tried, "bytes", "march test"),
            smallest=_reading(region_bytes, "bytes", "march test"),
            cache=cache,
            rounds=_reading(done, "", "march test"),
            wrong=_reading(wrong, "", "march test"),
            words=words,
            ended=_text(ended, "end of the march test"),
        )

    def _work(self, seconds: float, whole_s: float, watch: Callable[[float], bool]) -> tuple[float, str]:
        """All cores busy for `seconds`; gives for how long it was, and what cut it short."""
        passed = 0.0
        with self._load(self.unit.package.cores):
            while passed < seconds:
                if not watch(passed / whole_s):
                    return passed, "it was told to stop"
                step = min(1.0, seconds - passed)
                self._clock.sleep(step)
                passed += step
        return passed, ""

    def drives(self) -> tuple[Drive, ...] | Absent:
        return tuple(_drive(disk) for disk in self.unit.disks)

    def drive_health(self, drive: str) -> DriveHealth | Absent:
        played = self._played(drive)
        return played if isinstance(played, Absent) else played.health()

    def drive_layout(self, drive: str) -> DriveLayout | Absent:
        played = self._played(drive)
        return played if isinstance(played, Absent) else played.layout()

    def reading(self, drive: str) -> AbstractContextManager[DriveReader | Absent]:
        played = self._played(drive)
        return nullcontext(played) if isinstance(played, Absent) else played.at_work()

    def _played(self, drive: str) -> Played | Absent:
        return self._drives.get(drive, Absent(Why.NOT_THERE, f"rehearsal: {drive}"))

    def hidden_storage(self) -> Reading | Absent:
        return _text(self.unit.hidden_storage, "storage controller")

    def firmware_settings(self) -> Settings:
        firmware = self.unit.firmware
        old = Absent(Why.NOT_THERE, "rehearsal: firmware", "this computer was not started the UEFI way")
        entries = tuple(_reading(name, "", "boot entry") for name in firmware.boot_entries)
        return Settings(
            secure_boot=_reading(firmware.secure_boot, "", "secure boot") if firmware.uefi else old,
            boot_entries=entries if firmware.uefi else old,
            controller_mode=_text(firmware.controller_mode, "controller mode"),
        )

    def radios(self) -> tuple[Radio, ...] | Absent:
        return tuple(_radio(antenna) for antenna in self.unit.antennas)

    def chain_signals(self, radio: str) -> tuple[ChainSignal, ...] | Absent:
        """Median per chain; a radio that is off hears nothing, and some never tell their chains apart."""
        antenna = self._listening(radio)
        if isinstance(antenna, Absent):
            return antenna
        if not antenna.hears:
            return Absent(Why.DID_NOT_ANSWER, antenna.id, "no network was heard")
        if not antenna.chains_dbm:
            return Absent(Why.NOT_SUPPORTED, f"rehearsal: signal of {radio}")
        heard = enumerate(antenna.chains_dbm)
        return tuple(
            ChainSignal(i, _reading(dbm, "dBm", f"signal of chain {i}"), FRAMES_HEARD) for i, dbm in heard
        )

    def _listening(self, radio: str) -> Antenna | Absent:
        """The radio, where it can listen."""
        antenna = next((antenna for antenna in self.unit.antennas if antenna.id == radio), None)
        source = f"rehearsal: signal of {radio}"
        if antenna is None or not antenna.driver:
            return Absent(Why.NOT_THERE, source)
        if antenna.soft_blocked or antenna.hard_blocked:
            return Absent(Why.SWITCHED_OFF, source)
        return antenna

    def networks(self, radio: str, scans: int) -> tuple[Network, ...] | Absent:
        """What the unit's file says is heard, in every scan."""
        antenna = self._listening(radio)
        if isinstance(antenna, Absent):
            return antenna
        return tuple(
            Network(each.address, each.mhz, _reading(each.dbm, "dBm", f"scan of {radio}"), scans)
            for each in antenna.hears
        )

    def frequencies(self, radio: str) -> tuple[int, ...] | Absent:
        """Every 20 MHz channel of the bands that the adapter is made for."""
        antenna = self._listening(radio)
        if isinstance(antenna, Absent):
            return antenna
        spans = (range(2412, 2473, 5), range(5180, 5886, 20), range(5955, 7116, 20))
        places = ((mhz, place_of(mhz)) for span in spans for mhz in span)
        return tuple(mhz for mhz, place in places if place and place[0] in antenna.bands)

    def cameras(self) -> tuple[Camera, ...] | Absent:
        return tuple(
            Camera(eye.id, _text(eye.model, "camera model"), _text(eye.driver, "camera driver"))
            for eye in self.unit.eyes
        )

    def look(self, camera: str, settle_s: float, seconds: float) -> Look | Absent:
        if camera not in self._cameras:
            return Absent(Why.NOT_THERE, f"rehearsal: {camera}")
        self._clock.sleep(settle_s + seconds)
        return self._cameras[camera].look(seconds)

    def cores(self) -> int:
        return self.unit.package.cores

    def on_mains(self) -> Reading | Absent:
        return _reading(self.unit.on_mains, "", "mains")

    def batteries(self) -> tuple[Battery, ...] | Absent:
        return tuple(_battery(cell) for cell in self.unit.batteries)

    def processor(self) -> Processor:
        cores = _reading(self.unit.package.cores, "", "cores")
        return Processor(_text(self.unit.processor.model, "processor model"), cores, cores)

    def real_time_clock(self) -> Reading | Absent:
        keeper = self.unit.timekeeper
        now = self._clock.utc() if keeper.runs else self._clock.began
        return _reading(int(now.timestamp()) + keeper.offset_s - keeper.set_back_s, "s", "real-time clock")

    def trust_modules(self) -> tuple[TrustModule, ...] | Absent:
        version = self.unit.tpm_version
        return (TrustModule("tpm", _reading(version, "", "TPM version")),) if version else ()

    def display_connectors(self) -> tuple[DisplayConnector, ...] | Absent:
        if not self.unit.screens:
            return Absent(Why.NOT_THERE, "rehearsal: displays", "no display driver shows a connector")
        return tuple(_connector(screen) for screen in self.unit.screens)

    def graphics_adapters(self) -> tuple[GraphicsAdapter, ...] | Absent:
        return tuple(
            GraphicsAdapter(*_named(it), _reading(it.on_card, "", f"{it.id} on a card"))
            for it in self.unit.graphics
        )

    def graphics_chips(self) -> tuple[GraphicsChip, ...] | Absent:
        return tuple(it.chip for it in self._graphics.values())

    def graphics_energy(self, chip: str) -> Reading | Absent:
        return self._graphics[chip].energy()

    def drawing(self, chip: str) -> AbstractContextManager[GraphicsLoad]:
        return nullcontext(self._graphics[chip])

    def _shared_cores(self) -> int:
        """Graphics of the processor heat it as so many of its cores do."""
        return (self.unit.package.cores + 1) // 2

    def network_adapters(self) -> tuple[NetworkAdapter, ...] | Absent:
        carrier = self.unit.network_cable_in and self.unit.network_answers
        return tuple(_network(it, carrier) for it in self.unit.networks)

    def bluetooth_controllers(self) -> tuple[Radio, ...] | Absent:
        return tuple(_radio(antenna) for antenna in self.unit.bluetooth)

    def sound_cards(self) -> tuple[SoundCard, ...] | Absent:
        return tuple(
            SoundCard(
                it.id,
                _text(it.model, f"{it.id} model"),
                _reading(it.plays, "", f"{it.id} plays"),
                _reading(it.records, "", f"{it.id} records"),
            )
            for it in self.unit.sounds
        )

    def input_devices(self) -> tuple[InputDevice, ...] | Absent:
        return tuple(
            InputDevice(
                it.id, _text(it.name, f"{it.id} name"), _reading(True, "", f"{it.id} inside"), it.sorts
            )
            for it in self.unit.controls
        )

    def card_readers(self) -> tuple[CardReader, ...] | Absent:
        return tuple(CardReader(*_named(it)) for it in self.unit.readers)

    def drive_links(self) -> tuple[BusLink, ...] | Absent:
        inside = (it for it in self.unit.disks if not it.boot_stick and it.transport in ("nvme", "sata"))
        return tuple(_link(it, self._at_work(it, it.lane)) for it in inside if it.lane)

    def _at_work(self, disk: Disk, lane: Lane) -> Lane:
        """As fast as it goes while it is read, which at rest it need not be."""
        if lane.held or not lane.most_speed or not self._drives[disk.id].works:
            return lane
        return replace(lane, speed=lane.most_speed)

    def card_links(self) -> tuple[BusLink, ...] | Absent:
        return tuple(
            _link(it, self._lane(it, it.lane)) for it in self.unit.graphics if it.on_card and it.lane
        )

    def _lane(self, card: Adapter, lane: Lane) -> Lane:
        """Under load as fast as it goes; at rest some lower it, and some rest lanes too."""
        if self._graphics[card.id].draws_now:
            return replace(lane, speed=lane.most_speed)
        return replace(lane, width=min(card.rests_at, lane.width)) if card.rests_at else lane

    def backlights(self) -> tuple[Backlight, ...] | Absent:
        return tuple(
            Backlight(
                lamp.id,
                _reading(lamp.brightness, "", f"{lamp.id} brightness"),
                _reading(lamp.lit, "", f"{lamp.id} power"),
            )
            for lamp in self.unit.lamps
        )

    def charging(self) -> tuple[Charge, ...] | Absent:
        return tuple(self._charge(cell) for cell in self.unit.batteries)

    def _charge(self, cell: Cell) -> Charge:
        status = cell.status if self.unit.on_mains else "Discharging"
        unset = Absent(Why.NOT_THERE, f"rehearsal: {cell.id} starts below")
        starts = _reading(cell.starts_below, "", f"{cell.id} starts below") if cell.starts_below else unset
        return Charge(
            cell.id,
            _reading(status, "", f"{cell.id} status"),
            _reading(cell.level, "", f"{cell.id} level"),
            starts,
        )

    def restraint(self) -> Restraint:
        held, since = self.unit.held, SINCE_START_S + self._clock.monotonic()
        untold = Absent(Why.NOT_SUPPORTED, "rehearsal: slowed by heat")
        return Restraint(
            slowed=_reading(held.slowed_share * since, "s", "slowed by heat") if held.heat_told else untold,
            since_start=_reading(since, "s", "since the start"),
            allowed=_reading(3.6e9 * held.clock_share, "hertz", "allowed clock"),
            highest=_reading(3.6e9, "hertz", "highest clock"),
            power_limit=self._power_limit(),
        )

    def _power_limit(self) -> Reading | Absent:
        """Told where the package's energy is."""
        if not self.unit.package.energy_counter:
            return Absent(Why.NOT_SUPPORTED, "rehearsal: power limit")
        return _reading(round(self.unit.package.sustained_w, 2), "W", "power limit")

    def clocks(self) -> tuple[ClockState, ...] | Absent:
        """One group of cores; at rest it idles."""
        if not self.unit.held.clock_told:
            return Absent(Why.NOT_SUPPORTED, "rehearsal: clocks")
        share = self.unit.held.load_share if self._heat.busy else 0.4
        base = _reading(BASE_HERTZ, "hertz", "base clock")
        now = _reading(BASE_HERTZ * share, "hertz", "clock")
        return (ClockState("policy0", now, base, _reading(3.6e9, "hertz", "highest clock")),)

    def compute_trial(self, seconds: float, watch: Callable[[float], bool]) -> ComputeTrial:
        """Takes its time and heats; the core that miscalculates flips a bit in each computation."""
        took_s, cut = self._work(seconds, seconds, watch)
        cores = tuple(
            scale_model.core_trial(number, int(took_s / ROUND_S), number == self.unit.processor.wrong_core)
            for number in range(self.unit.package.cores)
        )
        running = _reading(self.unit.package.cores, "", "cores that run")
        return ComputeTrial(cores, running, _text(cut, "end of the computation"))

    def boot_entries(self) -> tuple[BootEntry, ...] | Absent:
        firmware = self.unit.firmware
        if not firmware.uefi:
            return Absent(Why.NOT_THERE, "rehearsal: firmware", "this computer was not started the UEFI way")
        partition = NO_PARTITION if firmware.entries_stale else OWNERS_PARTITION
        return tuple(BootEntry(name, partition) for name in firmware.boot_entries)

    def partitions(self) -> tuple[Partition, ...] | Absent:
        inside = any(not it.boot_stick for it in self.unit.disks)
        id, kind = (_reading(text, "", "partition") for text in (OWNERS_PARTITION, EFI_SYSTEM))
        return (Partition(id, kind),) if inside else ()

    def error_counts(self) -> ErrorCounts:
        raised = dict(self.unit.errors.log).get(Complaint.MACHINE_CHECK, 0)
        checks = self._grown(raised, "machine checks")
        return ErrorCounts(self._memory_errors(), self._link_errors(), self._log(), checks)

    def error_counts_at_start(self) -> ErrorCounts:
        if self._at_start is None:
            self._at_start = self.error_counts()
        return self._at_start

    def _memory_errors(self) -> tuple[MemoryErrors, ...] | Absent:
        errors = self.unit.errors
        if not errors.memory_counted:
            return Absent(Why.NOT_SUPPORTED, "rehearsal: memory errors", "no controller counts errors")
        counts = (errors.memory_corrected, errors.memory_uncorrected)
        return (MemoryErrors("mc0", "memory", *(self._grown(count, "memory errors") for count in counts)),)

    def _link_errors(self) -> tuple[LinkErrors, ...] | Absent:
        errors = self.unit.errors
        if not errors.links_counted:
            return Absent(Why.NOT_SUPPORTED, "rehearsal: link errors", "no device counts errors")
        counts = (errors.link_corrected, errors.link_nonfatal, errors.link_fatal)
        numbers = (self._grown(count, "link errors") for count in counts)
        return (LinkErrors("pci-0000:01:00.0", "drive or its controller", *numbers),)

    def _log(self) -> KernelLog:
        counts = dict(self.unit.errors.log)
        numbers = tuple(self._grown(counts.get(sort, 0), f"log: {sort}") for sort in Complaint)
        return KernelLog(numbers, lost=False)

    def _grown(self, count: int, source: str) -> Reading:
        minutes = self._clock.monotonic() / 60
        return _reading(count + int(minutes * self.unit.errors.a_minute) if count else 0, "", source)

    # -- heat and air ---------------------------------------------------------------------------------------

    def fans(self) -> tuple[Fan, ...] | Absent:
        return tuple(Fan(fan.id, fan.label) for fan in self.unit.blowers if fan.tachometer)

    def fan_speed(self, fan: str) -> Reading | Absent:
        for i, blower in enumerate(self.unit.blowers):
            if blower.id == fan and blower.tachometer:
                rippled = self._heat.rpm[i] * (1.0 + self._ripple.gauss(0.0, 0.005))
                return _reading(round(max(rippled, 0.0)), "rpm", f"tachometer {blower.label}")
        return Absent(Why.NOT_THERE, f"rehearsal: tachometer {fan}")

    @contextmanager
    def full_speed(self, fan: str) -> Iterator[Reading | Absent]:
        if not self.allow_control:
            yield NOT_ALLOWED
            return
        self._heat.full_speed = True
        try:
            yield Reading(255, "", "rehearsal: pwm")
        finally:
            self._heat.full_speed = False

    def temperature_sensors(self) -> tuple[TemperatureSensor, ...] | Absent:
        of_graphics = (sensor for it in self._graphics.values() for sensor in it.sensors)
        return (*(_sensor(sensor) for sensor in self.unit.thermometers), *of_graphics)

    def temperature(self, sensor: str) -> Reading | Absent:
        found = next((item for item in self.unit.thermometers if item.id == sensor), None)
        source = f"rehearsal: temperature {sensor}"
        chip, _, name = sensor.rpartition("/")
        if found is None and chip in self._graphics:
            return self._graphics[chip].temperature(name)
        if found is None:
            return Absent(Why.NOT_THERE, source)
        if found.switched_off:
            return Absent(Why.SWITCHED_OFF, source)
        if found.vanishes_above is not None and self._at(found) > found.vanishes_above:
            return Absent(Why.DID_NOT_ANSWER, source)
        return Reading(self._said(found), "celsius", source)

    def _said(self, sensor: Thermometer) -> float:
        noisy = self._at(sensor) + self._noise[sensor.id].gauss(0.0, sensor.noise_k)
        quantum = sensor.quantum_k
        said = round(round(noisy / quantum) * quantum, 4) if quantum else round(noisy, 4)
        first = self._first_said.setdefault(sensor.id, said)
        return first if sensor.stuck else said

    def _at(self, sensor: Thermometer) -> float:
        where = {Node.DIE: self._heat.die, Node.COOLER: self._heat.cooler, Node.ROOM: self._heat.room}
        return where[sensor.node] + sensor.offset_k

    def processor_sensor(self) -> str | None:
        return self.unit.processor_sensor or None

    def package_energy(self) -> Reading | Absent:
        if not self.unit.package.energy_counter:
            return Absent(Why.NOT_SUPPORTED, "rehearsal: package energy")
        return _reading(round(self._heat.joules, 4), "joules", "package energy")

    def load(self, cores: int) -> AbstractContextManager[None]:
        return self._load(cores)

    @contextmanager
    def _load(self, cores: int) -> Iterator[None]:
        before = self._heat.busy
        self._heat.busy = min(before + cores, self.unit.package.cores)
        try:
            yield
        finally:
            self._heat.busy = before

    # -- the person at the bench ----------------------------------------------------------------------------

    def answer(self, question: Question, person: str) -> Answer | Absent:
        """What a person at this unit would truthfully say now; no answer to what they cannot know.

        They know what they put back and what the unit was made with, not what came loose since.
        """
        words = self._words(question)
        if words not in question.options:
            return Absent(Why.DID_NOT_ANSWER, f"rehearsal: {question.id}")
        for camera in self._cameras.values():
            camera.told(question.id, words)
        return Answer(question.text, words, person)

    def _words(self, question: Question) -> str:
        first, second = (*question.options, "", "")[:2]
        known = {
            "thermal.posture": True,
            "fan.airflow": sum(self._heat.rpm) > FELT_RPM,
            "storage.listed": bool(self.unit.hidden_storage),
            "storage.layout.before": not any(
                disk.volumes for disk in self._sound.disks if not disk.boot_stick
            ),
            "camera.present.fitted": bool(self._sound.eyes),
            "camera.clear": True,
            "camera.shutter": any(eye.shutter for eye in self.unit.eyes),
            "camera.wave": True,
            "wireless.present.fitted": bool(self._sound.antennas),
            "wireless.bluetooth.fitted": bool(self._sound.bluetooth),
            "battery.present.fitted": bool(self._sound.batteries),
            "processor.ordered": self.unit.processor == self._sound.processor,
            "board.tpm.fitted": bool(self._sound.tpm_version),
            "display.panel.fitted": any(screen.internal for screen in self._sound.screens),
            "graphics.present.fitted": any(it.on_card for it in self._sound.graphics),
            "graphics.heat.felt": not any(it.too_hot_to_touch for it in self._graphics.values()),
            "ports.network.fitted": bool(self._sound.networks),
            "ports.network.cable": self.unit.network_cable_in,
            "audio.codec.fitted": any(it.plays for it in self._sound.sounds),
            "microphone.present.fitted": any(it.records for it in self._sound.sounds),
            "keyboard.present.fitted": self._made_with(InputSort.KEYBOARD),
            "pointer.present.fitted": self._made_with(InputSort.POINTER),
            "touch.present.fitted": self._made_with(InputSort.TOUCH),
            "lid.present.fitted": self._made_with(InputSort.LID),
            "buttons.present.fitted": self._made_with(InputSort.POWER),
            "readers.present.fitted": bool(self._sound.readers),
            "board.start.listed": not self.unit.firmware.entries_stale,
            "display.lit": not self.unit.panel_dark,
            "charger.plugged": self.unit.charger_plugged,
        }
        if question.id == "memory.put_back":
            return str(sum(1 for slot in self._sound.slots if slot.capacity_bytes))
        if question.id not in known:
            return ""
        return first if known[question.id] else second

    def _made_with(self, sort: InputSort) -> bool:
        return any(sort in control.sorts for control in self._sound.controls)


def _slot(slot: Slot) -> MemorySlot:
    def text(value: str, name: str) -> Reading | Absent:
        return _text(value, f"{slot.locator} {name}")

    def speed(value: int, name: str) -> Reading | Absent:
        source = f"{slot.locator} {name}"
        return _reading(value, "MT/s", source) if value else Absent(Why.NOT_THERE, f"rehearsal: {source}")

    return MemorySlot(
        locator=text(slot.locator, "locator"),
        bank=text(slot.bank, "bank"),
        capacity=_reading(slot.capacity_bytes, "bytes", f"{slot.locator} capacity"),
        form_factor=text(slot.form_factor, "form factor"),
        memory_type=text(slot.memory_type, "type"),
        rated_speed=speed(slot.rated_speed, "rated speed"),
        configured_speed=speed(slot.configured_speed, "configured speed"),
        serial=text(slot.serial, "serial"),
        part_number=text(slot.part_number, "part number"),
    )


def _drive(disk: Disk) -> Drive:
    return Drive(
        id=disk.id,
        transport=_text(disk.transport, f"{disk.id} transport"),
        model=_text(disk.model, f"{disk.id} model"),
        serial=_text(disk.serial, f"{disk.id} serial"),
        capacity=_reading(disk.capacity_bytes, "bytes", f"{disk.id} capacity"),
        removable=_reading(disk.removable, "", f"{disk.id} removable"),
        boot_stick=disk.boot_stick,
    )


def _link(device: Disk | Adapter, lane: Lane) -> BusLink:
    unit = "Gbit/s" if not lane.width else "GT/s"

    def number(value: float, unit: str, what: str) -> Reading | Absent:
        source = f"{device.id} {what}"
        return _reading(value, unit, source) if value else Absent(Why.NOT_SUPPORTED, f"rehearsal: {source}")

    return BusLink(
        id=device.id,
        model=_text(device.model, f"{device.id} model"),
        speed=number(lane.speed, unit, "speed"),
        width=number(lane.width, "lanes", "width"),
        most_speed=number(lane.most_speed, unit, "highest speed"),
        most_width=number(lane.most_width, "lanes", "greatest width"),
        lowered=_reading(lane.lowered, "", f"{device.id} lowered"),
    )


def _radio(antenna: Antenna) -> Radio:
    return Radio(
        id=antenna.id,
        model=_text(antenna.model, f"{antenna.id} model"),
        driver=_text(antenna.driver, f"{antenna.id} driver"),
        soft_blocked=_reading(antenna.soft_blocked, "", f"{antenna.id} soft switch"),
        hard_blocked=_reading(antenna.hard_blocked, "", f"{antenna.id} hard switch"),
    )


def _named(it: Adapter) -> tuple[str, Reading | Absent, Reading | Absent]:
    return it.id, _text(it.model, f"{it.id} model"), _text(it.driver, f"{it.id} driver")


def _network(it: Adapter, carrier: bool) -> NetworkAdapter:
    lane = it.lane if carrier else None

    def megabits(gigabits: float, what: str) -> Reading | Absent:
        source = f"{it.id} {what}"
        known = _reading(round(1000 * gigabits), "Mbit/s", source)
        return known if gigabits else Absent(Why.NOT_SUPPORTED, f"rehearsal: {source}")

    return NetworkAdapter(
        *_named(it),
        _reading(carrier, "", f"{it.id} carrier"),
        megabits(lane.speed if lane else 0.0, "rate"),
        megabits(lane.most_speed if lane else 0.0, "rate of both ends"),
    )


def _battery(cell: Cell) -> Battery:
    source = f"{cell.id} cycles"
    uncounted = Absent(Why.NOT_SUPPORTED, f"rehearsal: {source}")
    return Battery(
        id=cell.id,
        model=_text(cell.model, f"{cell.id} model"),
        present=_reading(True, "", f"{cell.id} present"),
        design=_reading(cell.design_watt_hours, "watt_hours", f"{cell.id} design capacity"),
        full=_reading(cell.full_watt_hours, "watt_hours", f"{cell.id} full capacity"),
        cycles=_reading(cell.cycles, "", source) if cell.cycles else uncounted,
    )


def _connector(screen: Screen) -> DisplayConnector:
    silent = Absent(Why.NOT_THERE, f"rehearsal: {screen.id}")
    return DisplayConnector(
        id=screen.id,
        internal=screen.internal,
        connected=_reading(screen.connected, "", f"{screen.id} connected"),
        fault=_reading(screen.fault, "", f"{screen.id} data") if screen.connected else silent,
        model=_text(screen.model, f"{screen.id} model") if screen.connected else silent,
    )


def _sensor(sensor: Thermometer) -> TemperatureSensor:
    source = f"{sensor.id} critical"
    critical = (
        Absent(Why.NOT_THERE, f"rehearsal: {source}")
        if sensor.critical_celsius is None
        else _reading(sensor.critical_celsius, "celsius", source)
    )
    return TemperatureSensor(sensor.id, sensor.chip, sensor.label, critical)


def rehearse(path: Path, faults: Collection[str], seed: int = 0) -> Machine:
    """The machine of the unit file at `path`; typed as `Machine`, which holds this class to the protocol."""
    return RehearsalMachine(load_unit(path), faults, seed)
