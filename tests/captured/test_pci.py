"""PCI functions and their links on captured computers, beside what lspci and hwloc make of them."""

import re
from pathlib import Path

import pytest

from agent.machine.linux import aer, pci, pcie_link
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why
from tests.support.captured import FIXTURES, LAPTOP, PCIUTILS
from tests.support.tools import need, output

WITH_PCI = (
    "2pa-pcidomain32bits",
    "32em64t-2n8c+1mic",
    "32intel64-2p8co2t+8ve",
    "40intel64-2g2n4c+pci",
    "40intel64-4n10c+pci-conflicts",
    LAPTOP,
)
ONLY_BY_HWLOC = "nvidiagpunumanodes"
"""Captured without configuration space, and lspci reads nothing else."""


def lspci(tree: Tree) -> dict[str, str]:
    """What lspci says of each function, by its address."""
    folder = tree.real("/sys/bus/pci")
    text = output(need("lspci"), "-A", "linux-sysfs", "-O", f"sysfs.path={folder}", "-D", "-n", "-vv")
    return {block.split()[0]: block for block in text.strip().split("\n\n")}


NO_LINK = ("unknown", "x0", "unknown", "x0")


def link_of(text: str) -> tuple[str, ...]:
    """Most rate, most width, rate and width, in the words of lspci."""
    most = re.search(r"LnkCap:.* Speed (\S+?)(?:GT/s)?, Width (\S+),", text)
    now = re.search(r"LnkSta:\tSpeed (\S+?)(?:GT/s)?(?: \(\w+\))?, Width (\S+)", text)
    return (*most.groups(), *now.groups()) if most and now else NO_LINK


def ours(link: pcie_link.Link) -> tuple[str, ...]:
    return (_rate(link.most_speed), _lanes(link.most_width), _rate(link.speed), _lanes(link.width))


def _rate(answer: Reading | Absent) -> str:
    return f"{answer.value:g}" if isinstance(answer, Reading) else "unknown"


def _lanes(answer: Reading | Absent) -> str:
    return f"x{answer.value}" if isinstance(answer, Reading) else "x0"


@pytest.mark.parametrize("tree", WITH_PCI, indirect=True)
def test_functions_classes_and_ids_are_those_of_lspci(tree):
    theirs = {address: tuple(text.split()[1:3]) for address, text in lspci(tree).items()}

    assert {
        each.address: (f"{each.kind:04x}:", pci.model(tree, each).value) for each in pci.devices(tree)
    } == theirs


@pytest.mark.parametrize("tree", [ONLY_BY_HWLOC], indirect=True)
def test_without_configuration_space_the_files_of_the_kernel_do(tree, captured):
    """Its ids were left out: hwloc shows zeros for them, we say that they are not there."""
    theirs = re.findall(
        r"PCI L.*busid=(\S+) id=0000:0000 class=(\w+)", captured.hwloc(f"{ONLY_BY_HWLOC}.output")
    )
    found = pci.devices(tree)

    assert [(each.address, f"{each.kind:04x}") for each in found] == sorted(theirs)
    assert {pci.model(tree, each).why for each in found} == {Why.NOT_THERE}


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_links_of_the_laptop_are_those_of_lspci(tree):
    """Its kernel shows no links of its own: they come from configuration space."""
    theirs = {address: link_of(text) for address, text in lspci(tree).items()}

    assert {it.address: ours(pcie_link._own(tree, it.folder)) for it in pci.devices(tree)} == theirs
    assert sum(link != NO_LINK for link in theirs.values()) == 8


@pytest.mark.parametrize("tree", sorted(set(WITH_PCI) - {LAPTOP}), indirect=True)
def test_a_link_that_lspci_may_not_see_is_not_permitted(tree):
    """Captured without root, so with 64 bytes of each configuration space."""
    denied = {address for address, text in lspci(tree).items() if "Capabilities: <access denied>" in text}
    links = {it.address: pcie_link.link_of(tree, it.folder) for it in pci.devices(tree)}
    unseen = {at for at, link in links.items() if getattr(link.speed, "why", None) is Why.NOT_PERMITTED}
    by_kernel = {at for at, link in links.items() if isinstance(link.speed, Reading)}

    assert denied
    assert denied - by_kernel <= unseen
    assert unseen - denied == _without_capabilities(tree)


def _without_capabilities(tree: Tree) -> set[str]:
    """Old functions without a list of capabilities: lspci says nothing of it, and we what we say of all of
    which we were given 64 bytes."""
    silent = [it for it in pci.devices(tree) if not tree.data(f"{it.folder}/config")[6] & 0x10]
    return {it.address for it in silent if not tree.exists(f"{it.folder}/current_link_speed")}


@pytest.mark.parametrize("tree", ["32intel64-2p8co2t+8ve"], indirect=True)
def test_links_of_the_kernel_are_as_quick_as_hwloc_reckons(tree, captured):
    """It multiplies rate, width and the payload's share of the code: 8b/10b, from 8 GT/s on 128b/130b."""
    theirs = dict(re.findall(r"busid=(\S+) .*link=([\d.]+)GB/s", captured.hwloc(f"{tree.root.name}.output")))
    found = [(it, pcie_link._own(tree, it.folder)) for it in pci.devices(tree)]

    assert len(theirs) > 20
    assert {it.address: _gigabytes_per_s(link) for it, link in found if it.address in theirs} == theirs


def _gigabytes_per_s(link: pcie_link.Link) -> str:
    rate = float(link.speed.value)
    payload = 8 / 10 if rate <= 5 else 128 / 130
    return f"{rate * payload * int(link.width.value) / 8:.2f}"


@pytest.mark.parametrize("name", ["current_link_speed", "current_link_width", "aer_dev_correctable"])
@pytest.mark.parametrize("tree", [FIXTURES], indirect=True)
def test_a_captured_card_has_its_link_and_its_counters(tree, tmp_path, name):
    """It was captured as a display only; here it stands on the bus as well, where the kernel shows it too."""
    bus = tmp_path / "sys/bus/pci/devices"
    bus.mkdir(parents=True)
    (bus / "0000:09:00.0").symlink_to(tree.real("/sys/class/drm/card0/device"))
    alone = Tree(tmp_path)
    (card,) = pci.of_classes(alone, pci.DISPLAY_CONTROLLERS)
    link, (errors,) = pcie_link.link_of(alone, card.folder), aer.errors(alone)

    said = {
        "current_link_speed": f"{link.speed.value} GT/s PCIe",
        "current_link_width": str(link.width.value),
        "aer_dev_correctable": f"TOTAL_ERR_COR {errors.corrected.value}",
    }
    assert tree.text(f"/sys/class/drm/card0/device/{name}").value.endswith(said[name])


def test_every_captured_configuration_space_reads_as_lspci_reads_it(captured):
    """The dumps with which the project behind lspci tests itself, two whole computers among them."""
    compared = linked = 0
    for path in sorted((captured.folder(PCIUTILS) / "tests").iterdir()):
        theirs = dict(_by_function(output(need("lspci"), "-F", path, "-D", "-n", "-vv")))
        for address, space in _spaces(path):
            link = link_of(theirs[address])

            assert ours(pcie_link.from_config(space, "config")) == link, (path.name, address)
            compared, linked = compared + 1, linked + (link != NO_LINK)
    assert (compared, linked) == (160, 51)


def _by_function(text: str):
    for block in text.strip().split("\n\n"):
        yield block.split()[0], block


def _spaces(path: Path):
    """Each function of a dump: its address, and its configuration space."""
    address, space = "", b""
    for line in path.read_text().splitlines():
        if head := re.match(r"((?:[0-9a-f]+:)?[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]) ", line):
            yield from _one(address, space)
            address, space = head[1], b""
        elif row := re.fullmatch(r"[0-9a-f]+: ((?:[0-9a-f]{2} ?)+)", line.strip()):
            space += bytes.fromhex(row[1])
    yield from _one(address, space)


def _one(address: str, space: bytes):
    if space:
        yield address if address.count(":") == 2 else f"0000:{address}", space
