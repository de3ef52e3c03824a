"""Errors on links, where a device counts them."""

from agent.machine.linux import aer
from reports.model.evidence import Why

# the shape of Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats, its list shortened
CORRECTED = "Receiver Error 2\nBad TLP 0\nBad DLLP 0\nTOTAL_ERR_COR 2"
NONFATAL = "Undefined 0\nCompletion Timeout 0\nTOTAL_ERR_NONFATAL 0"
FATAL = "Undefined 0\nData Link Protocol 1\nTOTAL_ERR_FATAL 1"


def card(unit, corrected=CORRECTED):
    unit.device("pci0000:00/0000:00:1c.0/0000:01:00.0", "pci", bus=True, aer_dev_correctable=corrected,
                aer_dev_nonfatal=NONFATAL, aer_dev_fatal=FATAL)  # fmt: skip


def test_the_totals_of_a_card_are_read(unit):
    card(unit)
    unit.device("pci0000:00/0000:00:02.0", "pci", bus=True)
    (found,) = aer.errors(unit.tree)

    assert found.id == "pci-0000:01:00.0"
    assert (found.corrected.value, found.nonfatal.value, found.fatal.value) == (2, 0, 1)


def test_a_file_without_a_total_is_not_understood(unit):
    card(unit, "Receiver Error 2")

    assert aer.errors(unit.tree)[0].corrected.why is Why.NOT_UNDERSTOOD


def test_devices_that_do_not_count_are_not_free_of_errors(unit):
    assert aer.errors(unit.tree).why is Why.NOT_THERE
    unit.device("pci0000:00/0000:00:02.0", "pci", bus=True)
    assert aer.errors(unit.tree).why is Why.NOT_SUPPORTED
