"""The named faults of the rehearsal machine: each bends a good unit in one way.

A fault that the unit has no part for (an antenna lead of a unit without wireless) is refused, so that a
rehearsal never proves something that it did not try.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

from agent.machine.rehearsal.unit import (
    Adapter,
    Antenna,
    Disk,
    Extent,
    Graphics,
    Lane,
    Slot,
    Thermometer,
    Unit,
)
from checks.machine import Complaint, InputSort, Use
from checks.measures.air import place_of
from reports.errors import DocumentError, Fault, shown
from reports.model.bench import Band


@dataclass(frozen=True, slots=True)
class Named:
    """A fault: its id, what it is in a technician's words, and how it bends a unit.

    `bend` raises ValueError where there is nothing to bend.
    """

    id: str
    words: str
    bend: Callable[[Unit], Unit]


def apply(unit: Unit, faults: Collection[str]) -> Unit:
    """`unit` with every one of `faults`; DocumentError names each that does not exist or finds no part."""
    wrong: list[Fault] = []
    for id in faults:
        named = FAULTS.get(id)
        if named is None:
            wrong.append(Fault("", f"no fault called {shown(id)}", ", ".join(FAULTS), "rehearsal-fault"))
            continue
        try:
            unit = named.bend(unit)
        except ValueError as error:
            wrong.append(
                Fault("", f"{id}: {error}", "a fault of a part that the unit has", "rehearsal-fault")
            )
    if wrong:
        raise DocumentError("rehearsal faults", tuple(wrong))
    return unit


def _fan(**changes: object) -> Callable[[Unit], Unit]:
    def bend(unit: Unit) -> Unit:
        if not unit.blowers:
            raise ValueError("the unit has no fan")
        changed = replace(unit.blowers[0], **changes)  # type: ignore[arg-type]
        return replace(unit, blowers=(changed, *unit.blowers[1:]))

    return bend


def _contact(factor: float) -> Callable[[Unit], Unit]:
    def bend(unit: Unit) -> Unit:
        worse = unit.cooling.contact_k_per_w * factor
        return replace(unit, cooling=replace(unit.cooling, contact_k_per_w=worse))

    return bend


def _vents_blocked(unit: Unit) -> Unit:
    cooling = unit.cooling
    less = replace(
        cooling, still_w_per_k=cooling.still_w_per_k * 0.4, forced_w_per_k=cooling.forced_w_per_k * 0.15
    )
    return replace(unit, cooling=less)


def _lead_off(chain: int) -> Callable[[Unit], Unit]:
    """A lead that is off costs 25 dB; 15 to 20 or more is common practice, no source."""

    def bend(unit: Unit) -> Unit:
        radio = _first_radio(unit)
        if radio.chains_dbm and len(radio.chains_dbm) <= chain:
            raise ValueError(f"the radio has no antenna chain {chain}")
        heard = tuple(dbm - 25.0 if i == chain else dbm for i, dbm in enumerate(radio.chains_dbm))
        return _with_radio(unit, replace(radio, chains_dbm=heard))

    return bend


def _first_radio(unit: Unit) -> Antenna:
    if not unit.antennas:
        raise ValueError("the unit has no radio")
    return unit.antennas[0]


def _with_radio(unit: Unit, radio: Antenna) -> Unit:
    return replace(unit, antennas=(radio, *unit.antennas[1:]))


def _radio(**changes: object) -> Callable[[Unit], Unit]:
    return lambda unit: _with_radio(unit, replace(_first_radio(unit), **changes))  # type: ignore[arg-type]


def _deaf(band: Band) -> Callable[[Unit], Unit]:
    def bend(unit: Unit) -> Unit:
        radio = _first_radio(unit)
        left = tuple(each for each in radio.hears if (place_of(each.mhz) or (None,))[0] is not band)
        return _with_radio(unit, replace(radio, hears=left))

    return bend


def _no_radio(unit: Unit) -> Unit:
    _first_radio(unit)
    return replace(unit, antennas=unit.antennas[1:])


def _last_module(change: Callable[[Slot], Slot]) -> Callable[[Unit], Unit]:
    def bend(unit: Unit) -> Unit:
        filled = [i for i, slot in enumerate(unit.slots) if slot.capacity_bytes]
        if not filled:
            raise ValueError("the unit has no memory module in a slot")
        last = filled[-1]
        slots = tuple(change(slot) if i == last else slot for i, slot in enumerate(unit.slots))
        return replace(unit, slots=slots)

    return bend


def _emptied(slot: Slot) -> Slot:
    return replace(slot, capacity_bytes=0, serial="", part_number="", rated_speed=0, configured_speed=0)


def _first_disk(change: Callable[[Disk], tuple[Disk, ...]], transport: str = "") -> Callable[[Unit], Unit]:
    """The first drive inside, of `transport` where only those have what the fault is a fault of."""

    def bend(unit: Unit) -> Unit:
        fitting = (disk for disk in unit.disks if not disk.boot_stick and transport in ("", disk.transport))
        inside = next(fitting, None)
        if inside is None:
            raise ValueError(f"the unit has no {transport.upper()} drive".replace("  ", " "))
        disks = (change(disk) if disk is inside else (disk,) for disk in unit.disks)
        return replace(unit, disks=tuple(disk for group in disks for disk in group))

    return bend


def _other_drive(disk: Disk) -> tuple[Disk, ...]:
    other = replace(disk, serial=f"{disk.serial}X", model="other", capacity_bytes=disk.capacity_bytes // 2)
    return (other,)


def _log(**changes: object) -> Callable[[Disk], tuple[Disk, ...]]:
    return lambda disk: (replace(disk, log=replace(disk.log, **changes)),)  # type: ignore[arg-type]


def _bad_place(disk: Disk) -> tuple[Disk, ...]:
    """A thirtieth of the drive cannot be read; a single bad sector would need the whole drive read."""
    return (replace(disk, bad_from=disk.capacity_bytes // 2, bad_bytes=disk.capacity_bytes // 30),)


def _encrypted(disk: Disk) -> tuple[Disk, ...]:
    sealed = Extent(2, "crypto_LUKS", Use.ENCRYPTED, board_bound=True)
    return (replace(disk, volumes=(Extent(1, "vfat"), sealed)),)


def _hidden(unit: Unit) -> Unit:
    gone = _first_disk(lambda disk: ())(unit)
    return replace(gone, hidden_storage="storage controller in a mode that hides its drives")


def _no_camera(unit: Unit) -> Unit:
    if not unit.eyes:
        raise ValueError("the unit has no camera")
    return replace(unit, eyes=unit.eyes[1:])


def _camera(**changes: object) -> Callable[[Unit], Unit]:
    def bend(unit: Unit) -> Unit:
        if not unit.eyes:
            raise ValueError("the unit has no camera")
        changed = replace(unit.eyes[0], **changes)  # type: ignore[arg-type]
        return replace(unit, eyes=(changed, *unit.eyes[1:]))

    return bend


def _plate(**changes: str) -> Callable[[Unit], Unit]:
    return lambda unit: replace(unit, plate=replace(unit.plate, **changes))


def _processor_sensor(change: Callable[[Thermometer], Thermometer]) -> Callable[[Unit], Unit]:
    def bend(unit: Unit) -> Unit:
        if unit.processor_sensor not in {sensor.id for sensor in unit.thermometers}:
            raise ValueError("the unit has no processor sensor")
        sensors = tuple(
            change(sensor) if sensor.id == unit.processor_sensor else sensor for sensor in unit.thermometers
        )
        return replace(unit, thermometers=sensors)

    return bend


def _without(members: str, words: str) -> Callable[[Unit], Unit]:
    """None of the devices in `members`."""

    def bend(unit: Unit) -> Unit:
        if not getattr(unit, members):
            raise ValueError(f"the unit has no {words}")
        return replace(unit, **{members: ()})  # type: ignore[arg-type]

    return bend


def _first(members: str, words: str, **changes: object) -> Callable[[Unit], Unit]:
    """The first of the devices in `members`, changed."""

    def bend(unit: Unit) -> Unit:
        found = getattr(unit, members)
        if not found:
            raise ValueError(f"the unit has no {words}")
        return replace(unit, **{members: (replace(found[0], **changes), *found[1:])})  # type: ignore[arg-type]

    return bend


def _worn(unit: Unit) -> Unit:
    if not unit.batteries:
        raise ValueError("the unit has no battery")
    half = unit.batteries[0].design_watt_hours / 2
    return _first("batteries", "battery", full_watt_hours=half, cycles=912)(unit)


def _no_control(sort: InputSort) -> Callable[[Unit], Unit]:
    def bend(unit: Unit) -> Unit:
        left = tuple(control for control in unit.controls if sort not in control.sorts)
        if len(left) == len(unit.controls):
            raise ValueError(f"the unit has no {sort}")
        return replace(unit, controls=left)

    return bend


def _no_card(unit: Unit) -> Unit:
    left = tuple(adapter for adapter in unit.graphics if not adapter.on_card)
    if len(left) == len(unit.graphics):
        raise ValueError("the unit has no graphics card")
    return replace(unit, graphics=left)


def _tpm_off(unit: Unit) -> Unit:
    if not unit.tpm_version:
        raise ValueError("the unit has no TPM")
    return replace(unit, tpm_version="")


def _silent_network(unit: Unit) -> Unit:
    if not unit.networks:
        raise ValueError("the unit has no network socket")
    return replace(unit, network_cable_in=True, network_answers=False)


def _lost_pair(unit: Unit) -> Unit:
    if not unit.networks:
        raise ValueError("the unit has no network socket")
    first = replace(unit.networks[0], lane=Lane(0.1, 0, 1.0, 0))
    return replace(unit, network_cable_in=True, networks=(first, *unit.networks[1:]))


def _keeper(**changes: object) -> Callable[[Unit], Unit]:
    return lambda unit: replace(unit, timekeeper=replace(unit.timekeeper, **changes))  # type: ignore[arg-type]


def _flat(unit: Unit) -> Unit:
    return _first("batteries", "battery", status="Not charging", level=0.12)(unit)


def _no_mains(unit: Unit) -> Unit:
    if not unit.batteries:
        raise ValueError("without a battery the unit does not run like that")
    return replace(unit, on_mains=False)


def _dark(unit: Unit) -> Unit:
    if not any(screen.internal for screen in unit.screens):
        raise ValueError("the unit has no panel")
    lamps = tuple(replace(lamp, brightness=0.0) for lamp in unit.lamps)
    return replace(unit, lamps=lamps, panel_dark=True)


def _stale(unit: Unit) -> Unit:
    if not unit.firmware.uefi or not unit.firmware.boot_entries:
        raise ValueError("the unit has no boot entry")
    return replace(unit, firmware=replace(unit.firmware, entries_stale=True))


def _drive_lane(change: Callable[[Lane], Lane]) -> Callable[[Unit], Unit]:
    def changed(disk: Disk) -> tuple[Disk, ...]:
        if disk.lane is None:
            raise ValueError("the drive tells nothing of its link")
        return (replace(disk, lane=change(disk.lane)),)

    return _first_disk(changed)


def _half_width(lane: Lane) -> Lane:
    if lane.width < 2:
        raise ValueError("the link has one lane, or none")
    return replace(lane, width=lane.width // 2)


def _slower(lane: Lane) -> Lane:
    """To the first generation."""
    return replace(lane, speed=2.5 if lane.width else 1.5, lowered=not lane.width, held=True)


def _narrow_card(unit: Unit) -> Unit:
    def changed(adapter: Adapter) -> Adapter:
        lane = adapter.lane if adapter.on_card else None
        return replace(adapter, lane=_half_width(lane)) if lane else adapter

    cards = tuple(changed(adapter) for adapter in unit.graphics)
    if cards == unit.graphics:
        raise ValueError("the unit has no graphics card that tells of its link")
    return replace(unit, graphics=cards)


def _hot_card(bend: Callable[[Graphics], Graphics]) -> Callable[[Unit], Unit]:
    def changed(adapter: Adapter) -> Adapter:
        return replace(adapter, heat=bend(adapter.heat)) if adapter.heat else adapter

    def bent(unit: Unit) -> Unit:
        cards = tuple(changed(adapter) for adapter in unit.graphics)
        if cards == unit.graphics:
            raise ValueError("the unit has no graphics card with a cooler of its own")
        return replace(unit, graphics=cards)

    return bent


def _pads_gone(heat: Graphics) -> Graphics:
    return replace(heat, pads_k_per_w=heat.pads_k_per_w * 8.0)


def _loose_cooler(heat: Graphics) -> Graphics:
    worse = heat.cooling.contact_k_per_w * 8.0
    return replace(heat, cooling=replace(heat.cooling, contact_k_per_w=worse))


def _fan_off(heat: Graphics) -> Graphics:
    return replace(heat, blowers=tuple(replace(fan, plugged=False) for fan in heat.blowers))


def _errors(**changes: object) -> Callable[[Unit], Unit]:
    return lambda unit: replace(unit, errors=replace(unit.errors, **changes))  # type: ignore[arg-type]


def _bad_module(unit: Unit) -> Unit:
    if not unit.errors.memory_counted:
        raise ValueError("the unit's memory does not count errors")
    return _errors(memory_corrected=12, a_minute=4)(unit)


def _bad_link(unit: Unit) -> Unit:
    if not unit.errors.links_counted:
        raise ValueError("no device of the unit counts the errors of its link")
    return _errors(link_corrected=1, link_nonfatal=1, a_minute=60)(unit)


def _logged(sort: Complaint) -> Callable[[Unit], Unit]:
    return _errors(log=((sort, 12),), a_minute=3)


def _sags(unit: Unit) -> Unit:
    if not unit.held.clock_told:
        raise ValueError("the unit shows no clock of its processor")
    return replace(unit, held=replace(unit.held, load_share=0.5))


_OTHER_UUID = "00000000-0000-4000-8000-00000000dead"

_TABLE = (
    Named("fan-plug-loose", "the fan's plug is off: it stands still", _fan(plugged=False)),
    Named("fan-plug-shaky", "the fan's plug makes contact now and then", _fan(shaky_s=9.0)),
    Named("fan-control-off", "the fan's control lead has no contact: one speed", _fan(obeys=False)),
    Named("fan-weak", "the fan drags: a tenth of its speed and air", _fan(strength=0.1)),
    Named("compound-missing", "no thermal compound under the cooler", _contact(8.0)),
    Named("compound-poor", "the thermal compound has dried: twice its resistance", _contact(2.0)),
    Named("cooler-not-flat", "the cooler does not sit flat", _contact(4.5)),
    Named("vents-blocked", "the vents are blocked: little air passes", _vents_blocked),
    Named("antenna-main-off", "the lead of antenna chain 0 is off", _lead_off(0)),
    Named("antenna-aux-off", "the lead of antenna chain 1 is off", _lead_off(1)),
    Named("memory-module-loose", "the last memory module is not seated", _last_module(_emptied)),
    Named(
        "memory-wrong-size",
        "the last memory module has half its size",
        _last_module(lambda slot: replace(slot, capacity_bytes=slot.capacity_bytes // 2)),
    ),
    Named(
        "memory-slow",
        "the last memory module runs at half its speed",
        _last_module(lambda slot: replace(slot, configured_speed=slot.configured_speed // 2)),
    ),
    Named(
        "memory-bad-cell",
        "a cell of the last memory module always reads as one",
        _last_module(lambda slot: replace(slot, stuck_bit=17)),
    ),
    Named("drive-cable-off", "the drive is not connected", _first_disk(lambda disk: ())),
    Named("drive-hidden", "the storage controller hides the drive", _hidden),
    Named("wrong-drive", "another drive of half the size is fitted", _first_disk(_other_drive)),
    Named("drive-failing", "the drive says itself that it is failing", _first_disk(_log(sound=False))),
    Named("drive-pending", "the drive has sectors that it cannot read", _first_disk(_log(pending=8), "sata")),
    Named(
        "drive-worn",
        "the drive has run for years and used most of its life",
        _first_disk(_log(hours=31_000, starts=9_000, used=85)),
    ),
    Named(
        "drive-cable-bad",
        "the drive's cable garbles data now and then",
        _first_disk(_log(interface_errors=3, interface_errors_per_gib=12.0), "sata"),
    ),
    Named("drive-unreadable", "a part of the drive cannot be read", _first_disk(_bad_place)),
    Named(
        "drive-struggles",
        "the drive tries again and again before it gives a block",
        _first_disk(lambda disk: (replace(disk, seek_s=9.0),)),
    ),
    Named(
        "drive-empty",
        "nothing is on the drive any more",
        _first_disk(lambda disk: (replace(disk, table="", volumes=()),)),
    ),
    Named(
        "drive-encrypted",
        "the drive is encrypted, with its key kept by the board (an ordinary state, not a fault)",
        _first_disk(_encrypted),
    ),
    Named("band-deaf", "the radio hears nothing on 5 GHz", _deaf(Band.MIDDLE)),
    Named("air-empty", "no network is in range of the bench (no fault of the unit)", _radio(hears=())),
    Named("wireless-card-loose", "the wireless card is not seated", _no_radio),
    Named("wireless-driver-missing", "no driver takes the wireless card", _radio(driver="")),
    Named("radio-switched-off", "the radio is switched off in software", _radio(soft_blocked=True)),
    Named("radio-switch-off", "the radio's own switch is off", _radio(hard_blocked=True)),
    Named("camera-ribbon-off", "the camera's ribbon is off", _no_camera),
    Named("camera-black", "the camera shows black, though nothing covers it", _camera(light=0.0)),
    Named("camera-frozen", "the camera gives one picture again and again", _camera(frozen=True)),
    Named("camera-blurred", "a film was left on the camera's lens", _camera(blur=3.0)),
    Named("camera-slow", "pictures are lost on the camera's ribbon", _camera(rate=8.0)),
    Named(
        "camera-slide-off-pin",
        "the camera's slide moves and covers nothing",
        _camera(shutter=True, shutter_works=False),
    ),
    Named(
        "identity-blank",
        "the new board's tables were never written",
        _plate(serial="", sku="", uuid="00000000-0000-0000-0000-000000000000", chassis_serial=""),
    ),
    Named(
        "identity-of-another-unit",
        "the board still carries another unit's identity",
        _plate(serial="ANOTHER-UNIT-1", uuid=_OTHER_UUID, chassis_serial="ANOTHER-UNIT-1"),
    ),
    Named(
        "sensor-vanishes",
        "the processor's sensor stops answering once warm",
        _processor_sensor(lambda sensor: replace(sensor, vanishes_above=45.0)),
    ),
    Named(
        "sensor-stuck",
        "the processor's sensor always says the same",
        _processor_sensor(lambda sensor: replace(sensor, stuck=True)),
    ),
    Named(
        "no-power-counter",
        "the unit has no package power (an ordinary limit, not a fault)",
        lambda unit: replace(unit, package=replace(unit.package, energy_counter=False)),
    ),
    Named("no-tachometer", "the fan has no tachometer (an ordinary limit)", _fan(tachometer=False)),
    Named(
        "no-chain-signals",
        "the radio does not tell its chains apart (an ordinary limit)",
        _radio(chains_dbm=()),
    ),
    Named(
        "mains-unplugged",
        "the unit runs from its battery",
        lambda unit: replace(unit, on_mains=False, charger_plugged=False),
    ),
    Named(
        "room-hot",
        "the bench stands in a room of 38 degrees",
        lambda unit: replace(unit, cooling=replace(unit.cooling, room_celsius=38.0)),
    ),
    Named("battery-plug-off", "the battery's plug is off", _without("batteries", "battery")),
    Named("battery-worn", "the battery holds half of what it was made for", _worn),
    Named(
        "processor-wrong",
        "another processor is fitted",
        lambda unit: replace(unit, processor=replace(unit.processor, model="HG two")),
    ),
    Named("firmware-old", "the board came with old firmware", _plate(firmware_version="0.91")),
    Named("clock-cell-flat", "the clock's cell is flat: it forgot the date", _keeper(set_back_s=800_000_000)),
    Named("clock-stopped", "the clock stands still", _keeper(runs=False)),
    Named("tpm-off", "the TPM is switched off in the firmware's setup", _tpm_off),
    Named(
        "panel-cable-off", "the panel's cable is off", _first("screens", "display", connected=False, model="")
    ),
    Named(
        "panel-cable-half-home",
        "the panel's cable is half home: its data arrive spoilt",
        _first("screens", "display", fault="checksum of block 0"),
    ),
    Named("graphics-card-loose", "the graphics card is not seated", _no_card),
    Named("network-socket-dead", "the board of the network socket is off", _without("networks", "network")),
    Named("network-silent", "a network cable is in and nothing answers", _silent_network),
    Named("network-pair-off", "a pin of the network socket is bent: it falls back to 100 Mbit/s", _lost_pair),
    Named(
        "bluetooth-gone", "the Bluetooth half of the card is not there", _without("bluetooth", "Bluetooth")
    ),
    Named("sound-gone", "the sound card does not answer", _without("sounds", "sound card")),
    Named("microphone-gone", "nothing records sound", _first("sounds", "sound card", records=False)),
    Named("keyboard-ribbon-off", "the keyboard does not answer", _no_control(InputSort.KEYBOARD)),
    Named("pointer-ribbon-off", "the pointer does not answer", _no_control(InputSort.POINTER)),
    Named("touch-cable-off", "the touch screen does not answer", _no_control(InputSort.TOUCH)),
    Named("lid-switch-off", "the lid's switch does not answer", _no_control(InputSort.LID)),
    Named("power-key-off", "the power key does not answer", _no_control(InputSort.POWER)),
    Named("charging-socket-off", "no mains power arrives though the charger is in", _no_mains),
    Named("battery-not-charging", "the battery does not charge", _flat),
    Named("backlight-dark", "the panel stays dark", _dark),
    Named(
        "processor-held-hot",
        "heat slows the processor while it rests",
        lambda unit: replace(unit, held=replace(unit.held, slowed_share=0.4, heat_told=True)),
    ),
    Named(
        "processor-held-slow",
        "the firmware holds the processor at a low clock",
        lambda unit: replace(unit, held=replace(unit.held, clock_share=0.25)),
    ),
    Named(
        "processor-miscalculates",
        "a core of the processor computes wrong under load",
        lambda unit: replace(unit, processor=replace(unit.processor, wrong_core=unit.package.cores - 1)),
    ),
    Named("clock-sags", "under load the processor falls to half of its base clock", _sags),
    Named("start-entry-stale", "the owner's boot entry points at a partition that is gone", _stale),
    Named(
        "drive-link-narrow", "the drive's contacts are half home: half its lanes", _drive_lane(_half_width)
    ),
    Named("drive-link-slow", "the drive's link fell back to its lowest rate", _drive_lane(_slower)),
    Named("graphics-card-crooked", "the graphics card sits crooked: half its lanes", _narrow_card),
    Named(
        "graphics-pads-missing", "the pads on the graphics card's memory are missing", _hot_card(_pads_gone)
    ),
    Named("graphics-cooler-loose", "the graphics card's cooler does not touch", _hot_card(_loose_cooler)),
    Named("graphics-fan-off", "the plug of the graphics card's fan is off", _hot_card(_fan_off)),
    Named(
        "graphics-miscalculates",
        "the graphics card draws wrong under load",
        _hot_card(lambda heat: replace(heat, errs=True)),
    ),
    Named(
        "graphics-closed",
        "no open driver draws on the graphics card (an ordinary limit)",
        _hot_card(lambda heat: replace(heat, draws=False)),
    ),
    Named("memory-errors", "a memory module gives errors that are corrected", _bad_module),
    Named("link-errors", "the link of a device fails again and again", _bad_link),
    Named("machine-checks", "the processor reports errors of the hardware", _logged(Complaint.MACHINE_CHECK)),
    Named("drive-errors", "the drive gives errors", _logged(Complaint.DRIVE)),
    Named("drive-link-errors", "the drive's cable gives errors", _logged(Complaint.DRIVE_LINK)),
    Named("card-reader-off", "the card reader's ribbon is off", _without("readers", "card reader")),
)

FAULTS = {named.id: named for named in _TABLE}
"""Every fault by its id."""
