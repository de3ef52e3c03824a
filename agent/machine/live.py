"""The computer that the program runs on, through the kernel's interfaces.

Every answer is read when it is asked for. What stays between questions: which file a sensor's id means
today, and the last raw value of the energy counters.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from agent.machine import compute, drawing, load, pattern
from agent.machine.linux import (
    aer,
    alsa,
    ata_link,
    backlight,
    block,
    blockread,
    bluetooth,
    cpufreq,
    cpuinfo,
    drm,
    edac,
    efivars,
    ethernet,
    filming,
    graphics_chip,
    hwmon,
    inputs,
    kernel_log,
    machine_check,
    meminfo,
    pci,
    pcie_link,
    power_supply,
    powercap,
    pwm,
    rtc,
    signatures,
    smart,
    smbios,
    thermal_zone,
    throttle,
    tpm,
    uptime,
    v4l2,
    wireless,
)
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree
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
    Clock,
    ClockState,
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
    Radio,
    Restraint,
    SoundCard,
    TemperatureSensor,
    TrustModule,
)
from reports.model.baseline import Settings
from reports.model.evidence import Absent, Reading, Why
from reports.model.order import Form
from reports.model.record import Identity, Source


@dataclass(frozen=True, slots=True)
class RunningClock:
    """The computer's own time; `monotonic` counts from when the clock was made.

    The wall clock is read once, then counted on by a clock that nobody sets and that goes on while the
    computer sleeps (CLOCK_BOOTTIME): a clock that is set in the middle of a run would else date its end
    before its beginning, or outside the days for which a key is valid. How far it was set meanwhile,
    `jump_s` says.
    """

    began: float = field(default_factory=time.monotonic)
    began_utc: datetime = field(default_factory=lambda: wall_clock())
    began_boot: float = field(default_factory=lambda: time.clock_gettime(time.CLOCK_BOOTTIME))

    def monotonic(self) -> float:
        return time.monotonic() - self.began

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)

    def utc(self) -> datetime:
        passed = time.clock_gettime(time.CLOCK_BOOTTIME) - self.began_boot
        return self.began_utc + timedelta(seconds=passed)

    def jump_s(self) -> float:
        """How far the wall clock stands ahead of `utc`, seconds: about 0 unless it was set meanwhile."""
        return (wall_clock() - self.utc()).total_seconds()


def wall_clock() -> datetime:
    """What the wall clock says now, UTC."""
    return datetime.now(UTC)


_FORMS = {
    "All In One": Form.ALL_IN_ONE,
    **dict.fromkeys(
        ("Portable", "Laptop", "Notebook", "Convertible", "Detachable", "Sub Notebook"), Form.LAPTOP
    ),
    **dict.fromkeys(("Desktop", "Low Profile Desktop", "Mini Tower", "Tower", "Mini PC"), Form.TOWER),
}
"""Chassis types (DSP0134, 7.4.1) and the service map that stands in for each."""


class LiveMachine:
    """Fits `checks.machine.Machine`. `root` is where `sys`, `proc`, `run` and `dev` lie."""

    def __init__(
        self,
        root: Path = Path("/"),
        clock: Clock | None = None,
        air: Callable[[int], Iterable[wireless.Heard]] = wireless.over_the_air,
        may_listen: Callable[[int], Iterable[int]] = wireless.may_listen,
        *,
        allow_control: bool = False,
    ) -> None:
        self.allow_control = allow_control
        self._tree = Tree(root)
        self._clock = clock or RunningClock()
        self._air = air
        self._may_listen = may_listen
        self._energy = powercap.PackageEnergy(self._tree)
        self._fans = _Sensors(hwmon.fans, hwmon.rpm)
        self._chips = _Sensors(hwmon.temperatures, hwmon.celsius)
        self._zones = _Sensors(thermal_zone.zones, thermal_zone.celsius)
        self._at_start: ErrorCounts | None = None
        self._chip_energy: dict[str, graphics_chip.ChipEnergy] = {}

    @property
    def source(self) -> Source:
        return Source.LIVE

    @property
    def clock(self) -> Clock:
        return self._clock

    @property
    def tree(self) -> Tree:
        """Where its files lie."""
        return self._tree

    def identity(self) -> Identity:
        return smbios.identity(self._tree)

    def form(self) -> Form | None:
        """The shape of the unit as its firmware tells (SMBIOS type 3); None where it does not."""
        table = smbios.read_table(self._tree)
        chassis = table if isinstance(table, Absent) else smbios.chassis_type(table)
        return _FORMS.get(str(chassis.value)) if isinstance(chassis, Reading) else None

    def memory_slots(self) -> tuple[MemorySlot, ...] | Absent:
        table = smbios.read_table(self._tree)
        if isinstance(table, Absent):
            return table
        devices = smbios.system_memory(table)
        if not devices:
            return Absent(Why.NOT_THERE, smbios.TABLE, table.fault or "no memory devices in the table")
        return tuple(_slot(device) for device in devices)

    def memory_total(self) -> Reading | Absent:
        return meminfo.total(self._tree)

    def memory_trial(
        self, share: float, rounds: int, seconds: float, watch: Callable[[float], bool]
    ) -> MemoryTrial | Absent:
        done = pattern.trial(self._tree, pattern.Asked(share, rounds, seconds), watch)
        return done if isinstance(done, Absent) else _trial(done, smbios.read_table(self._tree))

    def drives(self) -> tuple[Drive, ...] | Absent:
        disks = block.disks(self._tree)
        return disks if isinstance(disks, Absent) else tuple(_drive(disk) for disk in disks)

    def drive_health(self, drive: str) -> DriveHealth | Absent:
        disk = self._disk(drive)
        return disk if isinstance(disk, Absent) else smart.health(self._tree, disk)

    def drive_layout(self, drive: str) -> DriveLayout | Absent:
        disk = self._disk(drive)
        return disk if isinstance(disk, Absent) else signatures.layout(self._tree, disk)

    def reading(self, drive: str) -> AbstractContextManager[DriveReader | Absent]:
        disk = self._disk(drive)
        return nullcontext(disk) if isinstance(disk, Absent) else blockread.opened(self._tree, disk)

    def _disk(self, id: str) -> block.Disk | Absent:
        disks = block.disks(self._tree)
        if isinstance(disks, Absent):
            return disks
        return next((disk for disk in disks if disk.id == id), Absent(Why.NOT_THERE, id))

    def hidden_storage(self) -> Reading | Absent:
        return pci.hidden_storage(self._tree)

    def firmware_settings(self) -> Settings:
        return Settings(
            secure_boot=efivars.secure_boot(self._tree),
            boot_entries=efivars.installed_systems(self._tree),
            controller_mode=pci.controller_mode(self._tree),
        )

    def radios(self) -> tuple[Radio, ...] | Absent:
        adapters = wireless.adapters(self._tree)
        return adapters if isinstance(adapters, Absent) else tuple(_radio(each) for each in adapters)

    def chain_signals(self, radio: str) -> tuple[ChainSignal, ...] | Absent:
        adapter = self._adapter(radio)
        if isinstance(adapter, Absent):
            return adapter
        return _chains(wireless.listen(self._tree, adapter, self._air), radio)

    def networks(self, radio: str, scans: int) -> tuple[Network, ...] | Absent:
        adapter = self._adapter(radio)
        if isinstance(adapter, Absent):
            return adapter
        heard = wireless.networks(self._tree, adapter, self._air, scans)
        return heard if isinstance(heard, Absent) else tuple(_in_range(each, radio) for each in heard)

    def frequencies(self, radio: str) -> tuple[int, ...] | Absent:
        adapter = self._adapter(radio)
        if isinstance(adapter, Absent):
            return adapter
        return wireless.frequencies(self._tree, adapter, self._may_listen)

    def _adapter(self, radio: str) -> wireless.Adapter | Absent:
        adapters = wireless.adapters(self._tree)
        if isinstance(adapters, Absent):
            return adapters
        gone = Absent(Why.NOT_THERE, radio)
        return next((adapter for adapter in adapters if adapter.id == radio), gone)

    def fans(self) -> tuple[Fan, ...] | Absent:
        fans = hwmon.fans(self._tree)
        return fans if isinstance(fans, Absent) else tuple(Fan(fan.id, fan.label) for fan in fans)

    def fan_speed(self, fan: str) -> Reading | Absent:
        return self._fans.read(self._tree, fan)

    def full_speed(self, fan: str) -> AbstractContextManager[Reading | Absent]:
        if not self.allow_control:
            return nullcontext(NOT_ALLOWED)
        fans = hwmon.fans(self._tree)
        channel = next((each for each in (() if isinstance(fans, Absent) else fans) if each.id == fan), None)
        return (
            nullcontext(Absent(Why.NOT_THERE, fan))
            if channel is None
            else pwm.full_speed(self._tree, channel)
        )

    def temperature_sensors(self) -> tuple[TemperatureSensor, ...] | Absent:
        channels, zones = hwmon.temperatures(self._tree), thermal_zone.zones(self._tree)
        if isinstance(channels, Absent) and (isinstance(zones, Absent) or not zones):
            return channels
        return (*self._of_chips(channels), *self._of_zones(zones))

    def temperature(self, sensor: str) -> Reading | Absent:
        by_zone = sensor.startswith(thermal_zone.PREFIX)
        return (self._zones if by_zone else self._chips).read(self._tree, sensor)

    def processor_sensor(self) -> str | None:
        channels, zones = hwmon.temperatures(self._tree), thermal_zone.zones(self._tree)
        chip = None if isinstance(channels, Absent) else hwmon.nearest_processor(channels)
        zone = None if isinstance(zones, Absent) else thermal_zone.nearest_processor(zones)
        nearest = chip or zone
        return None if nearest is None else nearest.id

    def package_energy(self) -> Reading | Absent:
        return self._energy.read()

    def cores(self) -> int:
        return len(os.sched_getaffinity(0))

    def on_mains(self) -> Reading | Absent:
        return power_supply.on_mains(self._tree)

    def batteries(self) -> tuple[Battery, ...] | Absent:
        cells = power_supply.batteries(self._tree)
        return cells if isinstance(cells, Absent) else tuple(_battery(cell) for cell in cells)

    def processor(self) -> Processor:
        table = smbios.read_table(self._tree)
        known = table if isinstance(table, Absent) else smbios.cores(table)
        return Processor(cpuinfo.model(self._tree), cpuinfo.cores(self._tree), known)

    def real_time_clock(self) -> Reading | Absent:
        return rtc.seconds(self._tree)

    def trust_modules(self) -> tuple[TrustModule, ...] | Absent:
        found = tpm.modules(self._tree)
        return found if isinstance(found, Absent) else tuple(TrustModule(it.id, it.version) for it in found)

    def display_connectors(self) -> tuple[DisplayConnector, ...] | Absent:
        found = drm.connectors(self._tree)
        return found if isinstance(found, Absent) else tuple(_connector(each) for each in found)

    def graphics_adapters(self) -> tuple[GraphicsAdapter, ...] | Absent:
        found = pci.of_classes(self._tree, pci.DISPLAY_CONTROLLERS)
        return found if isinstance(found, Absent) else tuple(_graphics(self._tree, each) for each in found)

    def graphics_chips(self) -> tuple[GraphicsChip, ...] | Absent:
        found = graphics_chip.chips(self._tree)
        return found if isinstance(found, Absent) else tuple(_chip(each) for each in found)

    def graphics_energy(self, chip: str) -> Reading | Absent:
        if chip not in self._chip_energy:
            found = self._chip(chip)
            if isinstance(found, Absent):
                return found
            now_s = self._clock.monotonic
            self._chip_energy[chip] = graphics_chip.ChipEnergy(self._tree, found.folder, now_s)
        return self._chip_energy[chip].read()

    @contextmanager
    def drawing(self, chip: str) -> Iterator[GraphicsLoad]:
        found = self._chip(chip)
        node = found if isinstance(found, Absent) else found.node
        if isinstance(node, Absent):
            yield _Idle(node)
            return
        with drawing.drawing(str(node.value)) as it:
            yield _Busy(it)

    def _chip(self, chip: str) -> graphics_chip.Chip | Absent:
        found = graphics_chip.chips(self._tree)
        if isinstance(found, Absent):
            return found
        return next((each for each in found if each.id == chip), Absent(Why.NOT_THERE, chip))

    def network_adapters(self) -> tuple[NetworkAdapter, ...] | Absent:
        found = ethernet.adapters(self._tree)
        return found if isinstance(found, Absent) else tuple(_network(each) for each in _of_unit(found))

    def bluetooth_controllers(self) -> tuple[Radio, ...] | Absent:
        found = bluetooth.controllers(self._tree)
        return found if isinstance(found, Absent) else tuple(_bluetooth(each) for each in _of_unit(found))

    def sound_cards(self) -> tuple[SoundCard, ...] | Absent:
        found = alsa.cards(self._tree)
        return found if isinstance(found, Absent) else tuple(_sound(each) for each in _of_unit(found))

    def input_devices(self) -> tuple[InputDevice, ...] | Absent:
        found = inputs.devices(self._tree)
        return found if isinstance(found, Absent) else tuple(_input(each) for each in _of_unit(found))

    def card_readers(self) -> tuple[CardReader, ...] | Absent:
        found = pci.of_classes(self._tree, pci.CARD_READERS)
        on_usb = block.card_readers(self._tree)
        if isinstance(on_usb, Absent):
            return on_usb
        if isinstance(found, Absent) and (found.why is not Why.NOT_THERE or not on_usb):
            return found
        return (*_readers(self._tree, found), *(CardReader(it.id, it.model, it.driver) for it in on_usb))

    def cameras(self) -> tuple[Camera, ...] | Absent:
        nodes = v4l2.cameras(self._tree)
        if isinstance(nodes, Absent):
            return nodes
        return tuple(Camera(node.id, node.model, node.driver) for node in nodes)

    def look(self, camera: str, settle_s: float, seconds: float) -> Look | Absent:
        nodes = v4l2.cameras(self._tree)
        if isinstance(nodes, Absent):
            return nodes
        node = next((each.node for each in nodes if each.id == camera and each.node), None)
        if node is None:
            return Absent(Why.NOT_THERE, filming.SOURCE, "the camera left its bus")
        return filming.look(str(self._tree.real(node)), settle_s, seconds)

    def drive_links(self) -> tuple[BusLink, ...] | Absent:
        disks = block.disks(self._tree)
        if isinstance(disks, Absent):
            return disks
        return tuple(link for disk in disks if not disk.boot_stick for link in _drive_link(self._tree, disk))

    def card_links(self) -> tuple[BusLink, ...] | Absent:
        found = pci.of_classes(self._tree, pci.DISPLAY_CONTROLLERS)
        if isinstance(found, Absent):
            return found
        cards = (each for each in found if pci.on_card(each).value)
        return tuple(
            _bus_link(bus_path(self._tree, card.folder), pci.model(self._tree, card), link)
            for card in cards
            for link in pcie_link.links(self._tree, card.folder)
        )

    def backlights(self) -> tuple[Backlight, ...] | Absent:
        found = backlight.backlights(self._tree)
        return found if isinstance(found, Absent) else tuple(_lamp(each) for each in found)

    def charging(self) -> tuple[Charge, ...] | Absent:
        found = power_supply.charges(self._tree)
        return found if isinstance(found, Absent) else tuple(_charge(each) for each in found)

    def restraint(self) -> Restraint:
        allowed, highest = cpufreq.most_held_back(self._tree)
        slowed = throttle.throttled(self._tree).package_time
        most_w = powercap.long_term_limit(self._tree)
        return Restraint(slowed, uptime.seconds(self._tree), allowed, highest, most_w)

    def clocks(self) -> tuple[ClockState, ...] | Absent:
        found = cpufreq.policies(self._tree)
        if isinstance(found, Absent):
            return found
        return tuple(ClockState(it.id, it.now, it.base, it.highest) for it in found)

    def compute_trial(self, seconds: float, watch: Callable[[float], bool]) -> ComputeTrial:
        cores, cut = compute.trial(seconds, watch)
        return ComputeTrial(
            tuple(_core_trial(core) for core in cores), cpuinfo.running(self._tree), _words(cut, "trial")
        )

    def boot_entries(self) -> tuple[BootEntry, ...] | Absent:
        found = efivars.boot_entries(self._tree)
        if isinstance(found, Absent):
            return found
        return tuple(BootEntry(it.name, it.partition) for it in found if it.active and it.partition)

    def partitions(self) -> tuple[Partition, ...] | Absent:
        found = block.partitions(self._tree)
        return found if isinstance(found, Absent) else tuple(Partition(it.id, it.kind) for it in found)

    def error_counts(self) -> ErrorCounts:
        return ErrorCounts(
            _memory_errors(self._tree),
            _link_errors(self._tree),
            _log(self._tree),
            machine_check.raised(self._tree),
        )

    def error_counts_at_start(self) -> ErrorCounts:
        if self._at_start is None:
            self._at_start = self.error_counts()
        return self._at_start

    def load(self, cores: int) -> AbstractContextManager[None]:
        return load.load(cores)

    def _of_chips(self, channels: tuple[hwmon.Channel, ...] | Absent) -> tuple[TemperatureSensor, ...]:
        return tuple(
            TemperatureSensor(each.id, each.chip, each.label, hwmon.critical(self._tree, each))
            for each in (() if isinstance(channels, Absent) else channels)
        )

    def _of_zones(self, zones: tuple[thermal_zone.Zone, ...] | Absent) -> tuple[TemperatureSensor, ...]:
        return tuple(
            TemperatureSensor(each.id, "thermal zone", each.type, thermal_zone.critical(self._tree, each))
            for each in (() if isinstance(zones, Absent) else zones)
        )


class _Named(Protocol):
    @property
    def id(self) -> str: ...


N = TypeVar("N", bound=_Named)


class _Sensors(Generic[N]):
    """Sensors by id. They are looked for once, and again when one is not where it was.

    Sampling asks thousands of times, and looking takes a hundred times as long as reading.
    """

    def __init__(
        self,
        find: Callable[[Tree], tuple[N, ...] | Absent],
        ask: Callable[[Tree, N], Reading | Absent],
    ) -> None:
        self._find = find
        self._ask = ask
        self._known: dict[str, N] = {}

    def read(self, tree: Tree, id: str) -> Reading | Absent:
        answer = self._ask(tree, self._known[id]) if id in self._known else Absent(Why.NOT_THERE, id)
        if isinstance(answer, Reading) or answer.why is not Why.NOT_THERE:
            return answer
        found = self._find(tree)
        if isinstance(found, Absent):
            return found
        self._known = {each.id: each for each in found}
        return self._ask(tree, self._known[id]) if id in self._known else Absent(Why.NOT_THERE, id)


def _slot(device: smbios.MemoryDevice) -> MemorySlot:
    return MemorySlot(
        locator=device.locator,
        bank=device.bank,
        capacity=device.capacity,
        form_factor=device.form_factor,
        memory_type=device.memory_type,
        rated_speed=device.rated_speed,
        configured_speed=device.configured_speed,
        serial=device.serial,
        part_number=device.part_number,
    )


def _trial(done: pattern.Trial, table: smbios.Table | Absent) -> MemoryTrial:
    source = "march test"
    ended = Reading(done.ended, "", source) if done.ended else Absent(Why.NOT_THERE, source)
    return MemoryTrial(
        available=done.available,
        tried=Reading(sum(done.regions), "bytes", source),
        smallest=Reading(min(done.regions), "bytes", source),
        cache=done.cache,
        rounds=Reading(done.rounds, "", source),
        wrong=Reading(done.wrong, "", source),
        words=tuple(_bad_word(word, table) for word in done.words),
        ended=ended,
    )


def _bad_word(word: pattern.BadWord, table: smbios.Table | Absent) -> BadWord:
    source = f"march test, byte {word.offset} of a region"
    again = Absent(Why.DID_NOT_ANSWER, source, "right when read once more")
    return BadWord(
        address=word.physical,
        expected=Reading(f"{word.expected:016x}", "", source),
        read=again if word.read == word.expected else Reading(f"{word.read:016x}", "", source),
        modules=_modules(word.physical, table),
    )


def _modules(address: Reading | Absent, table: smbios.Table | Absent) -> tuple[Reading, ...] | Absent:
    if isinstance(address, Absent):
        return address
    if isinstance(table, Absent):
        return table
    return tuple(Reading(name, "", "SMBIOS") for name in smbios.devices_at(table, int(address.value)))


def _drive(disk: block.Disk) -> Drive:
    return Drive(
        id=disk.id,
        transport=disk.transport,
        model=disk.model,
        serial=disk.serial,
        capacity=disk.capacity,
        removable=disk.removable,
        boot_stick=disk.boot_stick,
    )


def _battery(cell: power_supply.Cell) -> Battery:
    return Battery(cell.id, cell.model, cell.present, cell.design, cell.full, cell.cycles)


class _Placed(Protocol):
    @property
    def inside(self) -> Reading | Absent: ...


P = TypeVar("P", bound=_Placed)


def _of_unit(found: Iterable[P]) -> Iterable[P]:
    """Without what is known to be plugged in from outside."""
    return (each for each in found if isinstance(each.inside, Absent) or each.inside.value)


def _connector(it: drm.Connector) -> DisplayConnector:
    return DisplayConnector(it.id, it.internal, it.connected, it.fault, it.model)


def _graphics(tree: Tree, it: pci.Device) -> GraphicsAdapter:
    return GraphicsAdapter(
        bus_path(tree, it.folder), pci.model(tree, it), tree.driver(it.folder), pci.on_card(it)
    )


def _chip(it: graphics_chip.Chip) -> GraphicsChip:
    return GraphicsChip(it.id, it.model, it.on_card, it.node, tuple(each.id for each in it.sensors))


@dataclass(frozen=True, slots=True)
class _Idle:
    """Nothing draws, because of `why`."""

    why: Absent

    def drawn(self) -> Drawn:
        return Drawn(self.why, self.why, self.why, self.why, Absent(Why.NOT_THERE, self.why.source))

    def busy(self) -> AbstractContextManager[None]:
        return nullcontext()


@dataclass(frozen=True, slots=True)
class _Busy:
    """A worker that draws."""

    worker: drawing.Drawing

    def drawn(self) -> Drawn:
        told, source = self.worker.drawn(), "drawing off screen"
        if not told.driver:
            why = told.refused or "the worker that draws did not begin"
            return _Idle(Absent(Why.NOT_SUPPORTED, source, why)).drawn()
        return Drawn(
            driver=Reading(told.driver, "", source),
            by_processor=Reading(told.by_processor, "", source),
            squares=Reading(told.squares, "", source),
            wrong=Reading(told.wrong, "", source),
            ended=_words((told.refused or "its process ended") if told.ended else "", source),
        )

    def busy(self) -> AbstractContextManager[None]:
        return self.worker.busy()


def _network(it: ethernet.Adapter) -> NetworkAdapter:
    return NetworkAdapter(it.id, it.model, it.driver, it.carrier, it.speed, it.most_speed)


def _bluetooth(it: bluetooth.Controller) -> Radio:
    return Radio(it.id, it.model, it.driver, it.soft_blocked, it.hard_blocked)


def _sound(it: alsa.Card) -> SoundCard:
    return SoundCard(it.id, it.model, it.plays, it.records)


def _input(it: inputs.Device) -> InputDevice:
    return InputDevice(it.id, it.name, it.inside, tuple(InputSort(sort) for sort in it.sorts))


def _lamp(it: backlight.Backlight) -> Backlight:
    return Backlight(it.id, it.brightness, it.lit)


def _charge(it: power_supply.Charge) -> Charge:
    return Charge(it.id, it.status, it.level, it.starts_below)


def _drive_link(tree: Tree, disk: block.Disk) -> tuple[BusLink, ...]:
    transport = disk.transport.value if isinstance(disk.transport, Reading) else ""
    if transport == "nvme":
        links = pcie_link.links(tree, disk.folder)
        return tuple(
            replace(_bus_link(disk.id, disk.model, it), most_speed=pcie_link.allowed_speed(it))
            for it in links
        )
    if transport == "sata":
        it = ata_link.link_of(tree, disk.folder)
        no_lanes = Absent(Why.NOT_SUPPORTED, disk.folder, "SATA has one lane")
        return (BusLink(disk.id, disk.model, it.speed, no_lanes, it.most_speed, no_lanes, it.lowered),)
    return ()


def _bus_link(id: str, model: Reading | Absent, it: pcie_link.Link) -> BusLink:
    never = Absent(Why.NOT_SUPPORTED, id, "the kernel does not lower it")
    return BusLink(id, model, it.speed, it.width, it.most_speed, it.most_width, never)


def _memory_errors(tree: Tree) -> tuple[MemoryErrors, ...] | Absent:
    """Of each module where the driver tells them apart, else of each controller."""
    modules = edac.modules(tree)
    found = modules or edac.controllers(tree)
    if isinstance(found, Absent):
        return found
    return tuple(MemoryErrors(it.id, it.label, it.corrected, it.uncorrected) for it in found)


def _link_errors(tree: Tree) -> tuple[LinkErrors, ...] | Absent:
    found = aer.errors(tree)
    if isinstance(found, Absent):
        return found
    return tuple(LinkErrors(it.id, it.what, it.corrected, it.nonfatal, it.fatal) for it in found)


def _log(tree: Tree) -> KernelLog | Absent:
    found = kernel_log.complaints(tree)
    if isinstance(found, Absent):
        return found
    return KernelLog(tuple(reading for _, reading in found.counts), found.lost)


def _readers(tree: Tree, found: tuple[pci.Device, ...] | Absent) -> Iterable[CardReader]:
    for each in () if isinstance(found, Absent) else found:
        yield CardReader(bus_path(tree, each.folder), pci.model(tree, each), tree.driver(each.folder))


def _radio(adapter: wireless.Adapter) -> Radio:
    return Radio(adapter.id, adapter.model, adapter.driver, adapter.soft_blocked, adapter.hard_blocked)


def _in_range(heard: wireless.Network, radio: str) -> Network:
    return Network(heard.sender, heard.mhz, Reading(heard.signal, "dBm", f"nl80211 {radio}"), heard.frames)


def _chains(chains: tuple[wireless.Chain, ...] | Absent, radio: str) -> tuple[ChainSignal, ...] | Absent:
    if isinstance(chains, Absent):
        return chains
    source = f"nl80211 {radio}"
    return tuple(
        ChainSignal(each.chain, Reading(each.signal, "dbm", f"{source} chain {each.chain}"), each.frames)
        for each in chains
    )


def _proof(machine: LiveMachine) -> Machine:
    """The type checker's proof that a live machine is a `Machine`."""
    return machine


def _core_trial(core: compute.Core) -> CoreTrial:
    source = f"core {core.number}"
    silent = Absent(Why.DID_NOT_ANSWER, source, core.ended or "it did not begin")
    if core.pinned is None:
        return CoreTrial(core.number, silent, silent, silent, silent, _words(core.ended, source))
    return CoreTrial(
        number=core.number,
        pinned=Reading(core.pinned, "", source),
        rounds=Reading(core.rounds, "", source),
        wrong=Reading(sum(core.wrong.values()), "", source),
        sorts=_words(" and ".join(core.wrong), source),
        ended=_words(core.ended, source),
    )


def _words(words: str, source: str) -> Reading | Absent:
    return Reading(words, "", source) if words else Absent(Why.NOT_THERE, source)
