"""The owner's start: entries that lead somewhere, entries that are stale, boards that know none."""

from __future__ import annotations

import pytest

from checks.board.start import LISTED, NOT_LISTED, START
from checks.machine import BootEntry
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict, Way
from reports.model.order import Contents
from reports.model.servicemap import PartKind
from tests.support.machines import (
    GUID,
    Bench,
    absent,
    judged,
    laptop,
    part,
    partition,
    replaced,
    said,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

GONE = "0c5f3a52-7b1e-4d8c-9a41-000000000000"
DATA = partition("77777777-7b1e-4d8c-9a41-2e60b8a4c917", "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7")


SOUND = (partition(),)


def entry(partition=GUID, name="Owner's system"):
    return BootEntry(name, partition)


def start(entries, partitions=SOUND, about=None, person=None, **facts):
    machine = laptop(boot_entries=entries, partitions=partitions, **facts)
    return judged(START, machine, about or subject(PartKind.BOARD), person)[0]


def with_drive(**changes):
    """An order on which the drive was replaced."""
    line = replaced("storage", **changes)
    return subject(PartKind.BOARD, line, worked=(part(PartKind.STORAGE),))


@shows("board.start", PASSES)
def test_an_entry_whose_partition_is_there_passes_by_its_name():
    judgement = start((entry(),))

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "the boot entry Owner's system points at a partition that exists"


@shows("board.start", FAILS)
@pytest.mark.parametrize("partitions", [(), (DATA,), (partition("another"),)])
def test_an_entry_whose_partition_no_drive_has_fails(partitions):
    judgement = start((entry(GONE),), partitions)

    assert judgement.verdict is Verdict.FAIL
    assert "the owner's drive answers" in judgement.advice


@shows("board.start", BOUNDARY)
@pytest.mark.parametrize(
    ("entries", "verdict"),
    [((entry(GONE), entry(GUID)), Verdict.PASS), ((entry(GONE), entry(GONE)), Verdict.FAIL)],
)
def test_one_entry_that_leads_somewhere_is_enough(entries, verdict):
    assert start(entries, (DATA, partition())).verdict is verdict


def test_a_new_board_without_entries_looks_by_itself():
    judgement = start(())

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)


def test_a_new_drive_may_leave_stale_entries_behind_where_it_has_a_partition_to_start_from():
    assert start((entry(GONE),), about=with_drive()).way is Way.INFERRED
    assert start((entry(GONE),), (DATA,), with_drive()).verdict is Verdict.FAIL


def test_a_drive_that_goes_back_blank_starts_nothing():
    blank = with_drive(contents=Contents.BLANK)

    assert start((entry(GONE),), (), blank).verdict is Verdict.NOT_APPLICABLE


def test_a_start_behind_a_controller_that_hides_it_is_looked_up_by_a_person():
    def hidden(words=None):
        person = Bench({"board.start.listed": words} if words else {})
        return start((entry(),), (), person=person, hidden_storage=said("a controller"))

    assert hidden(LISTED).way is Way.OBSERVED
    assert hidden(NOT_LISTED).verdict is Verdict.FAIL
    assert hidden().cannot is Cannot.CANNOT_TELL


def test_nobody_is_asked_where_an_entry_leads_somewhere():
    person = Bench({"board.start.listed": NOT_LISTED})

    assert start((entry(),), person=person, hidden_storage=said("a controller")).verdict is Verdict.PASS
    assert person.asked == []


def test_firmware_without_boot_entries_is_an_ordinary_limit():
    assert start(absent(Why.NOT_THERE)).verdict is Verdict.NOT_APPLICABLE


@shows("board.start", CANNOT)
@pytest.mark.parametrize(
    ("entries", "partitions", "cannot"),
    [
        (absent(Why.NOT_PERMITTED), (partition(),), Cannot.NOT_PERMITTED),
        ((entry(),), absent(Why.DID_NOT_ANSWER), Cannot.DID_NOT_ANSWER),
        ((entry(),), (partition(absent(Why.NOT_SUPPORTED)),), Cannot.CANNOT_TELL),
        ((), (partition(kind=absent(Why.NOT_UNDERSTOOD)),), Cannot.NOT_UNDERSTOOD),
        ((), (DATA,), Cannot.CANNOT_TELL),
    ],
)
def test_tables_that_cannot_be_read_are_inconclusive(entries, partitions, cannot):
    assert start(entries, partitions).cannot is cannot
