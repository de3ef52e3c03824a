"""How fast a drive's cable carries: what the port set, what the kernel lowered, what the drive could."""

import pytest

from agent.machine.linux import ata_link
from reports.model.evidence import Absent, Reading, Why

PORT = "pci0000:00/0000:00:17.0/ata3"
DISK = f"{PORT}/host2/target2:0:0/2:0:0:0/block/sda"


@pytest.fixture
def cable(unit):
    """A drive behind a link with these rates, as `sata_spd` and its limits word them."""

    def lay(speed="6.0 Gbps", now="<unknown>", port="<unknown>", word=0x850E):
        identify = bytearray(60 + 512)
        identify[60 + 152 : 60 + 154] = word.to_bytes(2, "little")
        disk = unit.device(DISK, "block", parent=f"{PORT}/host2/target2:0:0/2:0:0:0")
        unit.file(f"/sys/devices/{PORT}/host2/target2:0:0/2:0:0:0/vpd_pg89", bytes(identify))
        rates = {"sata_spd": speed, "sata_spd_limit": now, "hw_sata_spd_limit": port}
        unit.device(f"{PORT}/link3/ata_link/link3", "ata_link", **rates)
        return ata_link.link_of(unit.tree, disk)

    return lay


def test_a_link_as_port_and_drive_agreed_on_it(cable):
    link = cable("6.0 Gbps", now="6.0 Gbps", port="6.0 Gbps")

    assert (link.speed.value, link.speed.unit) == (6.0, "Gbit/s")
    assert link.most_speed.value == 6.0
    assert link.lowered.value is False


@pytest.mark.parametrize(("word", "most"), [(0x0002, 1.5), (0x0006, 3.0), (0x850E, 6.0)])
def test_what_the_drive_can_stands_in_word_76(cable, word, most):
    """Bits 1 to 3 (ACS-3 7.12.7.36)."""
    assert cable(word=word, port="6.0 Gbps", now="6.0 Gbps").most_speed.value == most


@pytest.mark.parametrize("word", [0x0000, 0xFFFF])
def test_a_drive_that_names_no_rate_is_not_guessed_at(cable, word):
    assert cable(word=word, port="6.0 Gbps").most_speed.why is Why.NOT_UNDERSTOOD


@pytest.mark.parametrize(("now", "port"), [("3.0 Gbps", "6.0 Gbps"), ("1.5 Gbps", "<unknown>")])
def test_a_limit_below_that_of_the_port_was_lowered_by_the_kernel(cable, now, port):
    assert cable("3.0 Gbps", now, port).lowered.value is True


def test_a_port_that_sets_no_limit_lowered_nothing_and_leaves_open_what_it_can(cable):
    link = cable()

    assert link.lowered.value is False
    assert link.most_speed.why is Why.NOT_SUPPORTED


def test_a_rate_worded_otherwise_is_kept(cable):
    assert cable("12.0 Gbps").speed == Absent(
        Why.NOT_UNDERSTOOD, f"/sys/devices/{PORT}/link3/ata_link/link3/sata_spd", "12.0 Gbps"
    )


def test_a_drive_without_a_link_of_that_kind_says_so(unit):
    disk = unit.device(DISK, "block")

    assert ata_link.link_of(unit.tree, disk).lowered.why is Why.NOT_THERE
    assert not isinstance(ata_link.of_drive(unit.tree, disk), Reading)
