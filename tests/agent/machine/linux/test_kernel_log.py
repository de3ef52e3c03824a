"""What the kernel complained of: counted by kind, and nothing of its text is kept."""

import errno
import os
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.machine.linux import kernel_log
from agent.machine.linux.files import Tree
from agent.machine.linux.kernel_log import LOG, Kind
from reports.model.evidence import Absent, Why
from tests.support.tools import need, output

RECORDS = """6,0,0,-;Linux version
3,1,1000000,-;usb 1-2: device descriptor read/64, error -71
 SUBSYSTEM=usb
 DEVICE=+usb:1-2
4,2,2000000,-;ata3: SATA link down (SStatus 0 SControl 300)
2,3,3000000,-;I/O error, dev sda, sector 1 op 0x0:(READ)
30,4,4000000,-;systemd[1]: a program's own words
27,5,4000000,-;a program that claims an error
"""


def counts(unit, text, after=-1):
    unit.file(LOG, text)
    found = kernel_log.complaints(unit.tree, after)
    return {kind: reading.value for kind, reading in found.counts if reading.value}


def test_errors_are_counted_by_kind_and_lesser_words_are_not(unit):
    assert counts(unit, RECORDS) == {Kind.USB: 1, Kind.DRIVE: 1}


def test_what_programs_wrote_into_the_log_is_not_the_kernel_speaking():
    assert [record.sequence for record in kernel_log.records(RECORDS)] == [0, 1, 2, 3]


def test_only_what_came_after_counts_for_a_check_in_between(unit):
    assert counts(unit, RECORDS, after=1) == {Kind.DRIVE: 1}
    assert counts(unit, RECORDS, after=9) == {}


def test_every_kind_is_told_even_where_nothing_was_found(unit):
    unit.file(LOG, "")

    assert [kind for kind, _ in kernel_log.complaints(unit.tree).counts] == list(Kind)


# texts and priorities as the kernel's sources print them; serials and places are made up
@pytest.mark.parametrize(
    ("severity", "text", "kind"),
    [
        (6, "mce: [Hardware Error]: Machine check events logged", Kind.MACHINE_CHECK),
        (0, "mce: [Hardware Error]: CPU 2: Machine Check: 0 Bank 3: cc5eb2c000100135", Kind.MACHINE_CHECK),
        (0, "[Hardware Error]: Corrected error, no action required.", Kind.MACHINE_CHECK),
        (6, "BERT: [Hardware Error]: Skipped 1 error records", None),
        (3, "mce: Uncorrected hardware memory error in user-access at 200c9742380", Kind.MEMORY),
        (3, "Memory failure: 0x1234: recovery action for dirty LRU page: Recovered", Kind.MEMORY),
        (4, "EDAC MC0: 1 CE memory read error on SLOT A1 (channel:0 slot:0 page:0x1)", Kind.MEMORY),
        (6, "EDAC MC0: Giving out device to module tarn_edac controller Tarn", None),
        (3, "pcieport 0000:00:1c.0: PCIe Bus Error: severity=Uncorrectable (Non-Fatal)", Kind.PCI_EXPRESS),
        (4, "pcieport 0000:00:1c.0: PCIe Bus Error: severity=Correctable, type=Physical Layer", None),
        (4, "nvme nvme0: I/O tag 12 (100c) QID 3 timeout, aborting req_op:READ(0) size:4096", Kind.DRIVE),
        (4, "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10", Kind.DRIVE),
        (
            3,
            "nvme0n1: Read(0x2) @ LBA 4096, 8 blocks, Unrecovered Read Error (sct 0x2 / sc 0x81)",
            Kind.DRIVE,
        ),
        (3, "nvme0: Identify(0x6), Invalid Field in Command (sct 0x0 / sc 0x2) DNR", Kind.OTHER),
        (3, "critical medium error, dev sda, sector 1234 op 0x0:(READ) flags 0x0", Kind.DRIVE),
        (3, "timeout error, dev nvme0n1, sector 8 op 0x0:(READ) flags 0x0", Kind.DRIVE),
        (3, "Buffer I/O error on dev sda2, logical block 7, async page read", Kind.DRIVE),
        (3, "ata1.00: failed command: READ FPDMA QUEUED", Kind.DRIVE_LINK),
        (3, "ata3: COMRESET failed (errno=-16)", Kind.DRIVE_LINK),
        (6, "ata2: SATA link up 1.5 Gbps (SStatus 113 SControl 310)", None),
        (3, "usb 1-6: device descriptor read/64, error -110", Kind.USB),
        (3, "usb usb6-port11: unable to enumerate USB device", Kind.USB),
        (3, "xhci_hcd 0000:00:14.0: HC died; cleaning up", Kind.USB),
        (4, "CPU3: Package temperature is above threshold, cpu clock is throttled (total events = 3)", None),
        (0, "thermal thermal_zone0: acpitz: critical temperature reached, shutting down", Kind.HEAT),
        (3, "tarnwifi 0000:00:14.3: firmware did not start", Kind.OTHER),
        (4, "tarnwifi 0000:00:14.3: firmware is old", None),
    ],
)
def test_a_complaint_is_told_by_its_words_and_by_how_grave_the_kernel_takes_it(severity, text, kind):
    assert complaint(text, severity) is kind


def complaint(text, severity=3, outside=()):
    return kernel_log.complaint_of(kernel_log.Record(severity, 1, 1.0, text), outside)


def test_every_rule_names_the_file_of_the_kernel_that_prints_its_words():
    assert all(re.fullmatch(r"[a-z].*\.c", rule.source) for rule in kernel_log.RULES)


def test_errors_of_what_is_plugged_in_from_outside_are_not_the_drives(unit):
    usb = "pci0000:00/0000:00:14.0/usb1/1-3/1-3:1.0/host4/target4:0:0/4:0:0:0"
    unit.device(usb)
    unit.device(f"{usb}/block/sdb", "block", parent=usb, removable=1, size=15_518_924_800 // 512)
    log = "".join(
        f"3,{n},0,-;I/O error, dev {name}, sector 8\n" for n, name in enumerate(("sda", "sdb", "sdb"))
    )

    assert counts(unit, log) == {Kind.DRIVE: 1, Kind.OTHER: 2}
    assert complaint("Buffer I/O error on dev sdb1, logical block 7", outside=["sdb"]) is Kind.OTHER
    assert complaint("I/O error, dev sdbc, sector 7", outside=["sdb"]) is Kind.DRIVE


def test_a_log_that_overflowed_says_that_older_records_are_gone(unit):
    unit.file(LOG, "3,500,1,-;I/O error, dev sda\n")

    assert kernel_log.complaints(unit.tree).lost
    assert not kernel_log.complaints(unit.tree, after=499).lost


def test_without_root_the_log_may_be_closed(unit, monkeypatch):
    def refused(path: object) -> os.stat_result:
        raise OSError(errno.EPERM, "refused")

    monkeypatch.setattr(kernel_log.os, "stat", refused)

    assert kernel_log.complaints(unit.tree).why is Why.NOT_PERMITTED


def test_nothing_of_the_text_is_kept(unit):
    unit.file(LOG, "3,0,0,-;SECRET network of the owner\n")

    assert "SECRET" not in repr(kernel_log.complaints(unit.tree))


@given(st.text(max_size=200))
def test_no_log_raises(text):
    assert len(list(kernel_log.records(text))) <= text.count("\n") + 1


def test_the_log_of_this_computer_has_the_records_that_dmesg_shows():
    found = kernel_log.complaints(Tree())
    if isinstance(found, Absent):
        assert found.why in (Why.NOT_PERMITTED, Why.NOT_THERE)
        return
    ours = list(kernel_log.records(kernel_log._log(Tree())))
    theirs = output(need("dmesg"), "--kernel", "--raw").splitlines()

    # `<severity>[time] text`; the kernel escapes what is no plain text, dmesg shows it as it is
    told = [re.fullmatch(r"<(\d+)>\[ *[\d.]+\] (.*)", line) for line in theirs]
    expected = [(int(line[1]), line[2]) for line in told if line]
    plain = [(record.severity, record.text) for record in ours if "\\x" not in record.text]
    assert plain
    # others may write, and push old records out, between the two looks
    assert len(set(plain) - set(expected)) <= len(plain) // 100
    assert {text for severity, text in plain if severity <= kernel_log.ERROR} <= {
        text for _, text in expected
    }


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("I/O error, dev sda, sector 2048 op 0x0:(READ) flags 0x0", Kind.DRIVE),
        ("critical medium error, dev nvme0n1, sector 8", Kind.DRIVE),
        ("I/O error, dev sr0, sector 0 op 0x0:(READ)", Kind.OTHER),
        ("I/O error, dev fd0, sector 0 op 0x0:(READ)", Kind.OTHER),
    ],
)
def test_a_disc_or_floppy_that_cannot_be_read_is_no_drive(text, kind):
    assert complaint(text) is kind
