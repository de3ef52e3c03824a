"""Good units at random, spread as units on a bench are: for training and for statistics over many of them.

Every one is sound. Many lack what ordinary units lack: a tachometer, package power, chain signals.
The spreads are common practice, no source.
"""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

from agent.machine.rehearsal.unit import (
    SCHEMA,
    Adapter,
    Antenna,
    Blower,
    Cell,
    Control,
    Cooling,
    Disk,
    DriveLog,
    Errors,
    Extent,
    Eye,
    Firmware,
    Graphics,
    Held,
    Lamp,
    Lane,
    Node,
    Package,
    Plate,
    Screen,
    Slot,
    Sound,
    Thermometer,
    Timekeeper,
    Unit,
)
from checks.machine import Complaint, InputSort, Use
from reports.model.order import Form

GIB = 2**30

_SUSTAINED_W = {Form.LAPTOP: (12.0, 35.0), Form.ALL_IN_ONE: (30.0, 65.0), Form.TOWER: (60.0, 125.0)}
_RISE_K = {Form.LAPTOP: (32.0, 50.0), Form.ALL_IN_ONE: (25.0, 45.0), Form.TOWER: (25.0, 45.0)}
_FULL_RPM = {Form.LAPTOP: (4000.0, 6000.0), Form.ALL_IN_ONE: (2000.0, 3200.0), Form.TOWER: (1400.0, 2200.0)}


def random_good_unit(seed: int, form: Form) -> Unit:
    """A sound unit of `form`; the same seed gives the same unit."""
    chance = random.Random(f"good {form.value} {seed}")  # noqa: S311 - a rehearsal must repeat
    package = _package(chance, form)
    sensors = _thermometers(chance)
    return Unit(
        schema=SCHEMA,
        title=f"good {form.value} {seed}",
        form=form,
        plate=_plate(seed, form),
        slots=_slots(chance, seed, form),
        reserved_bytes=chance.randrange(200, 2100) * 2**20,
        disks=_disks(chance, seed),
        antennas=_antennas(chance),
        eyes=() if form is Form.TOWER else (Eye("usb-cam-1", "camera", "uvcvideo", shutter=seed % 2 == 1),),
        package=package,
        cooling=_cooling(chance, form, package),
        blowers=(_blower(chance, form),),
        thermometers=sensors,
        processor_sensor=sensors[0].id,
        **_fittings(seed, form),
    )


def _fittings(seed: int, form: Form) -> dict[str, Any]:
    """What else it has; each of these is missing from some that were made without."""
    chance = random.Random(f"fittings {form.value} {seed}")  # noqa: S311
    network = Adapter("pci-0000:00:1f.6", "HG network", "net_rehearsal", lane=_network_lane(seed))
    bluetooth = Antenna("pci-0000:00:14.0-usb-0:10:1.0", "HG bluetooth", "btusb")
    records = form is not Form.TOWER or chance.random() < 0.5
    return {
        "batteries": () if form is not Form.LAPTOP or chance.random() < 0.05 else (_battery(chance),),
        "timekeeper": Timekeeper(offset_s=chance.randrange(-12, 15) * 3600),
        "tpm_version": chance.choice(("2.0", "2.0", "2.0", "1.2", "")),
        "screens": _screens(form),
        "graphics": _graphics(chance, form),
        "networks": (network,) if form is not Form.LAPTOP or chance.random() < 0.5 else (),
        "network_cable_in": chance.random() < 0.3,
        "bluetooth": (bluetooth,) if chance.random() < 0.8 else (),
        "sounds": (Sound("pci-0000:00:1f.3", "HG sound", records=records),),
        "controls": _controls(chance, form),
        **_extras(random.Random(f"extras {form.value} {seed}"), form),  # noqa: S311
        "errors": _errors(random.Random(f"errors {form.value} {seed}"), form),  # noqa: S311
        "readers": (Adapter("pci-0000:03:00.0", "HG reader", "sdhci-pci"),) * (chance.random() < 0.4),
    }


def _battery(chance: random.Random) -> Cell:
    """An owner's battery of any age."""
    design, share = chance.uniform(35.0, 95.0), chance.uniform(0.4, 1.05)
    cycles = chance.choice((0, 40, 600))
    status, level = chance.choice(
        (("Charging", 0.3), ("Full", 1.0), ("Not charging", 0.6), ("Charging", 0.05))
    )
    starts = chance.choice((0.0, 0.0, 0.4))
    return Cell(
        "battery-1", "HG-B4", round(design, 2), round(design * share, 2), cycles, status, level, starts
    )


def _extras(chance: random.Random, form: Form) -> dict[str, Any]:
    """Half of the panels outside laptops are lit by what no kernel sees; old firmware registers nothing."""
    lamps = form is Form.LAPTOP or (form is Form.ALL_IN_ONE and chance.random() < 0.5)
    names = chance.choice((("Owner's system",), ("Owner's system", "Older system"), ()))
    brightness = chance.uniform(0.05, 1.0)
    held = Held(
        slowed_share=chance.choice((0.0, 0.0, 0.01)),
        clock_share=chance.choice((1.0, 1.0, 0.9)),
        heat_told=chance.random() < 0.7,
    )
    return {
        "lamps": (Lamp("panel", brightness),) * lamps,
        "firmware": Firmware(uefi=chance.random() < 0.9, boot_entries=names),
        "held": replace(held, **_clock(chance)),
    }


def _clock(chance: random.Random) -> dict[str, Any]:
    """Some hold a little less than their base clock under all cores, others boost; one in ten tells none."""
    return {"load_share": chance.uniform(0.88, 1.4), "clock_told": chance.random() < 0.9}


def _screens(form: Form) -> tuple[Screen, ...]:
    if form is Form.TOWER:
        return (Screen("HDMI-A-1", "HGP 2207 Bench monitor", internal=False),)
    return (Screen("eDP-1", "HGP 1404"), Screen("HDMI-A-1", "", internal=False, connected=False))


def _graphics(chance: random.Random, form: Form) -> tuple[Adapter, ...]:
    own = Adapter("pci-0000:00:02.0", "HG graphics", "gfx_rehearsal")
    width = chance.choice((8, 16, 16))
    lane = Lane(chance.choice((2.5, 8.0, 16.0)), width, 16.0, width)  # a card that idles lowers its speed
    card = Adapter("pci-0000:01:00.0", "HG graphics card", "gfx_rehearsal", on_card=True, lane=lane)
    if form is not Form.TOWER or chance.random() >= 0.6:
        return (own,)
    heat = _graphics_heat(chance)
    return (replace(card, heat=heat, rests_at=chance.choice((0, 0, 0, 8)) if heat.draws else 0),)


def _graphics_heat(chance: random.Random) -> Graphics:
    """A card of 30 to 220 W; no open driver draws on one in three, and some tell neither heat nor power."""
    load_w = chance.uniform(30.0, 220.0)
    idle_w = load_w * chance.uniform(0.05, 0.15)
    package = Package(
        cores=1,
        idle_w=idle_w,
        core_w=load_w - idle_w,
        boost_w=load_w * 1.1,
        boost_s=0.0,
        sustained_w=load_w * 1.05,
        throttle_celsius=98.0,
        wander=chance.uniform(0.002, 0.02),
        energy_counter=chance.random() < 0.7,
    )
    resistance = chance.uniform(30.0, 48.0) / (load_w - idle_w)
    contact = resistance * chance.uniform(0.15, 0.35)
    given_off = 1.0 / (resistance - contact)
    still = given_off * chance.uniform(0.2, 0.4)
    cooling = Cooling(
        room_celsius=chance.uniform(20.0, 30.0),  # the air in the case
        drift_k_per_s=chance.gauss(0.0, 1.0) / 600.0,
        die_j_per_k=chance.uniform(2.0, 6.0) / contact,
        contact_k_per_w=contact,
        cooler_j_per_k=chance.uniform(30.0, 110.0) * given_off,
        still_w_per_k=still,
        forced_w_per_k=(given_off - still) * chance.uniform(1.0, 1.5),
    )
    full = chance.uniform(1800.0, 3200.0)
    curve = ((45.0, 0.0), (58.0, full * 0.6), (72.0, full))  # it rests while the chip is cool
    return Graphics(
        package=package,
        cooling=cooling,
        blowers=(Blower("graphics-fan", "Card fan", curve, chance.uniform(2.0, 8.0), tachometer=False),),
        memory_w=10.0,
        pads_k_per_w=chance.uniform(0.5, 1.5),
        draws=chance.random() < 0.67,
        sensor=chance.random() < 0.85,
    )


def _controls(chance: random.Random, form: Form) -> tuple[Control, ...]:
    power = Control("acpi-LNXPWRBN:00", "Power Button", (InputSort.POWER,))
    touch = Control("i2c-0010", "HG touch", (InputSort.TOUCH,))
    screen = (touch,) if form is not Form.TOWER and chance.random() < 0.5 else ()
    if form is not Form.LAPTOP:
        return (power, *screen)
    lid = (Control("acpi-PNP0C0D:00", "Lid Switch", (InputSort.LID,)),) * (chance.random() < 0.9)
    keyboard = Control("platform-i8042", "Keyboard", (InputSort.KEYBOARD,))
    pointer = Control("i2c-0015", "HG pad", (InputSort.POINTER,))
    return (power, *screen, *lid, keyboard, pointer)


def _plate(seed: int, form: Form) -> Plate:
    serial = f"T-{form.value[:2].upper()}-{seed:06d}"
    uuid = f"{seed:08x}-1d52-4b7c-9d41-2e60b8a4c917"
    return Plate(
        "Tarnwick", f"Bench {form.value}", serial, "SKU-1", uuid, "1.2", "2025-06-01", f"B{serial}", serial
    )


def _slots(chance: random.Random, seed: int, form: Form) -> tuple[Slot, ...]:
    size, filled = chance.choice((4, 8, 16)) * GIB, chance.choice((1, 2, 2))
    shape = "DIMM" if form is Form.TOWER else "SODIMM"
    return tuple(
        Slot(
            f"Slot {i + 1}", f"Channel {'AB'[i]}", size, shape, "DDR4", 3200, 3200, f"{seed:06d}{i}", "HG-D4"
        )
        if i < filled
        else Slot(f"Slot {i + 1}", f"Channel {'AB'[i]}", 0, shape, "", 0, 0, "", "")
        for i in range(2)
    )


def _disks(chance: random.Random, seed: int) -> tuple[Disk, ...]:
    gigabytes = chance.choice((240, 256, 480, 512, 1000, 2000))
    sectors = 97_696_368 + 1_953_504 * (gigabytes - 50)  # IDEMA LBA1-03
    transport = chance.choice(("nvme", "sata"))
    inside = Disk(
        f"pci-0000:01:00.0-{transport}-1",
        transport,
        "HG drive",
        f"HD{seed:06d}",
        sectors * 512,
        lane=_drive_lane(random.Random(f"lane {seed}"), transport),  # noqa: S311
        **_of_an_owner(random.Random(f"drive {seed}"), transport),  # noqa: S311
    )
    return (
        inside,
        Disk("pci-0000:00:14.0-usb-0:3:1.0", "usb", "Bench stick", "BS-0007", 15_518_924_800, True, True),
    )


def _network_lane(seed: int) -> Lane:
    """Some are at an old switch, and some switches do not say what they can."""
    chance = random.Random(f"network {seed}")  # noqa: S311
    speed = chance.choice((0.1, 1.0, 1.0, 1.0, 2.5))
    return Lane(speed, 0, chance.choice((0.0, speed, speed)), 0)


def _drive_lane(chance: random.Random, transport: str) -> Lane:
    """At what drive and socket agree on; many SATA ports set no limit, and none is then known."""
    if transport == "sata":
        speed = chance.choice((3.0, 6.0, 6.0, 6.0))
        return Lane(speed, 0, chance.choice((0.0, speed)), 0)
    speed, width = chance.choice((8.0, 16.0)), chance.choice((2, 4, 4))
    return Lane(chance.choice((speed, 8.0)), width, speed, width)


def _errors(chance: random.Random, form: Form) -> Errors:
    """A few at the start are common: corrected ones of a link, and complaints that mean little."""
    log = ((Complaint.USB, chance.choice((0, 0, 0, 2))), (Complaint.OTHER, chance.randrange(8)))
    return Errors(
        memory_counted=form is Form.TOWER and chance.random() < 0.15,
        links_counted=chance.random() < 0.6,
        link_corrected=chance.choice((0, 0, 0, 3)),
        log=log,
    )


def _of_an_owner(chance: random.Random, transport: str) -> dict[str, Any]:
    """An owner's drive of any age, some with sectors replaced long ago; one in twenty keeps no log."""
    turns = transport == "sata" and chance.random() < 0.4
    log = DriveLog(
        keeps=chance.random() < 0.95,
        reallocated=chance.choice((0, 0, 0, 0, 8)) if transport == "sata" else 0,
        interface_errors=chance.choice((0, 0, 17)),
        used=chance.randrange(0, 60),
        hours=chance.randrange(200, 40_000),
        starts=chance.randrange(50, 9_000),
        temperature=chance.randrange(24, 52),
    )
    sealed = Extent(2, "BitLocker", Use.ENCRYPTED)
    volumes = (
        Extent(1, "vfat"),
        chance.choice((Extent(2, "ntfs"), Extent(2, "ext4"), sealed)),
        Extent(3, ""),
    )
    rate = chance.uniform(8e7, 2e8) if turns else chance.uniform(2.5e8, 5e9)
    return {"log": log, "volumes": volumes, "bytes_per_s": rate, "seek_s": 0.014 if turns else 1e-4}


def _antennas(chance: random.Random) -> tuple[Antenna, ...]:
    """Two chains within a few dB of each other, or a radio that does not tell them apart."""
    heard = chance.uniform(-65.0, -40.0)
    chains = (round(heard, 1), round(heard + chance.gauss(0.0, 2.0), 1))
    return (Antenna("pci-0000:02:00.0", "wireless card", "wl_rehearsal", chance.choice((chains, ()))),)


def _package(chance: random.Random, form: Form) -> Package:
    sustained = chance.uniform(*_SUSTAINED_W[form])
    cores = chance.choice((2, 4, 6, 8))
    return Package(
        cores=cores,
        idle_w=sustained * chance.uniform(0.08, 0.2),
        core_w=sustained * chance.uniform(1.1, 1.6) / cores,
        boost_w=sustained * chance.uniform(1.0, 1.3),
        boost_s=chance.uniform(5.0, 28.0),
        sustained_w=sustained,
        throttle_celsius=97.0,
        wander=chance.uniform(0.002, 0.02),
        energy_counter=chance.random() < 0.7,
    )


def _cooling(chance: random.Random, form: Form, package: Package) -> Cooling:
    """A cooler sized for the unit's power, as its maker would have: the rise is drawn, the rest follows."""
    resistance = chance.uniform(*_RISE_K[form]) / (package.sustained_w - package.idle_w)
    contact = resistance * chance.uniform(0.15, 0.4)
    given_off = 1.0 / (resistance - contact)
    still = given_off * chance.uniform(0.25, 0.5)
    return Cooling(
        room_celsius=chance.uniform(17.0, 28.0),
        drift_k_per_s=chance.gauss(0.0, 1.0) / 600.0,
        die_j_per_k=chance.uniform(2.0, 6.0) / contact,
        contact_k_per_w=contact,
        cooler_j_per_k=chance.uniform(30.0, 110.0) * given_off,
        still_w_per_k=still,
        forced_w_per_k=(given_off - still) * chance.uniform(1.0, 1.5),
    )


def _blower(chance: random.Random, form: Form) -> Blower:
    """Rests while cool (in two of five), turns from below 60 degrees on, some without a tachometer."""
    full = chance.uniform(*_FULL_RPM[form])
    rests = chance.random() < 0.4
    first = (chance.uniform(38.0, 48.0), 0.0 if rests else full * chance.uniform(0.3, 0.45))
    second = (chance.uniform(52.0, 58.0), full * chance.uniform(0.5, 0.65))
    last = (chance.uniform(68.0, 80.0), full)
    return Blower(
        "fan-1", "Fan", (first, second, last), chance.uniform(2.0, 8.0), tachometer=chance.random() < 0.7
    )


def _thermometers(chance: random.Random) -> tuple[Thermometer, ...]:
    quantum = chance.choice((1.0, 1.0, 0.5, 0.125))
    noise = chance.uniform(0.1, 1.0)
    return (
        Thermometer("cpu-1", "coretemp", "Package", Node.DIE, 100.0, 0.0, noise, quantum),
        Thermometer("board-1", "board", "Board", Node.ROOM, None, chance.uniform(2.0, 12.0), 0.2, 1.0),
        Thermometer("board-2", "board", "Spare", Node.ROOM, None, switched_off=chance.random() < 0.5),
    )
