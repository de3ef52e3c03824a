"""How fast and wide a card runs, and what it could: the words of lspci."""

import csv
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.machine.linux import pcie_link
from agent.machine.linux.pcie_link import Link
from reports.model.evidence import Absent, Reading, Why
from tests.support.tools import need, output

with (Path(__file__).parents[3] / "vectors" / "pcie" / "pcie-link-registers.csv").open(newline="") as file:
    PUBLISHED = list(csv.DictReader(file))

PORT = "pci0000:00/0000:00:1c.0"
CARD = f"{PORT}/0000:01:00.0"


def config(capabilities: int, status: int, chain: tuple[int, ...] = (0x40,)) -> bytes:
    """A configuration space whose capability 10h stands at the end of the chain of places."""
    space = bytearray(256)
    space[0x00:0x04] = bytes.fromhex("001da100")
    space[0x06], space[0x0A], space[0x0B], space[0x34] = 0x10, 0x00, 0x02, chain[0]
    for place, following in zip(chain, (*chain[1:], 0), strict=True):
        space[place : place + 2] = bytes((0x10 if not following else 0x05, following))
    end = chain[-1]
    space[end + 0x02 : end + 0x04] = (0x0002).to_bytes(2, "little")
    space[end + 0x0C : end + 0x10] = capabilities.to_bytes(4, "little")
    space[end + 0x12 : end + 0x14] = status.to_bytes(2, "little")
    return bytes(space)


def dump(number: int, space: bytes) -> str:
    """One function in the text form that `lspci -F` reads."""
    rows = "\n".join(f"{at:02x}: {space[at : at + 16].hex(' ')}" for at in range(0, 256, 16))
    return f"{number >> 8:02x}:{number >> 3 & 31:02x}.{number & 7} made\n{rows}\n"


def by_lspci(tmp_path: Path, spaces: list[bytes]) -> list[tuple[str, str, str, str]]:
    """Most rate, most width, rate and width of each, as lspci prints them."""
    (tmp_path / "dump").write_text("\n".join(dump(number, space) for number, space in enumerate(spaces)))
    text = output(need("lspci"), "-F", tmp_path / "dump", "-vv")
    most = re.findall(r"LnkCap:.* Speed (\S+?)(?:GT/s)?, Width (\S+),", text)
    now = re.findall(r"LnkSta:\tSpeed (\S+?)(?:GT/s)?(?: \(\w+\))?, Width (\S+)", text)
    return [(*a, *b) for a, b in zip(most, now, strict=True)]


def as_lspci(link: Link) -> tuple[str, str, str, str]:
    def rate(speed: Reading | Absent) -> str:
        return f"{speed.value:g}" if isinstance(speed, Reading) else "unknown"

    def lanes(width: Reading | Absent) -> str:
        return f"x{width.value}" if isinstance(width, Reading) else "x0"

    return rate(link.most_speed), lanes(link.most_width), rate(link.speed), lanes(link.width)


def test_published_registers_read_as_lspci_reads_them(tmp_path):
    spaces = [config(int(row["lnkcap_hex"], 16), int(row["lnksta_hex"], 16)) for row in PUBLISHED]
    links = [pcie_link.from_config(space, "config") for space in spaces]

    assert [as_lspci(link) for link in links] == by_lspci(tmp_path, spaces)
    for link, row in zip(links, PUBLISHED, strict=True):
        assert (link.most_speed.value, link.most_width.value) == (
            float(row["cap_gts"]),
            int(row["cap_width"]),
        )
        assert (link.speed.value, link.width.value) == (float(row["sta_gts"]), int(row["sta_width"]))
        assert (link.speed.value < link.most_speed.value) == (row["speed_downgraded"] == "1")
        assert (link.width.value < link.most_width.value) == (row["width_downgraded"] == "1")


PLACES = st.lists(st.sampled_from(range(0x40, 0xC0, 4)), min_size=1, max_size=6, unique=True)
WIDTHS = st.sampled_from([0, 1, 2, 4, 8, 12, 16, 32])
SPACES = st.builds(
    lambda most, wide, now, lanes, chain: config(most | wide << 4, now | lanes << 4, tuple(sorted(chain))),
    *(st.integers(0, 7), WIDTHS, st.integers(0, 7), WIDTHS),
    PLACES.filter(lambda chain: max(chain) - max((c for c in chain if c != max(chain)), default=0) >= 4),
)


def test_made_configuration_spaces_read_as_lspci_reads_them(tmp_path):
    made: list[bytes] = []

    @settings(max_examples=200)
    @given(SPACES)
    def collect(space: bytes) -> None:
        made.append(space)

    collect()
    made = made[:2000]

    assert [as_lspci(pcie_link.from_config(space, "config")) for space in made] == by_lspci(tmp_path, made)
    assert len(made) >= 50


@given(st.binary(max_size=300))
def test_no_configuration_space_raises(space):
    for each in (space, config(0x44, 0x43)[:64] + space):
        assert isinstance(pcie_link.from_config(each, "config").speed, Reading | Absent)


def test_a_chain_of_capabilities_that_is_a_circle_ends():
    space = bytearray(config(0x44, 0x43, (0x40, 0x50)))
    space[0x50:0x52] = bytes((0x05, 0x40))

    assert pcie_link.from_config(bytes(space), "config").speed.why is Why.NOT_SUPPORTED


def test_a_function_inside_the_chipset_has_no_link_to_be_slow():
    link = pcie_link.from_config(config(0, 0), "config")

    assert {each.why for each in (link.speed, link.width, link.most_speed, link.most_width)} == {
        Why.NOT_SUPPORTED
    }


def test_without_root_the_first_64_bytes_do_not_say():
    assert pcie_link.from_config(config(0x44, 0x43)[:64], "config").speed.why is Why.NOT_PERMITTED


def card(unit, port=("16.0 GT/s PCIe", 16), **files):
    for path, (speed, width) in ((PORT, port), (CARD, ("16.0 GT/s PCIe", 4))):
        unit.device(
            path, "pci", bus=True, max_link_speed=speed, max_link_width=width, **{"class": "0x060400"}
        )
    for name, content in {"current_link_speed": "8.0 GT/s PCIe", "current_link_width": 4, **files}.items():
        unit.file(f"/sys/devices/{CARD}/{name}", content)
    unit.file(f"/sys/devices/{PORT}/current_link_speed", "8.0 GT/s PCIe")
    return pcie_link.link_of(unit.tree, "/sys/bus/pci/devices/0000:01:00.0")


def test_a_card_below_what_it_could_do_shows_both(unit):
    link = card(unit, current_link_width=2)

    assert (link.speed, link.most_speed.value) == (
        Reading(8.0, "GT/s", "/sys/bus/pci/devices/0000:01:00.0/current_link_speed"),
        16.0,
    )
    assert (link.width.value, link.width.unit, link.most_width.value) == (2, "lanes", 4)


@pytest.mark.parametrize(
    ("port", "speed", "width"), [(("8.0 GT/s PCIe", 1), 8.0, 1), (("Unknown", 255), 16.0, 4)]
)
def test_what_a_link_could_do_is_the_lesser_of_card_and_slot(unit, port, speed, width):
    link = card(unit, port)

    assert (link.most_speed.value, link.most_width.value) == (speed, width)


def test_a_width_of_255_or_0_is_no_fault_but_no_link(unit):
    link = card(unit, current_link_width=0, max_link_width=255, max_link_speed="Unknown")

    assert {each.why for each in (link.width, link.most_width, link.most_speed)} == {Why.NOT_SUPPORTED}


def test_the_short_form_of_older_kernels_is_understood(unit):
    assert card(unit, current_link_speed="2.5 GT/s").speed.value == 2.5


def test_other_words_are_not_understood(unit):
    assert card(unit, current_link_speed="fast").speed == Absent(
        Why.NOT_UNDERSTOOD, "/sys/bus/pci/devices/0000:01:00.0/current_link_speed", "fast"
    )


def test_a_kernel_without_link_files_is_read_through_the_configuration_space(unit):
    unit.device("pci0000:00/0000:00:02.0", "pci", bus=True, config=config(0x44, 0x43))

    assert as_lspci(pcie_link.link_of(unit.tree, "/sys/bus/pci/devices/0000:00:02.0")) == (
        "16",
        "x4",
        "8",
        "x4",
    )


def way(unit, *functions: str) -> str:
    """A chain of functions, each of 8 lanes but the second, which has half of its 16."""
    path = ""
    for index, step in enumerate(functions):
        path = f"{path}/{step}".lstrip("/")
        lanes, most = (8, 16) if index == 2 else (16, 16)
        rate = {"current_link_speed": "8.0 GT/s PCIe", "max_link_speed": "8.0 GT/s PCIe"}
        if ":" in step and not step.startswith("pci"):
            widths = {"current_link_width": lanes, "max_link_width": most}
            unit.device(path, "pci", bus=True, **{"class": "0x060400"}, **rate, **widths)
    return f"/sys/devices/{path}"


def widths(unit, folder: str) -> list[tuple[int, int]]:
    return [(it.width.value, it.most_width.value) for it in pcie_link.links(unit.tree, folder)]


def test_the_link_of_the_slot_is_found_before_a_cards_own_switch(unit):
    """Port, upstream port of the card's switch, its downstream port, the card's function."""
    folder = way(unit, "pci0000:00", "0000:00:01.0", "0000:01:00.0", "0000:02:00.0", "0000:03:00.0")

    assert widths(unit, folder) == [(8, 16), (16, 16)]


def test_a_function_beside_the_processor_has_no_link(unit):
    assert widths(unit, way(unit, "pci0000:00", "0000:00:02.0")) == []


def test_a_controller_that_hides_its_drives_begins_a_way_of_its_own(unit):
    steps = ("pci0000:00", "0000:00:0e.0", "pci10000:e0", "10000:e0:06.0", "10000:e1:00.0")

    folder = way(unit, *steps)

    assert pcie_link.links(unit.tree, folder) == (pcie_link.link_of(unit.tree, folder),)


def space_of_port(target: int, version: int = 2) -> bytes:
    made = bytearray(256)
    made[0x06], made[0x34], made[0x40], made[0x42] = 0x10, 0x40, 0x10, version
    made[0x70] = target
    return bytes(made)


@pytest.mark.parametrize(
    ("target", "version", "allowed"),
    [(4, 2, 16.0), (3, 2, 8.0), (0, 2, 16.0), (1, 1, 16.0)],
)
def test_a_port_that_firmware_sets_to_less_allows_no_more(unit, target, version, allowed):
    """Code 0 and version 1: there is nothing to set (PCI Express Base Specification 5.0, 7.5.3.19)."""
    unit.file(f"/sys/devices/{PORT}/config", space_of_port(target, version))

    assert pcie_link.allowed_speed(card(unit)).value == allowed


def test_what_a_port_is_set_to_is_for_root_alone(unit):
    unit.file(f"/sys/devices/{PORT}/config", space_of_port(3)[:64])

    assert pcie_link.allowed_speed(card(unit)).why is Why.NOT_PERMITTED
