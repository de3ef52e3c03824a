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


# texts as the kernel's sources print them; serials and places are made up
@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("mce: [Hardware Error]: Machine check events logged", Kind.MACHINE_CHECK),
        ("Memory failure: 0x1234: recovery action for dirty LRU page: Recovered", Kind.MEMORY),
        ("EDAC MC0: 1 CE memory read error on SLOT A1", Kind.MEMORY),
        ("pcieport 0000:00:1c.0: AER: Corrected error received: 0000:01:00.0", Kind.PCI_EXPRESS),
        ("nvme nvme0: I/O 12 QID 3 timeout, aborting", Kind.DRIVE),
        ("critical medium error, dev sda, sector 1234 op 0x0:(READ) flags 0x0", Kind.DRIVE),
        ("ata1.00: failed command: READ FPDMA QUEUED", Kind.DRIVE_LINK),
        ("ata2: SATA link up 1.5 Gbps (SStatus 113 SControl 310)", Kind.DRIVE_LINK),
        ("usb 1-6: device descriptor read/64, error -110", Kind.USB),
        ("CPU3: Package temperature above threshold, cpu clock throttled", Kind.HEAT),
        ("thermal thermal_zone0: critical temperature reached, shutting down", Kind.HEAT),
        ("tarnwifi 0000:00:14.3: firmware did not start", Kind.OTHER),
    ],
)
def test_a_complaint_is_told_by_its_words(text, kind):
    assert kernel_log.kind_of(text) is kind


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
    assert kernel_log.kind_of(text) is kind
