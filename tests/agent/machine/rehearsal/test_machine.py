"""The rehearsal machine: plays its unit, repeats itself, and shows each fault where a technician looks."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from agent.machine.rehearsal.faults import FAULTS
from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from agent.machine.rehearsal.unit import Adapter, Cell, Control, Disk, Errors, Graphics, Lane
from checks.camera.frames import CLOSED, HAS_NO_SHUTTER
from checks.machine import InputSort, Machine, Question
from reports.errors import DocumentError
from reports.model.evidence import Absent, Answer, Reading, Why
from reports.model.order import Form
from reports.model.record import Source

DEMO_FILE = Path(__file__).parents[4] / "agent" / "demo" / "unit.json"
DEMO = load_unit(DEMO_FILE)
BEGAN = datetime(2026, 3, 2, 8, tzinfo=UTC)
CABLE = Question("ports.network.cable", "is a cable in?", ("one is in", "none is in", "cannot tell"))
AIR = Question("fan.airflow", "is air moving?", ("air moves", "no air", "cannot tell"))


def machine(*faults: str, seed: int = 1, unit=DEMO) -> RehearsalMachine:
    return RehearsalMachine(unit, faults, seed, BEGAN)


def loaded(it: RehearsalMachine, seconds: float = 60.0) -> RehearsalMachine:
    with it.load(it.cores()):
        it.clock.sleep(seconds)
    return it


def ids_of_drives(it: Machine) -> tuple[str, ...]:
    drives = it.drives()
    assert isinstance(drives, tuple)
    return tuple(drive.id for drive in drives)


def read_of(it: Machine, id: str, length: int) -> tuple[object, ...]:
    """A hundred blocks all over the drive."""
    with it.reading(id) as drive:
        return tuple(drive.read(drive.size // 100 * i // 4096 * 4096, length) for i in range(100))


def pictures(it: RehearsalMachine) -> tuple[object, ...]:
    """Of every camera, before and after somebody closes its shutter, if it has one."""
    cameras = it.cameras()
    assert isinstance(cameras, tuple)
    before = tuple(it.look(camera.id, 0.0, 0.5) for camera in cameras)
    closed = it.answer(Question("camera.shutter", "close it", (CLOSED, HAS_NO_SHUTTER)), "t-07")
    return before, closed, tuple(it.look(camera.id, 0.0, 0.5) for camera in cameras)


def facts(it: Machine) -> dict[str, object]:
    """Everything that can be asked of a unit at rest and after a minute of load."""
    found: dict[str, object] = {
        "identity": it.identity(),
        "slots": it.memory_slots(),
        "total": it.memory_total(),
        "drives": it.drives(),
        "hidden": it.hidden_storage(),
        "drive health": tuple((read_of(it, id, 4 << 20), it.drive_health(id)) for id in ids_of_drives(it)),
        "drive layout": tuple(it.drive_layout(id) for id in ids_of_drives(it)),
        "drive read": tuple(read_of(it, id, 1 << 16) for id in ids_of_drives(it)),
        "radios": it.radios(),
        "air": it.networks("pci-0000:02:00.0", 3),
        "signals": it.chain_signals("pci-0000:02:00.0"),
        "cameras": it.cameras(),
        "pictures": pictures(it),
        "fans": it.fans(),
        "mains": it.on_mains(),
        "energy": it.package_energy(),
        "cold": it.temperature("platform-coretemp.0-1"),
        "batteries": it.batteries(),
        "processor": it.processor(),
        "clock": it.real_time_clock(),
        "tpm": it.trust_modules(),
        "displays": it.display_connectors(),
        "graphics": it.graphics_adapters(),
        "networks": it.network_adapters(),
        "carrier wanted": it.answer(CABLE, "t7"),
        "bluetooth": it.bluetooth_controllers(),
        "sound": it.sound_cards(),
        "controls": it.input_devices(),
        "readers": it.card_readers(),
        "backlights": it.backlights(),
        "charging": it.charging(),
        "restraint": it.restraint(),
        "boot_entries": it.boot_entries(),
        "drive_links": it.drive_links(),
        "card_links": it.card_links(),
        "error_counts": it.error_counts(),
    }
    speeds = []
    with it.load(it.cores()):
        for _ in range(60):
            it.clock.sleep(1.0)
            speeds.append(it.fan_speed("platform-fan-1"))
        found["hot"] = it.temperature("platform-coretemp.0-1")
        found["clocks"] = it.clocks()
    found["drawn"], found["card hot"] = after_drawing(it)
    found["computed"] = it.compute_trial(2.0, lambda done: True)
    found["trial"] = it.memory_trial(0.1, 1, 10.0, lambda done: True)
    return found | {"speeds": tuple(speeds), "clock later": it.real_time_clock()}


def after_drawing(it: RehearsalMachine) -> tuple[object, object]:
    """Of every chip, what it drew in a minute, and what its sensors said then."""
    drew, hot = [], []
    for chip in it.graphics_chips():
        with it.drawing(chip.id) as load:
            with load.busy():
                it.clock.sleep(60.0)
                hot.append(tuple(it.temperature(sensor) for sensor in chip.sensors))
            drew.append(load.drawn())
    return drew, hot


SHOWS = {
    "fan-plug-loose": "speeds",
    "fan-plug-shaky": "speeds",
    "fan-weak": "speeds",
    "compound-missing": "hot",
    "compound-poor": "hot",
    "fan-control-off": "speeds",
    "cooler-not-flat": "hot",
    "vents-blocked": "hot",
    "antenna-main-off": "signals",
    "antenna-aux-off": "signals",
    "memory-module-loose": "slots",
    "memory-wrong-size": "total",
    "memory-slow": "slots",
    "memory-bad-cell": "trial",
    "drive-cable-off": "drives",
    "drive-failing": "drive health",
    "drive-pending": "drive health",
    "drive-worn": "drive health",
    "drive-cable-bad": "drive health",
    "drive-unreadable": "drive read",
    "drive-struggles": "drive read",
    "drive-empty": "drive layout",
    "drive-encrypted": "drive layout",
    "drive-hidden": "hidden",
    "wrong-drive": "drives",
    "wireless-card-loose": "radios",
    "wireless-driver-missing": "radios",
    "radio-switched-off": "radios",
    "radio-switch-off": "radios",
    "camera-ribbon-off": "cameras",
    **dict.fromkeys(("camera-black", "camera-frozen", "camera-blurred", "camera-slow"), "pictures"),
    "camera-slide-off-pin": "pictures",
    "identity-blank": "identity",
    "identity-of-another-unit": "identity",
    "sensor-vanishes": "hot",
    "sensor-stuck": "hot",
    "no-power-counter": "energy",
    "no-tachometer": "fans",
    "band-deaf": "air",
    "air-empty": "air",
    "no-chain-signals": "signals",
    "mains-unplugged": "mains",
    "room-hot": "cold",
    "battery-plug-off": "batteries",
    "battery-worn": "batteries",
    "processor-wrong": "processor",
    "firmware-old": "identity",
    "clock-cell-flat": "clock",
    "clock-stopped": "clock later",
    "tpm-off": "tpm",
    "panel-cable-off": "displays",
    "panel-cable-half-home": "displays",
    "graphics-card-loose": "graphics",
    "network-socket-dead": "networks",
    "network-silent": "carrier wanted",
    "network-pair-off": "networks",
    "bluetooth-gone": "bluetooth",
    "sound-gone": "sound",
    "microphone-gone": "sound",
    "keyboard-ribbon-off": "controls",
    "pointer-ribbon-off": "controls",
    "touch-cable-off": "controls",
    "lid-switch-off": "controls",
    "power-key-off": "controls",
    "card-reader-off": "readers",
    "charging-socket-off": "mains",
    "battery-not-charging": "charging",
    "backlight-dark": "backlights",
    "processor-held-hot": "restraint",
    "processor-held-slow": "restraint",
    "processor-miscalculates": "computed",
    "clock-sags": "clocks",
    "start-entry-stale": "boot_entries",
    "drive-link-narrow": "drive_links",
    "drive-link-slow": "drive_links",
    "graphics-card-crooked": "card_links",
    "graphics-pads-missing": "card hot",
    "graphics-cooler-loose": "card hot",
    "graphics-fan-off": "card hot",
    "graphics-miscalculates": "drawn",
    "graphics-closed": "drawn",
    "memory-errors": "error_counts",
    "link-errors": "error_counts",
    "machine-checks": "error_counts",
    "drive-errors": "error_counts",
    "drive-link-errors": "error_counts",
}

HG_CARD = Adapter(
    "pci-0000:01:00.0",
    "HG card",
    "gfx_rehearsal",
    on_card=True,
    lane=Lane(16.0, 16, 16.0, 16),
    heat=Graphics(
        replace(DEMO.package, cores=1, core_w=DEMO.package.sustained_w), DEMO.cooling, DEMO.blowers
    ),
)

MORE = replace(
    DEMO,
    disks=(*DEMO.disks, Disk("pci-0000:00:17.0-ata-1", "sata", "HG-S500", "HS5-1", 500_107_862_016)),
    batteries=(Cell("battery-1", "HG-B4", 50.0, 48.0, 40),),
    graphics=(*DEMO.graphics, HG_CARD),
    errors=Errors(memory_counted=True),
    controls=(
        *DEMO.controls,
        Control("platform-i8042", "Keyboard", (InputSort.KEYBOARD,)),
        Control("i2c-0015", "HG pad", (InputSort.POINTER,)),
        Control("acpi-PNP0C0D:00", "Lid Switch", (InputSort.LID,)),
    ),
)
"""The demonstration's unit with the parts of the other forms, so that every fault has something to bend."""


@pytest.fixture(scope="module")
def sound() -> dict[str, object]:
    return facts(machine(unit=MORE))


def test_every_named_fault_says_where_it_shows():
    assert SHOWS.keys() == FAULTS.keys()


@pytest.mark.parametrize("fault", SHOWS)
def test_a_fault_shows_where_a_technician_would_look(fault, sound):
    assert facts(machine(fault, unit=MORE))[SHOWS[fault]] != sound[SHOWS[fault]]


def test_an_antenna_lead_that_is_off_costs_its_own_chain_25_db():
    before, after = (
        machine().chain_signals("pci-0000:02:00.0"),
        machine("antenna-aux-off").chain_signals("pci-0000:02:00.0"),
    )

    assert after[0] == before[0]
    assert before[1].signal.value - after[1].signal.value == 25.0


def test_a_missing_compound_makes_a_loaded_unit_much_hotter():
    sound_c, dry_c = (
        loaded(it).temperature("platform-coretemp.0-1").value
        for it in (machine(), machine("compound-missing"))
    )

    assert dry_c > sound_c + 25


def test_the_same_seed_gives_the_same_readings_and_another_does_not():
    assert facts(machine(seed=3)) == facts(machine(seed=3))
    assert facts(machine(seed=3))["speeds"] != facts(machine(seed=4))["speeds"]


def test_time_is_moved_and_never_goes_back():
    it = machine()
    it.clock.sleep(90.0)
    it.clock.sleep(-5.0)

    assert it.clock.monotonic() == 90.0
    assert it.clock.utc() == datetime(2026, 3, 2, 8, 1, 30, tzinfo=UTC)


def test_the_load_ends_on_every_way_out():
    it = machine()

    def stopped_half_way() -> None:
        with it.load(6):
            it.clock.sleep(1.0)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped_half_way()
    before = it.package_energy().value
    it.clock.sleep(10.0)

    assert it.package_energy().value - before == pytest.approx(10 * DEMO.package.idle_w, rel=0.1)


def test_a_rehearsal_says_that_it_is_one():
    assert machine().source is Source.REHEARSAL
    assert machine().on_mains().source.startswith("rehearsal")


def test_the_person_feels_air_only_where_a_fan_turns():
    assert machine().answer(AIR, "t-07") == Answer("is air moving?", "air moves", "t-07")
    assert machine("fan-plug-loose").answer(AIR, "t-07").words == "no air"


@pytest.mark.parametrize(
    ("fault", "question", "options", "words"),
    [
        ("memory-module-loose", "memory.put_back", ("1", "2", "cannot tell"), "2"),
        ("camera-ribbon-off", "camera.present.fitted", ("it has one", "made without"), "it has one"),
        ("wireless-card-loose", "wireless.present.fitted", ("it has one", "made without"), "it has one"),
        ("drive-hidden", "storage.listed", ("listed", "not listed"), "listed"),
        ("drive-cable-off", "storage.listed", ("listed", "not listed"), "not listed"),
    ],
)
def test_the_person_knows_what_they_put_back(fault, question, options, words):
    assert machine(fault).answer(Question(question, "?", options), "t-07").words == words


def test_the_person_does_not_answer_what_they_cannot_know():
    said = machine().answer(Question("audio.sides", "left?", ("left", "right")), "t-07")

    assert isinstance(said, Absent)


def test_a_switched_off_sensor_says_so():
    unit = next(
        unit
        for unit in (random_good_unit(seed, Form.LAPTOP) for seed in range(20))
        if unit.thermometers[2].switched_off
    )

    assert machine(unit=unit).temperature("board-2").why is Why.SWITCHED_OFF


def test_an_unknown_fault_and_one_without_its_part_are_both_named():
    unit = random_good_unit(1, Form.TOWER)
    with pytest.raises(DocumentError) as error:
        machine("camera-ribbon-off", "fan-stolen\x1b[31m", unit=unit)

    assert len(error.value.faults) == 2
    assert "no camera" in str(error.value)
    assert "\x1b" not in str(error.value)


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"schema": "benchproof/rehearsal/2"}, "/schema"),
        ({"colour": "red"}, ""),
        ({"reserved_bytes": -1}, "/reserved_bytes"),
        ({"processor_sensor": "nowhere"}, "/processor_sensor"),
        ({"blowers": [{"id": "f", "label": "", "curve": [[50, 2000], [40, 3000]]}]}, "/blowers/0/curve"),
    ],
)
def test_a_wrong_unit_file_is_refused_with_the_place(tmp_path, change, pointer):
    path = tmp_path / "unit.json"
    path.write_text(json.dumps(json.loads(DEMO_FILE.read_text()) | change))

    with pytest.raises(DocumentError) as error:
        load_unit(path)

    assert [fault.pointer for fault in error.value.faults] == [pointer]


def test_good_units_lack_what_ordinary_units_lack():
    units = [random_good_unit(seed, form) for seed in range(60) for form in Form]

    assert {unit.blowers[0].tachometer for unit in units} == {True, False}
    assert {unit.package.energy_counter for unit in units} == {True, False}
    assert {bool(unit.antennas[0].chains_dbm) for unit in units} == {True, False}
    assert random_good_unit(7, Form.LAPTOP) == random_good_unit(7, Form.LAPTOP)


def test_energy_only_grows():
    it = machine()
    joules = []
    for _ in range(20):
        it.clock.sleep(0.5)
        reading = it.package_energy()
        assert isinstance(reading, Reading)
        joules.append(reading.value)

    assert joules == sorted(joules)


def test_a_trial_of_the_memory_takes_its_time_and_heats():
    it = machine()
    cool, told = it.temperature(it.processor_sensor()).value, []

    trial = it.memory_trial(0.9, 10, 480.0, lambda done: told.append(done) is None)

    assert trial.rounds.value == 10
    assert it.clock.monotonic() == pytest.approx(
        trial.tried.value * 100 / 12e9, rel=0.01
    )  # ten operations, ten rounds
    assert told == sorted(told)
    assert it.temperature(it.processor_sensor()).value > cool + 10


def test_a_trial_whose_time_is_up_says_how_far_it_came():
    trial = machine().memory_trial(0.9, 10, 20.0, lambda done: True)

    assert trial.ended.value == "its time was up"
    assert 0 < trial.rounds.value < 10
