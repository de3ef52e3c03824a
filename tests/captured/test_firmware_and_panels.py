"""What captured firmware says, beside dmidecode and hwloc; captured panels, beside edid-decode."""

import re
from xml.etree import ElementTree

import pytest

from agent.machine.linux import edid, smbios
from agent.machine.linux.files import Tree
from agent.machine.linux.smbios import EntryPoint
from reports.model.evidence import Reading, Why
from tests.support.captured import EDID_DECODE, HWLOC_TREES, TREES
from tests.support.firmware import END, compare_devices, dmidecode, dump, entry_point
from tests.support.tools import need, output

BY_HWLOC = {
    "maker": "DMISysVendor",
    "product": "DMIProductName",
    "serial": "DMIProductSerial",
    "uuid": "DMIProductUUID",
    "firmware_version": "DMIBIOSVersion",
    "firmware_date": "DMIBIOSDate",
    "board_serial": "DMIBoardSerial",
    "chassis_serial": "DMIChassisSerial",
}

WITHOUT_THE_CLASS = "32intel64-2p8co2t+8ve"
"""Captured without /sys/class/dmi, where we look; hwloc goes to the device itself."""


def strings_of_hwloc(captured, name: str) -> dict[str, str]:
    text = captured.hwloc(f"{name}.output") or captured.hwloc(f"{name}.xml.output")
    if text.startswith("<?xml"):
        return {info.get("name"): info.get("value") for info in ElementTree.fromstring(text).iter("info")}
    machine = text.partition("\n")[0]
    return {
        key: quoted or plain for key, quoted, plain in re.findall(r'(DMI\w+)=(?:"([^"]*)"|([^ )]*))', machine)
    }


def test_captured_identities_are_what_hwloc_shows(captured):
    """It shows a string as it stands; ours is without the blanks around it. What it leaves out is empty."""
    compared = 0
    for name in sorted(set(HWLOC_TREES) - {WITHOUT_THE_CLASS}):
        theirs = strings_of_hwloc(captured, name)
        found = smbios.identity(Tree(captured.root(name)))
        for field, key in BY_HWLOC.items() if theirs.keys() & set(BY_HWLOC.values()) else ():
            ours = getattr(found, field)
            assert (ours.value if isinstance(ours, Reading) else "") == theirs.get(key, "").strip(), (
                name,
                field,
            )
            compared += isinstance(ours, Reading)
    assert compared > 60


@pytest.mark.parametrize("tree", [WITHOUT_THE_CLASS], indirect=True)
def test_without_the_class_nothing_is_known_of_the_unit(tree):
    assert not tree.exists(smbios.IDS)
    assert smbios.identity(tree).maker.why is Why.NOT_THERE


@pytest.mark.parametrize("tree", TREES, indirect=True)
def test_a_string_of_the_kernel_is_read_as_it_stands(tree):
    found = smbios.identity(tree)
    for field, name in smbios._KERNEL_NAMES.items():
        ours, text = getattr(found, field), tree.real(f"{smbios.IDS}/{name}")
        if text.is_file():
            assert ours.value == text.read_text().strip()
        else:
            assert ours.why is Why.NOT_THERE


@pytest.mark.parametrize("tree", ["32em64t-2n8c+1mic"], indirect=True)
def test_captured_memory_modules_are_read_as_dmidecode_reads_them(tree, tmp_path):
    """Twenty-four sockets, captured one by one: put together again as the table they came from."""
    folders = tree.root.glob("sys/firmware/dmi/entries/17-*")
    raw = [(folder / "raw").read_bytes() for folder in sorted(folders, key=lambda it: int(it.name[3:]))]
    table = b"".join(raw) + END
    path = tmp_path / "table.bin"
    path.write_bytes(dump(entry_point(table, (2, 6)), table))
    ours = smbios.table(table, EntryPoint(2, 6, len(table)))
    modules = [device for device in smbios.memory_devices(ours) if device.capacity.value]

    assert compare_devices(ours, dmidecode(path)) == len(raw) == 24
    assert sum(module.capacity.value for module in modules) == 32 << 30
    assert int(tree.words("/proc/meminfo").split()[1]) << 10 < 32 << 30


def test_captured_panels_are_who_edid_decode_says(captured):
    """Panels of laptops and all-in-ones, monitors, televisions, projectors."""
    named = 0
    paths = panels(captured)
    for path in paths:
        text = output(need("edid-decode"), path)
        ours = edid.read(path.read_bytes())
        name = re.search(r"Display Product Name: '(.*)'", text)

        assert ours.maker == re.search(r"Manufacturer: (\S+)", text)[1], path.name
        assert ours.product == int(re.search(r"Model: (\d+)", text)[1]), path.name
        assert ours.name == (name[1].strip() if name else ""), path.name
        assert (ours.fault, "should be" in text) == ("", False), path.name
        named += bool(name)
    assert (len(paths), named) == (125, 122)


def test_one_bit_changed_in_a_captured_panel_is_seen_by_both(captured, tmp_path):
    """As a half-seated panel cable does it; in the last block, so that extensions are summed as well."""
    for path in panels(captured)[::8]:
        data = bytearray(path.read_bytes())
        data[-20] ^= 0x10
        (tmp_path / "changed").write_bytes(data)

        assert "should be" in output(need("edid-decode"), tmp_path / "changed"), path.name
        assert edid.fault(bytes(data)) == f"checksum of block {len(data) // 128 - 1}", path.name


def panels(captured):
    return sorted((captured.folder(EDID_DECODE) / "data").iterdir())
