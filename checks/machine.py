"""What a check needs of a computer: typed facts in SI units, never paths.

The live Linux machine, the rehearsal machine and the recorded machine fit this protocol. A fact is
built of `Reading` and `Absent` only, so it can go into evidence as it is. Rules for every machine:

- nothing raises for hardware that does not answer: that is an `Absent`, with its reason;
- a list is a tuple of what was found (empty: looked, and there is none) or one `Absent` (could not look);
- ids are what stays the same (bus path, serial), never an enumeration number;
- whatever acts on the unit is a context manager, and puts things back on every way out.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final, Protocol

from reports.model.baseline import Settings
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.record import Identity, Source

NOT_ALLOWED: Final = Absent(Why.NOT_PERMITTED, "fan control", "only with --allow-control")
"""Nobody let us command the fan."""


class Clock(Protocol):
    """Time as a machine has it. Tests and rehearsals move it; only the live one waits."""

    def monotonic(self) -> float:
        """Seconds since the run began; never goes back."""

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass."""

    def utc(self) -> datetime:
        """The wall clock, timezone-aware UTC; how far it can be trusted is another question.

        During a run it only counts on: it never jumps.
        """

    def jump_s(self) -> float:
        """Seconds by which the wall clock was set since, as far as can be told; 0 where it was not."""


@dataclass(frozen=True, slots=True)
class MemorySlot:
    """One memory device of the firmware table (SMBIOS type 17). `capacity` in bytes, 0: empty slot."""

    locator: Reading | Absent
    bank: Reading | Absent
    capacity: Reading | Absent
    form_factor: Reading | Absent
    memory_type: Reading | Absent
    rated_speed: Reading | Absent
    configured_speed: Reading | Absent
    serial: Reading | Absent
    part_number: Reading | Absent


@dataclass(frozen=True, slots=True)
class BadWord:
    """64 bits of memory that read wrong, as hexadecimal text. `read` is absent where it read right again.

    `address` is physical, in bytes; `modules` names those that it may lie in: one, where that is known.
    """

    address: Reading | Absent
    expected: Reading | Absent
    read: Reading | Absent
    modules: tuple[Reading, ...] | Absent


@dataclass(frozen=True, slots=True)
class MemoryTrial:
    """March tests over free memory (`checks.measures.march`). Sizes in bytes.

    `available` is what was free, `tried` what all processors tried of it, `smallest` the region of the one
    that had least, `cache` the last-level cache. `rounds` were done over all of it. `wrong` counts wrong
    readings; `words` names some of them. `ended` says why not all the rounds asked for were done.
    """

    available: Reading | Absent
    tried: Reading | Absent
    smallest: Reading | Absent
    cache: Reading | Absent
    rounds: Reading | Absent
    wrong: Reading | Absent
    words: tuple[BadWord, ...]
    ended: Reading | Absent


@dataclass(frozen=True, slots=True)
class Drive:
    """A whole drive. `id` is its bus path; `transport` one of sata, nvme, usb, mmc, virtio, other.

    `capacity` in bytes; `boot_stick` true for the medium that the agent runs from.
    """

    id: str
    transport: Reading | Absent
    model: Reading | Absent
    serial: Reading | Absent
    capacity: Reading | Absent
    removable: Reading | Absent
    boot_stick: bool


@dataclass(frozen=True, slots=True)
class DriveHealth:
    """What the drive `id` says of its own health; what it does not keep is absent, not supported.

    `sound` is its own verdict, `warnings` what its critical warning says and `worn` which of its attributes
    stand at their maker's threshold, each in words, "" for none. Counts since it was made: `reallocated`,
    `pending` (could not be read, not yet replaced) and `uncorrectable` sectors, `unrecovered` reads that
    failed, `interface_errors` (CRC, on its cable), `hours` powered, `starts`. `spare`, `spare_threshold`
    and `used` (of its endurance, may exceed 100) in percent, `temperature` in celsius.
    """

    id: str
    sound: Reading | Absent
    warnings: Reading | Absent
    worn: Reading | Absent
    reallocated: Reading | Absent
    pending: Reading | Absent
    uncorrectable: Reading | Absent
    unrecovered: Reading | Absent
    interface_errors: Reading | Absent
    spare: Reading | Absent
    spare_threshold: Reading | Absent
    used: Reading | Absent
    hours: Reading | Absent
    starts: Reading | Absent
    temperature: Reading | Absent


class Use(StrEnum):
    """What a volume's signature says that it is for."""

    FILES = "file system"
    ENCRYPTED = "encrypted volume"
    ARRAY = "member of an array"
    OTHER = "other signature"


@dataclass(frozen=True, slots=True)
class Volume:
    """A partition (`number`), or the whole drive (0). `signature` names what lies there by its format, not
    there: none was found; `use` says what for. `board_bound`: its key is kept by the board's TPM."""

    number: int
    signature: Reading | Absent
    use: Reading | Absent
    board_bound: Reading | Absent


@dataclass(frozen=True, slots=True)
class DriveLayout:
    """What the drive `id` holds: the kind of its partition table (not there: none), and its volumes."""

    id: str
    table: Reading | Absent
    volumes: tuple[Volume, ...]


class DriveReader(Protocol):
    """A drive that is open to be read, and never to be written."""

    @property
    def size(self) -> int:
        """Bytes."""

    def read(self, offset: int, length: int) -> Reading | Absent:
        """Read `length` bytes at `offset`, multiples of 4096, and forget them: how long that took, seconds.

        From the drive, not from a cache. Absent where it did not give them all.
        """


@dataclass(frozen=True, slots=True)
class Radio:
    """A wireless adapter. `driver` absent: the device is there but no driver took it.

    `soft_blocked` and `hard_blocked` are its switches (rfkill), true when they silence it.
    """

    id: str
    model: Reading | Absent
    driver: Reading | Absent
    soft_blocked: Reading | Absent
    hard_blocked: Reading | Absent


@dataclass(frozen=True, slots=True)
class ChainSignal:
    """The strongest network heard through one antenna chain: median over `frames` frames, dBm."""

    chain: int
    signal: Reading | Absent
    frames: int


@dataclass(frozen=True, slots=True)
class Network:
    """A network heard: `signal` is the median over `frames` frames, dBm, at `frequency_mhz`.

    `sender` is its address, to know it again; neither it nor a name goes into evidence.
    """

    sender: str
    frequency_mhz: int
    signal: Reading | Absent
    frames: int


@dataclass(frozen=True, slots=True)
class Fan:
    """A tachometer that the kernel shows: `id` for `fan_speed`, `label` as the chip's driver names it."""

    id: str
    label: str


@dataclass(frozen=True, slots=True)
class TemperatureSensor:
    """A temperature sensor; `critical` in celsius is the limit that it reports itself."""

    id: str
    chip: str
    label: str
    critical: Reading | Absent


@dataclass(frozen=True, slots=True)
class Camera:
    """A capture device that offers pictures."""

    id: str
    model: Reading | Absent
    driver: Reading | Absent


@dataclass(frozen=True, slots=True)
class Look:
    """What a camera gave while it was looked through: measures, and no picture.

    `refused`: it was asked for pictures and would not start; else not there. `frames` arrived, `spoilt` of
    them cut short or marked as faulty by its driver. `rate` counts them and those that this computer was too
    slow to take; `stated` is the camera's own, frames a second. The rest is as in
    `checks.measures.frames.Measured`.
    """

    format: Reading | Absent
    refused: Reading | Absent
    frames: Reading | Absent
    spoilt: Reading | Absent
    stated: Reading | Absent
    rate: Reading | Absent
    light: Reading | Absent
    contrast: Reading | Absent
    sharpness: Reading | Absent
    repeats: Reading | Absent
    moved: Reading | Absent


@dataclass(frozen=True, slots=True)
class Battery:
    """A battery of the unit. `present` false: its place is empty. `design` and `full` are its capacity as
    made and as it was last charged full, both in watt_hours or both in ampere_hours."""

    id: str
    model: Reading | Absent
    present: Reading | Absent
    design: Reading | Absent
    full: Reading | Absent
    cycles: Reading | Absent


@dataclass(frozen=True, slots=True)
class Processor:
    """What the processor calls itself, and how many physical cores of it run; `socket_cores` is how many
    the firmware knows of (SMBIOS type 4)."""

    model: Reading | Absent
    cores: Reading | Absent
    socket_cores: Reading | Absent


@dataclass(frozen=True, slots=True)
class TrustModule:
    """A trusted platform module; `version` is the family of the specification, 1.2 or 2.0."""

    id: str
    version: Reading | Absent


@dataclass(frozen=True, slots=True)
class DisplayConnector:
    """A connector that a display may hang on. `internal`: of a sort that leads to a panel inside.

    `fault` is what is wrong with the data that the display gives of itself (EDID), "" where nothing is;
    `model` is its maker's letters, product number and name.
    """

    id: str
    internal: bool
    connected: Reading | Absent
    fault: Reading | Absent
    model: Reading | Absent


@dataclass(frozen=True, slots=True)
class GraphicsAdapter:
    """A graphics adapter; `on_card` false: it is part of the processor or the board."""

    id: str
    model: Reading | Absent
    driver: Reading | Absent
    on_card: Reading | Absent


@dataclass(frozen=True, slots=True)
class GraphicsChip:
    """A graphics chip and its heat. `on_card` false: it is part of the processor or the board.

    `draws`: by what an open driver reaches it to draw. `sensors` are its own, ids for `temperature`, that
    nearest to its heat first.
    """

    id: str
    model: Reading | Absent
    on_card: Reading | Absent
    draws: Reading | Absent
    sensors: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a chip drew for nobody to see: `driver` is what draws (absent: why nothing does), `by_processor`
    that it is no chip. `squares` were drawn; `wrong` values were in those that were compared. `ended`: why
    it gave out (not there: it did not)."""

    driver: Reading | Absent
    by_processor: Reading | Absent
    squares: Reading | Absent
    wrong: Reading | Absent
    ended: Reading | Absent


@dataclass(frozen=True, slots=True)
class NetworkAdapter:
    """A wired network adapter; `carrier`: something answers at the other end of its cable.

    `speed` is that of the link, Mbit/s, and `most_speed` the highest that both ends offered.
    """

    id: str
    model: Reading | Absent
    driver: Reading | Absent
    carrier: Reading | Absent
    speed: Reading | Absent
    most_speed: Reading | Absent


@dataclass(frozen=True, slots=True)
class SoundCard:
    """A sound card; `plays` and `records` by streams of its own, not those of a display cable."""

    id: str
    model: Reading | Absent
    plays: Reading | Absent
    records: Reading | Absent


class InputSort(StrEnum):
    KEYBOARD = "keyboard"
    POINTER = "pointer"
    TOUCH = "touch screen"
    LID = "lid switch"
    POWER = "power key"


@dataclass(frozen=True, slots=True)
class InputDevice:
    """An input device; `inside` absent: nobody wrote down whether its socket is inside the unit."""

    id: str
    name: Reading | Absent
    inside: Reading | Absent
    sorts: tuple[InputSort, ...]


@dataclass(frozen=True, slots=True)
class CardReader:
    """A reader of memory cards, whether or not a card is in it."""

    id: str
    model: Reading | Absent
    driver: Reading | Absent


@dataclass(frozen=True, slots=True)
class BusLink:
    """The link between a device and its socket: `id` and `model` of the device.

    Speeds in GT/s of one lane (PCI Express) or Gbit/s (SATA), widths in lanes; `most_*` is the lesser of the
    device and what it is plugged into. `lowered`: the kernel lowered the speed because of errors.
    """

    id: str
    model: Reading | Absent
    speed: Reading | Absent
    width: Reading | Absent
    most_speed: Reading | Absent
    most_width: Reading | Absent
    lowered: Reading | Absent


@dataclass(frozen=True, slots=True)
class MemoryErrors:
    """Errors that a memory controller, or one module of it, counted since the start."""

    id: str
    label: str
    corrected: Reading | Absent
    uncorrected: Reading | Absent


@dataclass(frozen=True, slots=True)
class LinkErrors:
    """Errors that the link of a PCI Express device counted since the start; `what` is its sort in words."""

    id: str
    what: str
    corrected: Reading | Absent
    nonfatal: Reading | Absent
    fatal: Reading | Absent


class Complaint(StrEnum):
    """What an error in the kernel's log is about."""

    MACHINE_CHECK = "machine check"
    MEMORY = "memory"
    PCI_EXPRESS = "PCI Express"
    DRIVE = "drive"
    DRIVE_LINK = "drive link"
    USB = "USB"
    HEAT = "heat"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class KernelLog:
    """How many errors of each sort the kernel's log holds since the start, in the order of `Complaint`.

    `lost`: its oldest records are gone, and every count is a lower bound.
    """

    errors: tuple[Reading | Absent, ...]
    lost: bool


@dataclass(frozen=True, slots=True)
class ErrorCounts:
    """Everything that counts errors, at one moment. `machine_checks` are those that the processors raised."""

    memory: tuple[MemoryErrors, ...] | Absent
    links: tuple[LinkErrors, ...] | Absent
    log: KernelLog | Absent
    machine_checks: Reading | Absent


@dataclass(frozen=True, slots=True)
class Backlight:
    """What lights a panel: `brightness` as a share of the highest, 0 to 1; `lit`: it has power."""

    id: str
    brightness: Reading | Absent
    lit: Reading | Absent


@dataclass(frozen=True, slots=True)
class Charge:
    """How a battery charges: `status` in the kernel's words, `level` a share of full, 0 to 1.

    `starts_below` is the level below which it is set to charge; not there where it is set to nothing.
    """

    id: str
    status: Reading | Absent
    level: Reading | Absent
    starts_below: Reading | Absent


@dataclass(frozen=True, slots=True)
class Restraint:
    """What holds the processor back: seconds slowed because of heat, of those since the start; hertz that its
    slowest group of cores may run at, of those that it can; and watts that its packages may use for long."""

    slowed: Reading | Absent
    since_start: Reading | Absent
    allowed: Reading | Absent
    highest: Reading | Absent
    power_limit: Reading | Absent


@dataclass(frozen=True, slots=True)
class CoreTrial:
    """What one core computed (`checks.measures.exact`); `number` is the kernel's, of a logical processor.

    `pinned`: it was kept to that core. `rounds` are whole ones, `wrong` counts wrong values, `sorts` says in
    which computations, `ended` why it gave out early (not there: it did not).
    """

    number: int
    pinned: Reading | Absent
    rounds: Reading | Absent
    wrong: Reading | Absent
    sorts: Reading | Absent
    ended: Reading | Absent


@dataclass(frozen=True, slots=True)
class ComputeTrial:
    """All cores at once. `running` is how many the kernel runs; `ended`: what cut it short."""

    cores: tuple[CoreTrial, ...]
    running: Reading | Absent
    ended: Reading | Absent


@dataclass(frozen=True, slots=True)
class ClockState:
    """The clock, hertz, of cores that change together: `now`, the `base` that they hold at their rated power,
    and the `highest`."""

    id: str
    now: Reading | Absent
    base: Reading | Absent
    highest: Reading | Absent


@dataclass(frozen=True, slots=True)
class BootEntry:
    """A system that the firmware may start: `partition` is the GUID that its entry points at, lower case."""

    name: str
    partition: str


@dataclass(frozen=True, slots=True)
class Partition:
    """A partition of a drive inside the unit, by the GUIDs of its table, lower case; `kind` is its type."""

    id: Reading | Absent
    kind: Reading | Absent


class GraphicsLoad(Protocol):
    """A graphics chip that is ready to draw, and draws only while it is `busy`."""

    def drawn(self) -> Drawn:
        """What it drew until now; at least once where it can draw at all."""

    def busy(self) -> AbstractContextManager[None]:
        """Keep it busy while the context is open."""


class Machine(Protocol):
    """A computer to be asked. Devices known to be plugged in from outside are none of the unit's."""

    @property
    def source(self) -> Source: ...

    @property
    def clock(self) -> Clock: ...

    def identity(self) -> Identity: ...

    def memory_slots(self) -> tuple[MemorySlot, ...] | Absent: ...

    def memory_total(self) -> Reading | Absent:
        """What the kernel has to give out, bytes: less than is fitted, by the firmware's reserved share."""

    def memory_trial(
        self, share: float, rounds: int, seconds: float, watch: Callable[[float], bool]
    ) -> MemoryTrial | Absent:
        """Try `share` of the free memory with the first `rounds` of `march.ROUNDS`, on all processors.

        Ends after `seconds`, or when `watch`, told about once a second what share is done, says False;
        never takes what the system needs.
        """

    def drives(self) -> tuple[Drive, ...] | Absent: ...

    def drive_health(self, drive: str) -> DriveHealth | Absent:
        """What `drive` says of its health; one that sleeps is not woken for it (absent: switched off)."""

    def drive_layout(self, drive: str) -> DriveLayout | Absent:
        """The signatures on `drive`; nothing of it is mounted."""

    def reading(self, drive: str) -> AbstractContextManager[DriveReader | Absent]:
        """`drive`, open to be read while the context is."""

    def hidden_storage(self) -> Reading | Absent:
        """A storage controller that hides its drives (its name), when its mode does so; else not there."""

    def firmware_settings(self) -> Settings: ...

    def radios(self) -> tuple[Radio, ...] | Absent: ...

    def chain_signals(self, radio: str) -> tuple[ChainSignal, ...] | Absent: ...

    def networks(self, radio: str, scans: int) -> tuple[Network, ...] | Absent:
        """Every network heard in `scans` scans (empty: listened, and there was none)."""

    def frequencies(self, radio: str) -> tuple[int, ...] | Absent:
        """MHz that the adapter may listen at, as its driver and the rules of the country allow."""

    def fans(self) -> tuple[Fan, ...] | Absent: ...

    def fan_speed(self, fan: str) -> Reading | Absent:
        """Revolutions per minute of the tachometer `fan`."""

    def full_speed(self, fan: str) -> AbstractContextManager[Reading | Absent]:
        """Command full speed of `fan` while the context is open; gives the duty, or why there is none.

        Only where the operator allowed it. Every way out puts back what was.
        """

    def temperature_sensors(self) -> tuple[TemperatureSensor, ...] | Absent: ...

    def temperature(self, sensor: str) -> Reading | Absent:
        """Celsius."""

    def processor_sensor(self) -> str | None:
        """The id of the sensor nearest to the processor's heat, None where no sensor is known to be."""

    def package_energy(self) -> Reading | Absent:
        """Joules used by the processor package since some moment; wrap-around already undone."""

    def cores(self) -> int:
        """How many cores a full load occupies."""

    def on_mains(self) -> Reading | Absent:
        """Whether mains power is connected."""

    def batteries(self) -> tuple[Battery, ...] | Absent: ...

    def processor(self) -> Processor: ...

    def real_time_clock(self) -> Reading | Absent:
        """Date and time of the clock that runs while the unit is off, seconds since 1970 as if in UTC."""

    def trust_modules(self) -> tuple[TrustModule, ...] | Absent: ...

    def display_connectors(self) -> tuple[DisplayConnector, ...] | Absent: ...

    def graphics_adapters(self) -> tuple[GraphicsAdapter, ...] | Absent: ...

    def graphics_chips(self) -> tuple[GraphicsChip, ...] | Absent: ...

    def graphics_energy(self, chip: str) -> Reading | Absent:
        """Joules used by `chip` since some moment; not supported where it tells neither energy nor power."""

    def drawing(self, chip: str) -> AbstractContextManager[GraphicsLoad]:
        """Have `chip` ready to draw what nobody sees; every way out ends it."""

    def network_adapters(self) -> tuple[NetworkAdapter, ...] | Absent: ...

    def bluetooth_controllers(self) -> tuple[Radio, ...] | Absent: ...

    def sound_cards(self) -> tuple[SoundCard, ...] | Absent: ...

    def input_devices(self) -> tuple[InputDevice, ...] | Absent: ...

    def card_readers(self) -> tuple[CardReader, ...] | Absent: ...

    def cameras(self) -> tuple[Camera, ...] | Absent: ...

    def look(self, camera: str, settle_s: float, seconds: float) -> Look | Absent:
        """Look through `camera` for `seconds`, after `settle_s` in which it finds its exposure.

        Pictures are measured and forgotten one by one. Every way out stops it and puts its format back.
        """

    def drive_links(self) -> tuple[BusLink, ...] | Absent:
        """Of every drive inside the unit; not there for drives whose bus tells nothing of its link."""

    def card_links(self) -> tuple[BusLink, ...] | Absent:
        """Of every graphics card, the link between slot and card."""

    def backlights(self) -> tuple[Backlight, ...] | Absent:
        """The one to believe first."""

    def charging(self) -> tuple[Charge, ...] | Absent:
        """Of every battery that is in its place."""

    def restraint(self) -> Restraint: ...

    def clocks(self) -> tuple[ClockState, ...] | Absent:
        """Of every group of cores; not supported where the kernel sees no clock (a virtual machine)."""

    def compute_trial(self, seconds: float, watch: Callable[[float], bool]) -> ComputeTrial:
        """Have every core compute at once for `seconds`, or until `watch`, told about once a second what
        share of them is over, says False."""

    def boot_entries(self) -> tuple[BootEntry, ...] | Absent:
        """Those that are active and point at a partition, in the order they are tried."""

    def partitions(self) -> tuple[Partition, ...] | Absent: ...

    def error_counts(self) -> ErrorCounts: ...

    def error_counts_at_start(self) -> ErrorCounts:
        """Those of when this was asked first, which a run does before its first check."""

    def load(self, cores: int) -> AbstractContextManager[None]:
        """Keep `cores` cores busy while the context is open; every way out ends the load."""


@dataclass(frozen=True, slots=True)
class Question:
    """Something to ask a person: `id` is stable, `options` the answers offered, in order."""

    id: str
    text: str
    options: tuple[str, ...]


CANNOT_TELL = "cannot tell"
"""The option every question offers last."""


class Session(Protocol):
    """The run around a measurement: the person at the bench, and the progress line."""

    def ask(self, question: Question) -> Answer | Absent:
        """Their answer; `Absent` (did not answer) where nobody is there or they do not say."""

    def tell(self, words: str, fraction: float) -> None:
        """Say what is being done and how much of it is (0 to 1)."""
