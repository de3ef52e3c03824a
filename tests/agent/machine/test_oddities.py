"""What is odd about the invented units, as checks judge it; and what happens while they are measured."""

import errno
import os
import shutil

import pytest

from agent.machine.linux import files
from agent.planning.plan import Plan, Step
from agent.running.run import Watcher, perform
from checks import registry
from checks.cooling.fan import SPIN
from checks.cooling.thermal import LOAD, PLAUSIBLE
from checks.memory.modules import CAPACITY
from checks.ports import CABLE_IN, NETWORK
from checks.storage.presence import PRESENT as DRIVE
from checks.wireless.adapter import PRESENT as RADIO
from reports.model.evidence import Absent, Series, Why
from reports.model.finding import Cannot, Limit, Origin, Stage, Verdict, Weight
from reports.model.order import Form, Piece
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, judged, part, replaced, subject
from tests.support.units import UNITS, RunningUnit, unit_in

AIO = {"form": Form.ALL_IN_ONE}


def running(name, root, *due):
    return RunningUnit(unit_in(name, root), *due)


# -- switches, links, tables, serials ------------------------------------------------------------


def test_a_radio_listed_twice_among_the_switches_passes_once(tmp_path):
    judgement, evidence = judged(RADIO, running("laptop-fell-14", tmp_path), subject(PartKind.WIRELESS))

    assert judgement.verdict is Verdict.PASS
    assert len(evidence.radios) == 1


@pytest.mark.parametrize("switch", ["rfkill0", "rfkill2"])
def test_either_entry_of_a_radio_listed_twice_silences_it(tmp_path, switch):
    unit = unit_in("laptop-fell-14", tmp_path)
    unit.file(f"/sys/class/rfkill/{switch}/soft", 1)

    judgement, _ = judged(RADIO, RunningUnit(unit), subject(PartKind.WIRELESS))

    assert judgement.verdict is not Verdict.PASS
    assert "switched off" in judgement.reason


def test_a_table_that_counts_twice_what_the_kernel_has_fails_the_memory(tmp_path):
    judgement, _ = judged(CAPACITY, running("laptop-fell-15", tmp_path), subject(PartKind.MEMORY))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "the firmware counts 16 GiB, and only 7.5 GiB of it is used"


DRIVE_LINK = "/sys/bus/pci/devices/0000:01:00.0"


@pytest.mark.parametrize("width", [0, 255])
def test_a_drive_whose_link_has_no_width_to_tell_is_not_failed_for_it(tmp_path, width):
    """255 is the kernel's word for not knowing; read as a number it would be more than any socket has."""
    unit = unit_in("laptop-fell-15", tmp_path)
    link, about = registry.check("storage.link"), subject(PartKind.STORAGE)
    half, _ = judged(link, RunningUnit(unit), about)
    unit.file(f"{DRIVE_LINK}/current_link_width", width)

    unknown, _ = judged(link, RunningUnit(unit), about)

    assert half.verdict is Verdict.FAIL
    assert unknown.verdict not in (Verdict.FAIL, Verdict.PASS)


def drive_line(serial):
    return replaced("storage", fitted=Piece(serial))


@pytest.mark.parametrize("serial", ["0000000000000000", "                "])
def test_a_drive_whose_serial_is_zeros_or_blanks_cannot_be_told_to_be_the_orders(tmp_path, serial):
    unit = unit_in("laptop-fell-15", tmp_path)
    unit.file("/sys/class/nvme/nvme0/serial", serial)

    judgement, _ = judged(DRIVE, RunningUnit(unit), subject(PartKind.STORAGE, drive_line("TWS-0002")))

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "does not tell its serial" in judgement.reason


def test_a_drive_serial_padded_with_blanks_is_the_orders(tmp_path):
    line = drive_line("TWS-0001")

    judgement, _ = judged(DRIVE, running("laptop-fell-14", tmp_path), subject(PartKind.STORAGE, line))

    assert judgement.verdict is Verdict.PASS


def test_a_blank_unit_serial_fails_the_identity_and_one_that_is_no_text_cannot_be_judged(tmp_path):
    identity = registry.check("board.identity")

    blank, _ = judged(identity, running("laptop-fell-15", tmp_path / "a"), subject(PartKind.BOARD))
    no_text, _ = judged(identity, running("all-in-one-alcove-27", tmp_path / "b"), subject(PartKind.BOARD))

    assert (blank.verdict, "blank or a placeholder" in blank.reason) == (Verdict.FAIL, True)
    assert no_text.cannot is Cannot.NOT_UNDERSTOOD


# -- a link that takes its time ------------------------------------------------------------------

CARRIER = "/sys/class/net/eth0/carrier"


def carrier(value):
    return lambda unit: unit.file(CARRIER, value)


@pytest.mark.parametrize(("after_s", "verdict"), [(2.0, Verdict.PASS), (60.0, Verdict.FAIL)])
def test_a_cable_that_answers_two_seconds_after_the_interface_is_up_is_no_fault(tmp_path, after_s, verdict):
    machine = running("all-in-one-alcove-27", tmp_path, (after_s, carrier(1)))
    person = Bench({"ports.network.cable": CABLE_IN})

    judgement, _ = judged(NETWORK, machine, subject(PartKind.PORTS, **AIO), person)

    assert judgement.verdict is verdict


def test_an_interface_that_goes_down_meanwhile_is_inconclusive(tmp_path):
    gone = lambda unit: unit.place(CARRIER).unlink()  # noqa: E731
    machine = running("all-in-one-alcove-27", tmp_path, (2.0, gone))
    person = Bench({"ports.network.cable": CABLE_IN})

    assert judged(NETWORK, machine, subject(PartKind.PORTS, **AIO), person)[0].verdict is Verdict.INCONCLUSIVE


# -- sensors that vanish -------------------------------------------------------------------------


def folder_of(unit, chip):
    """The class entry of a chip."""
    entries = unit.place("/sys/class/hwmon").iterdir()
    return next(each for each in entries if (each / "name").read_text().strip() == chip)


def chip_gone(chip):
    """The driver of a chip is unloaded: its device stays, its files and its class entry go."""

    def happen(unit):
        entry = folder_of(unit, chip)
        real = entry.resolve()
        entry.unlink()
        shutil.rmtree(real)

    return happen


COOLER = part(
    PartKind.THERMAL,
    limits=(
        Limit("safe_temperature", 95.0, "celsius", Origin.SERVICE_MAP),
        Limit("thermal_resistance", 1.3, "K/W", Origin.SERVICE_MAP),
    ),
)
HEATED = subject(PartKind.THERMAL, about=COOLER, **AIO)


def test_a_processor_sensor_that_vanishes_under_load_ends_the_load_with_its_reason(tmp_path):
    machine = running("all-in-one-alcove-24", tmp_path, (60.0, chip_gone("coretemp")))

    judgement, evidence = judged(LOAD, machine, HEATED)

    assert machine.loads
    assert machine.busy == 0
    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert [gap.why for gap in evidence.temperature.gaps] == [Why.NOT_THERE] * 3
    assert "sensor stopped answering" in judgement.reason or judgement.cannot is Cannot.DID_NOT_ANSWER


def test_a_sensor_that_is_gone_for_two_readings_leaves_two_gaps_and_the_load_goes_on(tmp_path):
    unit = unit_in("all-in-one-alcove-24", tmp_path)
    chip = folder_of(unit, "coretemp")
    hidden = chip.resolve() / "hidden"

    def hide(_):
        (chip / "temp1_input").rename(hidden)

    def show(_):
        hidden.rename(chip / "temp1_input")

    _, evidence = judged(LOAD, RunningUnit(unit, (60.5, hide), (62.5, show)), HEATED)

    gaps = evidence.temperature.gaps
    assert [gap.why for gap in gaps] == [Why.NOT_THERE] * 2
    assert gaps[1].index == gaps[0].index + 1
    assert isinstance(evidence.safety_stop, Absent)
    assert len(evidence.temperature.values) > 120


def test_a_sensor_that_comes_back_under_another_number_is_the_same_sensor(tmp_path):
    def renumbered(unit):
        old = folder_of(unit, "coretemp")
        real = old.resolve()
        moved = real.with_name("hwmon7")
        real.rename(moved)
        old.unlink()
        unit.link("/sys/class/hwmon/hwmon7", "/" + str(moved.relative_to(unit.root)))

    _, evidence = judged(LOAD, running("all-in-one-alcove-24", tmp_path, (60.0, renumbered)), HEATED)

    assert evidence.temperature.gaps == ()


def test_a_tachometer_that_vanishes_while_it_is_read_is_inconclusive_and_its_gaps_say_why(tmp_path):
    """It turns from the first reading on, so it is read for ten seconds: from the sixth it is gone."""
    machine = running("all-in-one-alcove-24", tmp_path, (7.0, chip_gone("tarnio")))

    judgement, evidence = judged(SPIN, machine, subject(PartKind.FAN, **AIO))

    assert isinstance(evidence.rpm, Series)
    assert evidence.rpm.gaps
    assert {gap.why for gap in evidence.rpm.gaps} == {Why.NOT_THERE}
    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert machine.busy == 0


def test_all_sensors_that_vanish_leave_a_whole_report_and_no_crash(tmp_path):
    """Through the run itself: nothing is a crash, nothing passes on what was not measured."""
    both = (chip_gone("tarnio"), chip_gone("coretemp"))
    machine = running("all-in-one-alcove-24", tmp_path, *((20.0, gone) for gone in both))
    steps = tuple(
        Step(check, subject(check.kind, **AIO), Weight.REQUIRED, ()) for check in (PLAUSIBLE, SPIN, LOAD)
    )

    done = perform(Plan(steps, (), (), 10.0), machine, Bench(), Watcher())

    assert [finding.check for finding in done.findings] == ["thermal.plausible", "fan.spin", "thermal.load"]
    assert Cannot.CRASHED not in [finding.judgement.cannot for finding in done.findings]
    assert done.findings[-1].judgement.verdict is Verdict.INCONCLUSIVE


# -- files that cannot be read -------------------------------------------------------------------

INVENTORY = [check for check in registry.CHECKS if check.stage is Stage.INVENTORY]


BY_NAME = {"audio.codec", "microphone.present", "camera.present", "board.tpm"}
"""Checks of what a driver took: the kernel's own list shows it without a file being read."""

HIDDEN = ("all-in-one-alcove-27", "storage.present")
"""No drive is on the list, and whether a controller hides one cannot be read: said, and a fail."""


@pytest.mark.parametrize("number", [errno.EACCES, errno.EIO, errno.ENODATA, errno.EINVAL])
@pytest.mark.parametrize("name", UNITS)
def test_where_every_file_refuses_no_part_is_taken_for_missing_and_none_for_sound(
    tmp_path, refuse, name, number
):
    machine = running(name, tmp_path)
    readable = {check.id: judged(check, machine, subject(check.kind))[0] for check in INVENTORY}
    refuse({"": number})

    for check in INVENTORY:
        judgement, _ = judged(check, machine, subject(check.kind))
        if judgement.verdict is Verdict.PASS:
            assert check.id in BY_NAME
        if judgement.verdict is Verdict.FAIL and (name, check.id) != HIDDEN:
            assert readable[check.id].verdict is Verdict.FAIL, judgement.reason


@pytest.mark.parametrize("name", UNITS)
def test_where_every_device_leaves_while_it_is_read_no_check_raises(tmp_path, refuse, name):
    machine = running(name, tmp_path)
    refuse({"": errno.ENODEV})

    for check in INVENTORY:
        assert judged(check, machine, subject(check.kind))[0].reason


@pytest.mark.parametrize("name", UNITS)
def test_no_device_is_lost_from_its_list_because_one_file_cannot_be_read(tmp_path, monkeypatch, name):
    machine, read, refused = running(name, tmp_path), set(), set()
    really = os.open

    def opened(path, *rest, **names):
        file = os.path.realpath(path)
        if file in refused:
            raise OSError(errno.EIO, "refused")
        read.add(file)
        return really(path, *rest, **names)

    monkeypatch.setattr(files.os, "open", opened)
    for question in QUESTIONS:
        read.clear()
        before = getattr(machine, question)()
        for file in set(read):
            refused.add(file)
            assert (file, shorter(getattr(machine, question)(), before)) == (file, False)
            refused.clear()


def shorter(after, before):
    """A list that could not be had is absent; one that lost an entry looks whole."""
    return isinstance(after, tuple) and isinstance(before, tuple) and len(after) < len(before)


QUESTIONS = (
    "memory_slots", "drives", "radios", "fans", "temperature_sensors", "cameras", "batteries",
    "display_connectors", "network_adapters", "bluetooth_controllers", "sound_cards", "input_devices",
    "card_readers", "trust_modules", "graphics_adapters",
    "drive_links", "card_links", "backlights", "charging", "boot_entries", "partitions",
)  # fmt: skip
