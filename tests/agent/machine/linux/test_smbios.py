"""Firmware tables agree with dmidecode, and no firmware can break the program."""

import csv
import errno
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.machine.linux import smbios
from agent.machine.linux.smbios import EntryPoint, Table
from reports.model.evidence import Absent, Reading, Why
from tests.support.firmware import (
    END,
    TABLE_OFFSET,
    compare_devices,
    dmidecode,
    dump,
    entry_point,
    old_entry_point,
    said,
    size_in_words,
    structure,
    value,
)

VECTORS = Path(__file__).parents[3] / "vectors" / "smbios"
SAMPLE = bytes.fromhex((VECTORS / "smbios-sample.hex").read_text())


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / name).open(newline="") as file:
        return list(csv.DictReader(file))


def decoded(raw: bytes, version: tuple[int, int] = (3, 7)) -> Table:
    return smbios.table(raw, EntryPoint(*version, len(raw)))


def memory_device(
    size=0x4000,
    form=0x09,
    type=0x1A,
    speed=3200,
    extended=0,
    wide_speed=0,
    configured=3200,
    wide_configured=0,
) -> bytes:
    body = bytearray(0x5C - 4)

    def put(offset: int, width: int, number: int) -> None:
        body[offset - 4 : offset - 4 + width] = number.to_bytes(width, "little")

    for offset, width, number in (
        *((0x04, 2, 0x1000), (0x06, 2, 0xFFFE), (0x08, 2, 72), (0x0A, 2, 64), (0x0C, 2, size)),
        *((0x0E, 1, form), (0x10, 1, 1), (0x11, 1, 2), (0x12, 1, type), (0x15, 2, speed)),
        *((0x17, 1, 3), (0x18, 1, 4), (0x1A, 1, 5), (0x1B, 1, 2), (0x1C, 4, extended)),
        *((0x20, 2, configured), (0x54, 4, wide_speed), (0x58, 4, wide_configured)),
    ):
        put(offset, width, number)
    return structure(17, 0x1100, bytes(body), b"SLOT 1", b"BANK 0", b"Tarnwick", b"SN1", b"PN1")


def sample_table() -> Table:
    point = smbios.entry_point(SAMPLE)
    assert isinstance(point, EntryPoint)
    return smbios.table(SAMPLE[TABLE_OFFSET:], point)


def test_the_sample_table_reads_as_dmidecode_once_read_it():
    assert compare_devices(sample_table(), said((VECTORS / "smbios-sample.dmidecode.txt").read_text())) == 12


def test_the_sample_table_reads_as_dmidecode_reads_it_now(tmp_path):
    (tmp_path / "dump").write_bytes(SAMPLE)

    theirs = dmidecode(tmp_path / "dump")
    table = sample_table()

    assert [(each.handle, each.type) for each in table.structures] == [
        (each.handle, each.type) for each in theirs
    ]
    compare_devices(table, theirs)
    system, board, chassis, array = (
        next(each.fields for each in theirs if each.type == type) for type in (1, 2, 3, 16)
    )
    identity = smbios.identity_of(table)
    assert value(identity.maker) == system["Manufacturer"]
    assert value(identity.product) == system["Product Name"]
    assert value(identity.serial) == system["Serial Number"]
    assert value(identity.sku) == system["SKU Number"]
    assert value(identity.uuid) == system["UUID"]
    assert value(identity.board_serial) == board["Serial Number"]
    assert value(identity.chassis_serial) == chassis["Serial Number"]
    assert value(smbios.chassis_type(table)) == chassis["Type"]
    assert size_in_words(smbios.memory_arrays(table)[0].maximum) == array["Maximum Capacity"]
    assert str(value(smbios.memory_arrays(table)[0].devices)) == array["Number Of Devices"]


@pytest.mark.parametrize("row", rows("smbios-type17.csv"), ids=str)
def test_the_size_of_a_module_in_every_way_the_standard_writes_it(row):
    raw = memory_device(
        size=int(row["size_word_0C"], 16),
        extended=int(row["extended_size_1C"], 16),
        form=int(row["form_factor_0E"], 16),
        type=int(row["memory_type_12"], 16),
        speed=int(row["speed_word_15"], 16),
        wide_speed=int(row["extended_speed_54"]),
    )
    (device,) = smbios.memory_devices(decoded(raw))

    expected = row["expected_mebibytes"] if row["dmidecode_size"] != "0 TB" else ""
    assert value(device.capacity) == (int(float(expected) * (1 << 20)) if expected else None)
    assert value(device.form_factor) == row["dmidecode_form_factor"]
    assert value(device.memory_type) == row["dmidecode_type"]
    expected_speed = row["dmidecode_speed"].removesuffix(" MT/s")
    assert str(value(device.rated_speed)) == (expected_speed if expected_speed.isdecimal() else "None")


@pytest.mark.parametrize("row", rows("smbios-codes.csv"), ids=lambda row: f"{row['field']}-{row['code']}")
def test_every_published_code_has_its_name(row):
    names = {
        "memory_type": smbios.MEMORY_TYPES,
        "form_factor": smbios.FORM_FACTORS,
        "chassis": smbios.CHASSIS_TYPES,
        "chassis_type": smbios.CHASSIS_TYPES,
    }[row["field"]]

    assert names[int(row["code"], 16)] == row["meaning"]


@pytest.mark.parametrize("row", rows("smbios-uuid.csv"), ids=str)
def test_the_byte_order_of_the_uuid_follows_the_version(row):
    version = tuple(int(part) for part in (row["smbios_version"].replace("any", "3.0")).split("."))
    raw = structure(1, 1, b"\0\0\0\0" + bytes.fromhex(row["raw16_hex"]) + b"\x06\0\0")

    read = smbios.identity_of(decoded(raw, version)).uuid

    if isinstance(read, Reading):
        assert read.value == row["expected"]
    else:
        assert row["expected"].startswith(("not present", "not set"))
        assert row["expected"].startswith(read.detail)


def test_an_old_entry_point_reads_as_dmidecode_reads_it(tmp_path):
    raw = (
        structure(1, 1, bytes((1, 2, 0, 3)) + bytes(range(16)) + b"\x06", b"Tarnwick", b"Alcove", b"T-1")
        + END
    )
    point = old_entry_point(raw, 2)
    (tmp_path / "dump").write_bytes(dump(point, raw))

    theirs = dmidecode(tmp_path / "dump")[0].fields
    ours = smbios.identity_of(smbios.table(raw, smbios.entry_point(point)))

    assert value(ours.uuid) == theirs["UUID"]
    assert value(ours.serial) == theirs["Serial Number"] == "T-1"


@pytest.mark.parametrize("damaged", range(24))
def test_an_entry_point_with_one_byte_changed_is_not_understood(damaged):
    point = bytearray(entry_point(END))
    point[damaged] ^= 0x01

    assert smbios.entry_point(bytes(point)).why is Why.NOT_UNDERSTOOD


@pytest.mark.parametrize("damaged", [i for i in range(31) if i != 15])
def test_an_old_entry_point_with_one_byte_changed_is_not_understood(damaged):
    point = bytearray(old_entry_point(END, 1))
    point[damaged] ^= 0x01

    assert smbios.entry_point(bytes(point)).why is Why.NOT_UNDERSTOOD


NAMES = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=12)
MODULES = st.builds(
    memory_device,
    size=st.one_of(st.sampled_from([0, 0x7FFF, 0xFFFF]), st.integers(0, 0xFFFF)),
    form=st.integers(1, 0x10),
    type=st.integers(1, 0x23),
    speed=st.one_of(st.just(0xFFFF), st.integers(0, 0xFFFF)),
    extended=st.integers(1, 0x7FFFFFFF),
    wide_speed=st.integers(0, 0x7FFFFFFF),
    configured=st.one_of(st.just(0xFFFF), st.integers(0, 0xFFFF)),
    wide_configured=st.integers(0, 0x7FFFFFFF),
)


def test_made_tables_read_as_dmidecode_reads_them(tmp_path):
    """All examples go into one table: one dmidecode for 300 modules."""
    made: list[bytes] = []

    @given(MODULES)
    def collect(module: bytes) -> None:
        made.append(module)

    collect()
    raw = b"".join(made) + END
    (tmp_path / "dump").write_bytes(dump(entry_point(raw), raw))

    assert compare_devices(decoded(raw), dmidecode(tmp_path / "dump")) == len(made) >= 50


@given(st.binary(max_size=400), st.integers(0, 500))
def test_no_bytes_raise_and_none_are_read_twice(raw, length):
    table = smbios.table(raw, EntryPoint(3, 0, length))

    assert sum(len(each.formatted) for each in table.structures) <= min(len(raw), length)
    smbios.identity_of(table)
    smbios.system_memory(table)
    smbios.processors(table)
    smbios.chassis_type(table)


@given(st.binary(max_size=40))
def test_no_bytes_of_an_entry_point_raise(raw):
    for start in (b"", b"_SM3_", b"_SM_"):
        assert isinstance(smbios.entry_point(start + raw), EntryPoint | Absent)


@given(st.integers(0, len(SAMPLE) - TABLE_OFFSET))
def test_a_table_cut_anywhere_keeps_what_came_before(length):
    whole = sample_table().structures
    cut = smbios.table(SAMPLE[TABLE_OFFSET : TABLE_OFFSET + length], EntryPoint(3, 7, 1 << 20))

    complete = cut.structures[:-1] if cut.fault else cut.structures
    assert complete == whole[: len(complete)]


def test_a_structure_of_impossible_length_is_said_and_ends_the_table():
    table = decoded(memory_device() + bytes((17, 3, 0, 0, 0, 0)) + memory_device())

    assert len(table.structures) == 1
    assert "impossible length 3" in table.fault


def test_a_blank_serial_is_read_as_blank_and_a_missing_one_as_missing():
    raw = structure(1, 1, bytes((1, 0, 0, 2)) + bytes(16) + b"\x06\0\0", b"Tarnwick", b"   ")

    identity = smbios.identity_of(decoded(raw))

    assert identity.serial == Reading("", "", "SMBIOS type 1 handle 0x0001")
    assert identity.product == Absent(Why.NOT_THERE, "SMBIOS type 1 handle 0x0001", "not specified")


def test_a_module_without_a_serial_has_none():
    raw = memory_device().replace(b"SN1", b"   ")

    assert smbios.memory_devices(decoded(raw))[0].serial.why is Why.NOT_THERE


def test_a_string_number_beyond_the_strings_is_not_understood():
    raw = structure(1, 1, bytes((9, 0, 0, 0)) + bytes(16) + b"\x06\0\0", b"Tarnwick")

    assert smbios.identity_of(decoded(raw)).maker.why is Why.NOT_UNDERSTOOD


def test_video_memory_with_an_array_of_its_own_is_no_system_memory():
    def array(use: int, handle: int) -> bytes:
        return structure(
            16, handle, bytes((3, use, 3)) + (1 << 20).to_bytes(4, "little") + b"\xfe\xff\1\0" + bytes(8)
        )

    other = memory_device().replace(b"\x00\x10\xfe\xff", b"\x00\x20\xfe\xff", 1)
    table = decoded(array(0x03, 0x1000) + array(0x04, 0x2000) + memory_device() + other + END)

    assert len(smbios.memory_devices(table)) == 2
    assert len(smbios.system_memory(table)) == 1


def test_of_two_boards_the_one_that_hosts_the_others_is_the_main_board():
    def board(serial: bytes, features: int) -> bytes:
        return structure(2, 2, bytes((0, 0, 0, 1, 0, features, 0)), serial)

    table = decoded(board(b"RISER", 0) + board(b"MAIN", 1) + END)

    assert value(smbios.identity_of(table).board_serial) == "MAIN"


def test_a_processor_with_more_than_255_cores_is_counted_in_full(tmp_path):
    body = bytearray(0x30 - 4)
    body[0x23 - 4], body[0x25 - 4] = 0xFF, 0xFF
    body[0x2A - 4 : 0x2C - 4], body[0x2E - 4 : 0x30 - 4] = (
        (288).to_bytes(2, "little"),
        (576).to_bytes(2, "little"),
    )
    body[0x18 - 4], body[0] = 0x41, 1
    raw = structure(4, 4, bytes(body), b"U1") + END
    (tmp_path / "dump").write_bytes(dump(entry_point(raw), raw))

    (processor,) = smbios.processors(decoded(raw))
    theirs = dmidecode(tmp_path / "dump")[0].fields

    assert (str(value(processor.cores)), str(value(processor.threads))) == (
        theirs["Core Count"],
        theirs["Thread Count"],
    )
    assert value(processor.populated) is True


def test_a_person_without_root_still_gets_what_the_kernel_shows_everyone(unit, refuse):
    unit.file(smbios.ENTRY_POINT, entry_point(END))
    unit.file(smbios.TABLE, END)
    unit.file(f"{smbios.IDS}/product_name", "Alcove 24")
    unit.file(f"{smbios.IDS}/product_serial", "T-1")
    refuse({smbios.ENTRY_POINT: errno.EACCES, "product_serial": errno.EACCES})

    identity = smbios.identity(unit.tree)

    assert value(identity.product) == "Alcove 24"
    assert identity.serial.why is Why.NOT_PERMITTED
    assert smbios.read_table(unit.tree).why is Why.NOT_PERMITTED


def test_a_unit_without_firmware_tables_says_so(unit):
    assert smbios.read_table(unit.tree) == Absent(Why.NOT_THERE, smbios.ENTRY_POINT)
    assert smbios.identity(unit.tree).serial.why is Why.NOT_THERE


def mapped_device(handle: int, first: int, last: int, device: int, extended: bool = False) -> bytes:
    """Type 20: physical bytes `first` to `last`, ends included."""
    wide = first.to_bytes(8, "little") + last.to_bytes(8, "little")
    narrow = (
        (b"\xff" * 8)
        if extended
        else (first >> 10).to_bytes(4, "little") + (last >> 10).to_bytes(4, "little")
    )
    links = device.to_bytes(2, "little") + (0x1300).to_bytes(2, "little") + b"\x01\x01\x01"
    return structure(20, handle, narrow + links + wide)


def mapped_array(first: int, last: int, array: int) -> bytes:
    """Type 19."""
    narrow = (first >> 10).to_bytes(4, "little") + (last >> 10).to_bytes(4, "little")
    return structure(19, 0x1300, narrow + array.to_bytes(2, "little") + b"\x02" + bytes(16))


def two_modules() -> bytes:
    """Two filled devices and an empty one, in the array 1000h."""
    array = structure(
        16, 0x1000, bytes((3, 3, 3)) + (1 << 25).to_bytes(4, "little") + b"\xfe\xff\x03\x00" + bytes(8)
    )
    devices = (
        structure(
            17, 0x1100 + i, memory_device(size=size)[4:0x5C], f"SLOT {i + 1}".encode(), *b"BMSP".split()
        )
        for i, size in enumerate((0x2000, 0x2000, 0))
    )
    return array + b"".join(devices)


GIB = 1 << 30


def test_an_address_is_in_the_module_that_the_firmware_maps_there(tmp_path):
    raw = (
        two_modules()
        + mapped_device(0x1400, 0, 8 * GIB - 1, 0x1100)
        + mapped_device(0x1401, 8 * GIB, 16 * GIB - 1, 0x1101, extended=True)
        + END
    )
    (tmp_path / "dump").write_bytes(dump(entry_point(raw), raw))
    by_dmidecode = [it.fields for it in dmidecode(tmp_path / "dump") if it.type == 20]
    assert [(it["Starting Address"], it["Ending Address"]) for it in by_dmidecode] == [
        ("0x00000000000", "0x001FFFFFFFF"),
        ("0x0000000200000000k", "0x00000003FFFFFFFFk"),
    ]

    table = decoded(raw)

    assert smbios.devices_at(table, 0) == smbios.devices_at(table, 8 * GIB - 1) == ("SLOT 1",)
    assert smbios.devices_at(table, 8 * GIB) == smbios.devices_at(table, 16 * GIB - 1) == ("SLOT 2",)


def test_modules_that_take_turns_are_both_named():
    raw = (
        two_modules()
        + mapped_device(0x1400, 0, 16 * GIB - 1, 0x1100)
        + mapped_device(0x1401, 0, 16 * GIB - 1, 0x1101)
        + END
    )

    assert smbios.devices_at(decoded(raw), 5 * GIB) == ("SLOT 1", "SLOT 2")


def test_where_devices_are_not_mapped_their_array_is_asked_and_an_empty_slot_is_never_named():
    raw = two_modules() + mapped_array(0, 16 * GIB - 1, 0x1000) + END

    assert smbios.devices_at(decoded(raw), GIB) == ("SLOT 1", "SLOT 2")
    assert smbios.devices_at(decoded(two_modules() + END), GIB) == ("SLOT 1", "SLOT 2")
    assert smbios.devices_at(decoded(END), GIB) == ()
