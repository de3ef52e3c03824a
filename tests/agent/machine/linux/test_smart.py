"""A drive's health: smartctl itself decodes the samples, and what we make of it is what stands in them."""

from __future__ import annotations

import csv
import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.machine.linux.blockread import Said
from agent.machine.linux.smart import understood
from checks.machine import DriveHealth
from reports.codec import from_json, to_json
from reports.model.evidence import Absent, Reading, Why
from tests.support.smartctl import VECTORS, ata, nvme, sample

DATA = sample(VECTORS / "ata-smart-data-sample.hex")
THRESHOLDS = sample(VECTORS / "ata-smart-thresholds-sample.hex")
LOG = sample(VECTORS / "nvme-smart-log-sample.hex")


def recorded(name: str) -> Said:
    text = (VECTORS / f"{name}.smartctl.json").read_bytes()
    return Said(json.loads(text)["smartctl"]["exit_status"], text, "")


def values(health: DriveHealth | Absent) -> dict[str, object]:
    assert isinstance(health, DriveHealth), health
    members = {name: getattr(health, name) for name in DriveHealth.__dataclass_fields__}
    return {name: value.value for name, value in members.items() if isinstance(value, Reading)}


# -- SATA ---------------------------------------------------------------------------------------------------


def test_a_sata_drive_says_what_skdump_reads_in_the_same_bytes():
    with (VECTORS / "ata-smart-sample-expected.csv").open(encoding="utf-8") as table:
        raw = {int(row["id"]): int(row["raw48"]) for row in csv.DictReader(table)}

    assert values(understood(ata(DATA, THRESHOLDS), "sata-1")) == {
        "sound": True,
        "worn": "",
        "reallocated": raw[5],
        "pending": raw[197],
        "uncorrectable": raw[198],
        "interface_errors": raw[199],
        "hours": raw[9],
        "starts": raw[12],
        "temperature": raw[194],
    }


def test_what_a_sata_drive_has_no_attribute_for_is_not_supported():
    health = understood(ata(DATA, THRESHOLDS), "sata-1")

    for absent in (health.unrecovered, health.spare, health.used, health.warnings):
        assert absent.why is Why.NOT_SUPPORTED


def test_the_drives_own_verdict_is_heard():
    assert values(understood(ata(DATA, THRESHOLDS, sound=False), "sata-1"))["sound"] is False


@pytest.mark.parametrize(
    ("value", "worn"), [(11, ""), (10, "Reallocated_Sector_Ct"), (9, "Reallocated_Sector_Ct")]
)
def test_an_attribute_at_its_makers_threshold_is_worn(value, worn):
    """ATA8-ACS: at or under it."""
    data = bytearray(DATA)
    data[5] = value  # the first attribute of the table, id 5: id, two of flags, value

    assert values(understood(ata(bytes(data), THRESHOLDS), "sata-1"))["worn"] == worn


@pytest.mark.parametrize("seed", range(5))
def test_counts_of_any_size_come_through_smartctl(seed):
    chance = random.Random(seed)
    data, written = bytearray(DATA), {}
    for index in range(7):
        at = 2 + 12 * index
        written[data[at]] = chance.randrange(2**16)
        data[at + 5 : at + 11] = written[data[at]].to_bytes(6, "little")

    health = values(understood(ata(bytes(data), THRESHOLDS), "sata-1"))

    assert (health["reallocated"], health["pending"]) == (written[5], written[197])
    assert (health["uncorrectable"], health["interface_errors"]) == (written[198], written[199])


# -- NVMe ---------------------------------------------------------------------------------------------------


def test_an_nvme_drive_says_what_stands_in_its_log():
    expected = json.loads((VECTORS / "nvme-smart-log-sample.expected.json").read_text())

    health = values(understood(recorded("nvme-smart-log-sample"), "nvme-1"))

    assert expected["critical_warning_bits"] == [1]
    assert health == {
        "sound": False,
        "warnings": "temperature beyond its threshold",
        "unrecovered": expected["media_errors"],
        "spare": expected["available_spare"],
        "spare_threshold": expected["spare_threshold"],
        "used": expected["percentage_used"],
        "hours": expected["power_on_hours"],
        "starts": expected["power_cycles"],
        "temperature": expected["temperature_kelvin"] - 273,
    }


def fields(log: bytes) -> dict[str, int]:
    """The page by the table of offsets."""
    with (VECTORS / "nvme-smart-log-offsets.csv").open(encoding="utf-8") as table:
        rows = [(row["field"], int(row["offset"]), int(row["bytes"])) for row in csv.DictReader(table)]
    return {name: int.from_bytes(log[at : at + size], "little") for name, at, size in rows}


@pytest.mark.parametrize("seed", range(6))
def test_any_log_is_read_by_the_offsets_of_the_standard(seed, tmp_path):
    chance = random.Random(seed)
    log = bytearray(LOG)
    log[0] = 1 << seed
    log[1:3] = (273 + chance.randrange(0, 90)).to_bytes(2, "little")
    log[3:6] = bytes(chance.randrange(256) for _ in range(3))
    for at in (112, 128, 160):
        log[at : at + 4] = chance.randrange(2**32).to_bytes(4, "little")

    health, written = values(understood(nvme(bytes(log), tmp_path), "nvme-1")), fields(bytes(log))

    assert health["temperature"] == written["composite_temperature"] - 273
    assert (health["spare"], health["spare_threshold"]) == (
        written["available_spare"],
        written["available_spare_threshold"],
    )
    assert health["used"] == written["percentage_used"]
    assert (health["starts"], health["hours"]) == (written["power_cycles"], written["power_on_hours"])
    assert health["unrecovered"] == written["media_errors"]
    words = ("spare", "temperature", "reliability", "read only", "backup", "persistent memory")
    assert words[seed] in health["warnings"]


def test_a_sound_log_has_no_warnings(tmp_path):
    health = values(understood(nvme(b"\0" + LOG[1:], tmp_path), "nvme-1"))

    assert (health["sound"], health["warnings"]) == (True, "")


IDENTIFY, GET_LOG_PAGE = 0x06, 0x02  # NVM Express Base Specification, admin commands
ADMIN_COMMAND = 0xC0484E41  # linux/nvme_ioctl.h, NVME_IOCTL_ADMIN_CMD


def test_an_nvme_drive_is_sent_commands_that_read_and_no_others(tmp_path):
    nvme(LOG, tmp_path)
    sent = [line.split() for line in (tmp_path / "OPCODES").read_text().splitlines()]

    assert {int(opcode) for opcode, _ in sent} == {IDENTIFY, GET_LOG_PAGE}
    assert {int(ioctl) for _, ioctl in sent} == {ADMIN_COMMAND}


# -- no answer ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("no-device", Why.DID_NOT_ANSWER),
        ("no-type", Why.NOT_SUPPORTED),
        ("not-permitted", Why.NOT_PERMITTED),
        ("no-answer", Why.DID_NOT_ANSWER),
    ],
)
def test_why_a_drive_could_not_be_asked_is_said(name, why):
    absent = understood(recorded(name), "sata-1")

    assert absent.why is why
    assert absent.detail


def told(status=0, **members):
    return Said(status, json.dumps(members).encode(), "")


def test_a_drive_that_sleeps_is_left_asleep():
    """smartctl(8), -n; its words as in its source, since no drive here can be put to sleep."""
    words = {"messages": [{"string": "Device is in STANDBY mode, exit(255)", "severity": "information"}]}

    assert understood(told(255, smartctl=words), "sata-1").why is Why.SWITCHED_OFF


def test_monitoring_that_is_switched_off_is_not_switched_on():
    absent = understood(told(4, smart_support={"available": True, "enabled": False}), "sata-1")

    assert absent.why is Why.SWITCHED_OFF


def test_a_drive_without_a_record_is_told_from_one_that_does_not_answer():
    assert understood(told(4, smart_support={"available": False}), "usb-1").why is Why.NOT_SUPPORTED
    assert understood(told(4, smart_status={"passed": True}), "usb-1").reallocated.why is Why.DID_NOT_ANSWER
    assert understood(told(0, smart_status={"passed": True}), "usb-1").reallocated.why is Why.NOT_SUPPORTED


def attribute(id, name, text="8", **more):
    return {"id": id, "name": name, "raw": {"value": 0, "string": text}, **more}


def counted(*table):
    return understood(told(ata_smart_attributes={"table": list(table)}), "sata-1")


def test_an_id_that_counts_something_else_on_this_drive_is_not_taken_for_ours():
    assert counted(attribute(197, "Current_Pending_Sector")).pending.value == 8
    assert counted(attribute(197, "Total_Pages_Scanned")).pending.why is Why.NOT_SUPPORTED


@pytest.mark.parametrize(
    ("text", "value"),
    [("8", 8), ("8 (2 0)", 8), ("8/12", 8), ("0x08", None), ("3h+12m", None), ("", None), ("-", None)],
)
def test_the_first_of_several_counts_is_the_count(text, value):
    read = counted(attribute(5, "Reallocated_Sector_Ct", text)).reallocated

    assert (read.value if isinstance(read, Reading) else None) == value
    assert isinstance(read, Reading) or read.why is Why.NOT_UNDERSTOOD


def test_a_solid_state_drive_tells_what_is_left_of_its_life():
    assert counted(attribute(231, "SSD_Life_Left", value=97)).used.value == 3
    assert counted(attribute(177, "Wear_Leveling_Count", value=100)).used.value == 0


@given(st.binary(max_size=400), st.integers(0, 255))
def test_no_bytes_stop_us(text, status):
    assert isinstance(understood(Said(status, text, ""), "x"), Absent | DriveHealth)


scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
NAMES = (
    *(
        "smartctl",
        "messages",
        "smart_status",
        "passed",
        "ata_smart_attributes",
        "table",
        "raw",
        "string",
        "id",
    ),
    *("nvme_smart_health_information_log", "critical_warning", "power_on_time", "hours", "value", "name"),
)
trees = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(NAMES), inner, max_size=6),
    max_leaves=30,
)


@given(trees, st.integers(0, 255))
def test_no_answer_stops_us_and_whatever_comes_of_it_fits_the_report(tree, status):
    health = understood(Said(status, json.dumps(tree).encode(), ""), "x")

    again = from_json(json.loads(json.dumps(to_json(health))), DriveHealth | Absent)
    assert again == health


def test_nesting_without_end_stops_nothing():
    assert understood(Said(0, b"[" * 200_000, ""), "x").why is Why.NOT_UNDERSTOOD
