"""The live machine, asked as the checks ask it: a whole unit in a folder, and this computer."""

import errno

import pytest

from agent.machine import compute, pattern
from agent.machine.linux.wireless import Heard
from agent.machine.live import LiveMachine
from checks.machine import Complaint
from reports.model.evidence import Absent, Reading, Why
from reports.model.record import Source
from tests.support.firmware import END, entry_point, structure

CHIP = "platform/tarntemp.0/hwmon/hwmon"


@pytest.fixture
def machine(unit):
    return LiveMachine(unit.root, air=lambda index: [Heard("02", -50, ((0, -51), (1, -75)))])


def chip(unit, number, **files):
    return unit.device(f"{CHIP}{number}", "hwmon", parent="platform/tarntemp.0", name="coretemp", **files)


def test_whatever_it_says_is_live(machine):
    assert machine.source is Source.LIVE


def test_a_sensor_is_sampled_by_an_id_that_survives_a_reload_of_its_driver(unit, machine):
    folder = chip(unit, 0, temp1_input=41000, temp1_label="Package id 0")
    id = machine.processor_sensor()
    assert machine.temperature(id).value == 41.0

    unit.place("/sys/class/hwmon/hwmon0").unlink()
    unit.place(folder).rename(unit.place(f"/sys/devices/{CHIP}7"))
    unit.link("/sys/class/hwmon/hwmon7", f"/sys/devices/{CHIP}7")

    assert machine.temperature(id).value == 41.0


def test_a_sensor_that_vanishes_in_mid_run_is_not_there(unit, machine):
    folder = chip(unit, 0, fan1_input=900)
    (fan,) = machine.fans()
    assert machine.fan_speed(fan.id).value == 900

    unit.place(f"{folder}/fan1_input").unlink()

    assert machine.fan_speed(fan.id) == Absent(Why.NOT_THERE, fan.id)


def test_another_chip_that_takes_the_number_is_not_mistaken_for_it(unit, machine):
    chip(unit, 0, temp1_input=41000)
    (sensor,) = machine.temperature_sensors()
    assert machine.temperature(sensor.id).value == 41.0

    unit.place("/sys/class/hwmon/hwmon0").unlink()
    unit.place(f"/sys/devices/{CHIP}0/temp1_input").unlink()
    unit.device(
        "platform/other.1/hwmon/hwmon0", "hwmon", parent="platform/other.1", name="other", temp1_input=90000
    )

    assert machine.temperature(sensor.id).why is Why.NOT_THERE


def test_chips_and_zones_are_both_temperature_sensors(unit, machine):
    chip(unit, 0, temp1_input=41000, temp1_crit=100000)
    unit.device("virtual/thermal/thermal_zone0", "thermal", type="acpitz", temp=30000)

    sensors = machine.temperature_sensors()

    assert [machine.temperature(sensor.id).value for sensor in sensors] == [41.0, 30.0]
    assert sensors[0].critical.value == 100.0


def test_without_sensors_the_reason_is_that_of_the_kernel(machine):
    assert machine.temperature_sensors().why is Why.NOT_SUPPORTED
    assert machine.processor_sensor() is None


def test_memory_sockets_come_from_the_firmware_table(unit, machine):
    body = bytearray(0x28 - 4)
    body[0x0C - 4 : 0x0E - 4] = (8192).to_bytes(2, "little")
    body[0x10 - 4] = 1
    raw = structure(17, 1, bytes(body), b"SLOT 1") + END
    unit.file("/sys/firmware/dmi/tables/smbios_entry_point", entry_point(raw))
    unit.file("/sys/firmware/dmi/tables/DMI", raw)

    (slot,) = machine.memory_slots()

    assert slot.locator.value == "SLOT 1"
    assert slot.capacity == Reading(8 << 30, "bytes", "SMBIOS type 17 handle 0x0001")


def test_a_table_that_makes_no_sense_is_told_with_its_place(unit, machine):
    raw = bytes((17, 2, 0, 0))
    unit.file("/sys/firmware/dmi/tables/smbios_entry_point", entry_point(raw))
    unit.file("/sys/firmware/dmi/tables/DMI", raw)

    assert "impossible length 2" in machine.memory_slots().detail


def test_memory_sockets_are_not_permitted_without_root(unit, machine, refuse):
    unit.file("/sys/firmware/dmi/tables/smbios_entry_point", entry_point(END))
    refuse({"smbios_entry_point": errno.EACCES})

    assert machine.memory_slots().why is Why.NOT_PERMITTED


def test_chain_signals_come_by_the_adapter_that_was_asked(unit, machine):
    card = "pci0000:00/0000:00:14.3"
    unit.device(card, "pci", bus=True, **{"class": "0x028000"})
    unit.device(f"{card}/ieee80211/phy0", "ieee80211", parent=card)
    unit.device(f"{card}/net/wlan0", "net", ifindex=3, flags="0x1003")
    unit.link(f"/sys/devices/{card}/net/wlan0/phy80211", f"/sys/devices/{card}/ieee80211/phy0")
    (radio,) = machine.radios()

    first, second = machine.chain_signals(radio.id)

    assert (first.signal.value, second.signal.value, second.signal.unit) == (-51.0, -75.0, "dbm")
    assert machine.chain_signals("elsewhere").why is Why.NOT_THERE


def test_an_empty_computer_raises_nothing_and_says_why(machine):
    for ask in (
        machine.memory_slots,
        machine.memory_total,
        machine.drives,
        machine.hidden_storage,
        machine.radios,
        machine.fans,
        machine.temperature_sensors,
        machine.package_energy,
        machine.on_mains,
    ):
        assert isinstance(ask(), Absent)


def test_this_computer_answers_every_question():
    machine = LiveMachine()

    assert machine.memory_total().value > 0
    assert machine.cores() >= 1
    for ask in (
        machine.identity,
        machine.memory_slots,
        machine.drives,
        machine.hidden_storage,
        machine.radios,
        machine.fans,
        machine.temperature_sensors,
        machine.package_energy,
        machine.on_mains,
        machine.cameras,
    ):
        assert ask() is not None
    for sensor in (
        machine.temperature_sensors() if not isinstance(machine.temperature_sensors(), Absent) else ()
    ):
        assert isinstance(machine.temperature(sensor.id), Reading | Absent)


def test_errors_at_the_start_stay_what_they_were(unit, machine):
    unit.device("pci0000:00/0000:00:1c.0", "pci", bus=True, **{"class": "0x060400"}, **_counters(1))
    before = machine.error_counts_at_start()

    unit.file("/sys/devices/pci0000:00/0000:00:1c.0/aer_dev_correctable", "TOTAL_ERR_COR 9\n")

    assert machine.error_counts_at_start() == before
    assert [each.corrected.value for each in machine.error_counts().links] == [9]
    assert before.links[0].what == "slot or bridge"


def _counters(corrected):
    return {
        "aer_dev_correctable": f"TOTAL_ERR_COR {corrected}\n",
        "aer_dev_nonfatal": "TOTAL_ERR_NONFATAL 0\n",
        "aer_dev_fatal": "TOTAL_ERR_FATAL 0\n",
    }


def test_the_kernels_log_is_counted_in_the_order_of_the_complaints(unit, machine):
    unit.file(
        "/dev/kmsg", "3,7,100,-;mce: [Hardware Error]: CPU 0\n3,8,200,-;usb 1-2: device not accepting\n"
    )

    log = machine.error_counts().log

    assert {
        sort.value: count.value for sort, count in zip(Complaint, log.errors, strict=True) if count.value
    } == {
        "machine check": 1,
        "USB": 1,
    }
    assert log.lost


def modules_in(unit, *ranges):
    """Two filled slots, each with the part of physical memory that the firmware maps to it, in GiB."""
    device = bytearray(0x5C - 4)
    device[0x0C - 4 : 0x0E - 4], device[0x10 - 4] = (8192).to_bytes(2, "little"), 1
    raw = b"".join(
        structure(17, 0x1100 + place, bytes(device), f"Slot {place + 1}".encode())
        + structure(
            20,
            0x1400 + place,
            (first << 20).to_bytes(4, "little")
            + ((last << 20) - 1).to_bytes(4, "little")
            + (0x1100 + place).to_bytes(2, "little")
            + bytes(5),
        )
        for place, (first, last) in enumerate(ranges)
    )
    unit.file("/sys/firmware/dmi/tables/smbios_entry_point", entry_point(raw + END))
    unit.file("/sys/firmware/dmi/tables/DMI", raw + END)


def trial(unit, machine, monkeypatch, address, **changes):
    word = pattern.BadWord(4096, address, 0, 1 << 17)
    done = pattern.Trial(
        **{
            "available": Reading(4 << 30, "bytes", "/proc/meminfo"),
            "cache": Reading(8 << 20, "bytes", "cache"),
            "regions": (1 << 30, 3 << 29),
            "locked": True,
            "rounds": 2,
            "wrong": 3,
            "words": (word,),
            "ended": "",
            **changes,
        }
    )
    monkeypatch.setattr(pattern, "trial", lambda *asked: done)
    return machine.memory_trial(0.9, 2, 60.0, lambda share: True)


@pytest.mark.parametrize(("gib", "names"), [(3, ["Slot 1"]), (9, ["Slot 2"])])
def test_a_bad_word_lies_in_the_module_that_is_mapped_there(unit, machine, monkeypatch, gib, names):
    modules_in(unit, (0, 8), (8, 16))

    told = trial(unit, machine, monkeypatch, Reading(gib << 30, "bytes", "pagemap"))

    (word,) = told.words
    assert [module.value for module in word.modules] == names
    assert (word.expected.value, word.read.value) == ("0" * 16, "0000000000020000")
    assert (told.tried.value, told.smallest.value) == (5 << 29, 1 << 30)


def test_where_addresses_are_root_s_to_know_no_module_is_named(unit, machine, monkeypatch):
    modules_in(unit, (0, 16), (0, 16))
    hidden = Absent(Why.NOT_PERMITTED, "pagemap")

    assert trial(unit, machine, monkeypatch, hidden).words[0].modules == hidden


def test_a_word_that_was_right_when_read_again_says_so(unit, machine, monkeypatch):
    again = (pattern.BadWord(0, Absent(Why.NOT_PERMITTED, "pagemap"), 7, 7),)

    (word,) = trial(unit, machine, monkeypatch, None, words=again).words

    assert word.read.why is Why.DID_NOT_ANSWER


def test_what_each_core_computed_is_told_by_its_number(machine, unit, monkeypatch):
    unit.file("/sys/devices/system/cpu/online", "0-2\n")
    cores = (
        compute.Core(0, pinned=True, rounds=4),
        compute.Core(1, pinned=True, rounds=3, wrong={"matrix": 2, "integer": 1}),
        compute.Core(2, ended="its process ended with status 1"),
    )
    monkeypatch.setattr(compute, "trial", lambda seconds, watch: (cores, "it was told to stop"))

    told = machine.compute_trial(5.0, lambda done: True)

    assert [core.wrong.value for core in told.cores[:2]] == [0, 3]
    assert told.cores[1].sorts.value == "matrix and integer"
    assert told.cores[2].wrong.why is Why.DID_NOT_ANSWER
    assert told.cores[2].ended.value == "its process ended with status 1"
    assert (told.running.value, told.ended.value) == (3, "it was told to stop")
