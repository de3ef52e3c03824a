"""A rehearsal unit: what hardware it has, and the physics of its heat, as values.

A unit is good as long as nothing bends it: `faults` turns a good unit into one with a fault.
So everything that can go wrong is a member here, and the machine that plays the unit knows no faults at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from checks.machine import Complaint, InputSort, Use
from reports.model.bench import Band
from reports.model.order import Form

SCHEMA = "benchproof/rehearsal/1"
SCHEMA_FILE = Path(__file__).with_name("unit.schema.json")


@dataclass(frozen=True, slots=True)
class Plate:
    """What the firmware tables say the unit is."""

    maker: str
    product: str
    serial: str
    sku: str
    uuid: str
    firmware_version: str
    firmware_date: str
    board_serial: str
    chassis_serial: str


@dataclass(frozen=True, slots=True)
class Firmware:
    """The firmware's settings; without `uefi` it has neither Secure Boot nor entries.

    `entries_stale`: they point at a partition that no drive has.
    """

    uefi: bool = True
    secure_boot: bool = True
    boot_entries: tuple[str, ...] = ("Owner's system",)
    controller_mode: str = "AHCI"
    entries_stale: bool = False


@dataclass(frozen=True, slots=True)
class Slot:
    """A memory slot; `capacity_bytes` 0: empty. Speeds in MT/s. `stuck_bit`: of a word in its middle."""

    locator: str
    bank: str
    capacity_bytes: int
    form_factor: str
    memory_type: str
    rated_speed: int
    configured_speed: int
    serial: str
    part_number: str
    stuck_bit: int | None = None


@dataclass(frozen=True, slots=True)
class Lane:
    """The link of a device to its socket: GT/s of one lane, or Gbit/s for SATA and networks; `width` 0: it
    has no lanes.

    `most_*` is the lesser of both ends, 0 where nobody tells. At work it runs at that, unless it is `held` at
    its speed; `lowered`: by the kernel.
    """

    speed: float
    width: int
    most_speed: float
    most_width: int
    lowered: bool = False
    held: bool = False


@dataclass(frozen=True, slots=True)
class DriveLog:
    """What a drive keeps of its health, if it `keeps` any: members as in `checks.machine.DriveHealth`.

    A bad cable adds `interface_errors_per_gib` of data that crosses it.
    """

    keeps: bool = True
    sound: bool = True
    warnings: str = ""
    worn: str = ""
    reallocated: int = 0
    pending: int = 0
    uncorrectable: int = 0
    unrecovered: int = 0
    interface_errors: int = 0
    interface_errors_per_gib: float = 0.0
    spare: int = 100
    spare_threshold: int = 10
    used: int = 3
    hours: int = 4200
    starts: int = 900
    temperature: int = 38


@dataclass(frozen=True, slots=True)
class Extent:
    """A partition, or with number 0 the whole drive, and the signature in it ("": none).

    `board_bound` None: its header does not tell whether the board's TPM keeps its key.
    """

    number: int
    signature: str
    use: Use = Use.FILES
    board_bound: bool | None = None


@dataclass(frozen=True, slots=True)
class Disk:
    """A drive; `id` is its bus path. `lane` None: its bus tells nothing of its link. `table` is the kind of
    its partition table, "" for none.

    Its `bad_bytes` from byte `bad_from` on cannot be read.
    """

    id: str
    transport: str
    model: str
    serial: str
    capacity_bytes: int
    removable: bool = False
    boot_stick: bool = False
    lane: Lane | None = None
    log: DriveLog = DriveLog()
    table: str = "gpt"
    volumes: tuple[Extent, ...] = (Extent(1, "vfat"), Extent(2, "ntfs"))
    bytes_per_s: float = 5e8
    seek_s: float = 1e-4
    bad_from: int = 0
    bad_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Sender:
    """A network in range of the unit, and how loud the unit's radio hears it."""

    mhz: int
    dbm: float
    address: str = "02000000a001"


BENCH_AIR = (Sender(2437, -46.0), Sender(5180, -51.0, "02000000a002"))
"""The access point of an invented bench."""


@dataclass(frozen=True, slots=True)
class Antenna:
    """A wireless adapter. `chains_dbm` is what each antenna chain hears; empty: it does not say per chain.

    `hears` are the networks in range, and `bands` those the adapter is made for."""

    id: str
    model: str
    driver: str
    chains_dbm: tuple[float, ...] = ()
    soft_blocked: bool = False
    hard_blocked: bool = False
    hears: tuple[Sender, ...] = BENCH_AIR
    bands: tuple[Band, ...] = (Band.LOW, Band.MIDDLE)


@dataclass(frozen=True, slots=True)
class Eye:
    """A camera. `light` is the brightness of what it shows, a share of the span from black to white; `blur`
    in pixels comes on top of its lens's. One that is `frozen` gives one picture again and again.
    """

    id: str
    model: str
    driver: str
    rate: float = 30.0
    light: float = 0.4
    blur: float = 0.0
    frozen: bool = False
    shutter: bool = False
    shutter_works: bool = True


@dataclass(frozen=True, slots=True)
class Package:
    """The processor's power: watts at idle, per busy core, and the limit, which steps down after `boost_s`.

    `wander` is how much it fluctuates by itself (one standard deviation, share). Above `throttle_celsius` it
    gives way.
    """

    cores: int
    idle_w: float
    core_w: float
    boost_w: float
    boost_s: float
    sustained_w: float
    throttle_celsius: float
    wander: float = 0.01
    energy_counter: bool = True


@dataclass(frozen=True, slots=True)
class Cooling:
    """Two thermal nodes, die and cooler, between the power and the room.

    `contact_k_per_w` lies between them (the compound); the cooler gives off `still_w_per_k` by itself and
    `forced_w_per_k` more with the fan at full speed. The room drifts by `drift_k_per_s`.
    """

    room_celsius: float
    drift_k_per_s: float
    die_j_per_k: float
    contact_k_per_w: float
    cooler_j_per_k: float
    still_w_per_k: float
    forced_w_per_k: float


@dataclass(frozen=True, slots=True)
class Blower:
    """The cooler's fan: speed against die temperature, (celsius, rpm) points rising, reached with `lag_s`.

    `strength` scales speed and air; an unplugged one stands still; one whose contact is `shaky_s` loses it
    for 3 s every so many seconds (0: never). One that does not obey turns at one speed.
    """

    id: str
    label: str
    curve: tuple[tuple[float, float], ...]
    lag_s: float = 4.0
    tachometer: bool = True
    plugged: bool = True
    strength: float = 1.0
    shaky_s: float = 0.0
    obeys: bool = True

    @property
    def full_rpm(self) -> float:
        return self.curve[-1][1]


class Node(StrEnum):
    """Where a sensor sits."""

    DIE = "die"
    COOLER = "cooler"
    ROOM = "room"


@dataclass(frozen=True, slots=True)
class Thermometer:
    """A temperature sensor: noisy (one standard deviation, K), rounded to `quantum_k` (0: not).

    `critical_celsius` None: it reports no limit. `stuck` ones always say what they said first, ones that
    `vanishes_above` a temperature (celsius) stop answering there, `switched_off` ones never do.
    """

    id: str
    chip: str
    label: str
    node: Node
    critical_celsius: float | None = None
    offset_k: float = 0.0
    noise_k: float = 0.3
    quantum_k: float = 1.0
    stuck: bool = False
    vanishes_above: float | None = None
    switched_off: bool = False


@dataclass(frozen=True, slots=True)
class Chip:
    """What the processor calls itself; its cores are the package's; `wrong_core` miscalculates."""

    model: str = "HG six"
    wrong_core: int | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """A battery: capacities in watt hours; `cycles` 0: it does not count.

    `level` and `starts_below` are shares of full; `starts_below` 0: nobody set one.
    """

    id: str
    model: str
    design_watt_hours: float
    full_watt_hours: float
    cycles: int = 0
    status: str = "Charging"
    level: float = 0.8
    starts_below: float = 0.0


@dataclass(frozen=True, slots=True)
class Timekeeper:
    """The real-time clock: in local time `offset_s` ahead of UTC; `set_back_s` is how much it lost."""

    runs: bool = True
    offset_s: int = 0
    set_back_s: int = 0


@dataclass(frozen=True, slots=True)
class Screen:
    """A display on its connector; `fault` is what is wrong with the data it gives of itself."""

    id: str
    model: str
    internal: bool = True
    connected: bool = True
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Graphics:
    """The heat of a graphics chip with a cooler of its own, in the terms of the processor's.

    Its memory stands above the cooler by `memory_w` times `pads_k_per_w`. Without `draws` no open driver
    reaches it, without `sensor` it has none. `errs`: it draws wrong.
    """

    package: Package
    cooling: Cooling
    blowers: tuple[Blower, ...] = ()
    critical_celsius: float = 100.0
    memory_critical_celsius: float = 105.0
    memory_w: float = 10.0
    pads_k_per_w: float = 1.0
    draws: bool = True
    sensor: bool = True
    errs: bool = False


@dataclass(frozen=True, slots=True)
class Adapter:
    """A graphics adapter (`on_card`: not part of the board), a network adapter or a card reader.

    `heat` None: a graphics chip that shares the processor's cooler. At rest its link has `rests_at` lanes
    (0: all of them).
    """

    id: str
    model: str
    driver: str
    on_card: bool = False
    lane: Lane | None = None
    heat: Graphics | None = None
    rests_at: int = 0


@dataclass(frozen=True, slots=True)
class Sound:
    """A sound card: what it has streams for."""

    id: str
    model: str
    plays: bool = True
    records: bool = True


@dataclass(frozen=True, slots=True)
class Control:
    """Something a hand acts on: keyboard, pointer, touch screen, lid switch, power key."""

    id: str
    name: str
    sorts: tuple[InputSort, ...]


@dataclass(frozen=True, slots=True)
class Errors:
    """What was counted since the start; `a_minute` is by how much each count that is not 0 grows.

    Without `memory_counted` the memory has no error correction; without `links_counted` no device counts the
    errors of its link. `log` are errors in the kernel's log, by the words of `checks.machine.Complaint`.
    """

    memory_counted: bool = False
    memory_corrected: int = 0
    memory_uncorrected: int = 0
    links_counted: bool = True
    link_corrected: int = 0
    link_nonfatal: int = 0
    link_fatal: int = 0
    log: tuple[tuple[Complaint, int], ...] = ()
    a_minute: int = 0


@dataclass(frozen=True, slots=True)
class Lamp:
    """What lights the panel, as the kernel tells it: a share of the highest brightness."""

    id: str
    brightness: float = 0.6
    lit: bool = True


@dataclass(frozen=True, slots=True)
class Held:
    """What holds the processor back: the share of the time that heat slows it, and of its clock that it may
    use. Without `heat_told` its maker counts no such time. Under load its clock is `load_share` of the base,
    and without `clock_told` nobody sees it."""

    slowed_share: float = 0.0
    clock_share: float = 1.0
    heat_told: bool = True
    load_share: float = 1.1
    clock_told: bool = True


@dataclass(frozen=True, slots=True)
class Unit:
    """A whole unit. `processor_sensor` is the id of the one nearest to the heat, "" where none is.

    `network_answers`: something does, at the other end of a network cable that is in.
    """

    schema: str
    title: str
    form: Form
    plate: Plate
    slots: tuple[Slot, ...]
    reserved_bytes: int
    disks: tuple[Disk, ...]
    antennas: tuple[Antenna, ...]
    eyes: tuple[Eye, ...]
    package: Package
    cooling: Cooling
    blowers: tuple[Blower, ...]
    thermometers: tuple[Thermometer, ...]
    processor_sensor: str
    on_mains: bool = True
    hidden_storage: str = ""
    firmware: Firmware = Firmware()
    processor: Chip = Chip()
    batteries: tuple[Cell, ...] = ()
    timekeeper: Timekeeper = Timekeeper()
    tpm_version: str = "2.0"
    screens: tuple[Screen, ...] = ()
    graphics: tuple[Adapter, ...] = ()
    networks: tuple[Adapter, ...] = ()
    network_cable_in: bool = False
    network_answers: bool = True
    bluetooth: tuple[Antenna, ...] = ()
    sounds: tuple[Sound, ...] = ()
    controls: tuple[Control, ...] = ()
    readers: tuple[Adapter, ...] = ()
    errors: Errors = Errors()
    lamps: tuple[Lamp, ...] = ()
    panel_dark: bool = False
    held: Held = Held()
    charger_plugged: bool = True
