"""Storage: what lies on the drive, against what the order says should."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.machine import Use
from checks.storage.layout import HELD_DATA, LAYOUT, WAS_EMPTY
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict, Way
from reports.model.order import Action, Condition, Contents, Line
from reports.model.servicemap import PartKind
from tests.support.machines import (
    Bench,
    absent,
    judged,
    laptop,
    layout,
    part,
    replaced,
    said,
    subject,
    volume,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

STORAGE = PartKind.STORAGE
SYSTEM = (volume(1, "vfat"), volume(2, "ntfs"))
SEALED = volume(2, "BitLocker", Use.ENCRYPTED)
BOARD = part(PartKind.BOARD)


def holds(*volumes, line=None, person=None, table="gpt", worked=(), lines=()):
    lines = (*lines, *((line,) if line else ()))
    about = subject(STORAGE, *lines, worked=worked)
    return judged(LAYOUT, laptop(drive_layout=layout(*volumes, table=table)), about, person)[0]


def ordered(contents, **line):
    return replaced("storage", contents=contents, **line)


@shows("storage.layout", PASSES)
def test_what_nobody_replaced_holds_something():
    judgement = holds(*SYSTEM)

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "something lies where the owner's data should: vfat, ntfs"


@shows("storage.layout", FAILS)
def test_an_empty_drive_where_the_order_says_owners_stops_the_bench():
    judgement = holds(line=ordered(Contents.OWNERS), table="")

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("stop: find out where the owner's data is, and write nothing")


@shows("storage.layout", BOUNDARY)
@pytest.mark.parametrize(
    ("volumes", "verdict"), [((), Verdict.PASS), ((volume(1, ""),), Verdict.FAIL), (SYSTEM, Verdict.FAIL)]
)
def test_blank_is_a_table_at_most_and_not_one_partition(volumes, verdict):
    assert holds(*volumes, line=ordered(Contents.BLANK)).verdict is verdict


def test_data_on_a_drive_ordered_blank_is_named_before_it_is_lost():
    judgement = holds(*SYSTEM, line=ordered(Contents.BLANK))

    assert judgement.reason == "the order says blank, and the drive holds vfat, ntfs"
    assert "before anything on it is lost" in judgement.advice


def test_a_system_must_lie_on_a_drive_ordered_imaged():
    assert holds(*SYSTEM, line=ordered(Contents.IMAGED)).verdict is Verdict.PASS
    assert holds(line=ordered(Contents.IMAGED)).verdict is Verdict.FAIL
    assert holds(volume(1, ""), line=ordered(Contents.IMAGED)).verdict is Verdict.FAIL


def test_a_new_drive_of_which_the_order_says_nothing_may_hold_anything():
    assert holds(line=replaced("storage"), table="").verdict is Verdict.PASS
    assert holds(*SYSTEM, line=replaced("storage")).verdict is Verdict.PASS


@pytest.mark.parametrize(
    "line", [None, Line("storage", Action.REFITTED), replaced("storage", condition=Condition.OWNERS)]
)
@pytest.mark.parametrize(
    ("words", "verdict"),
    [(WAS_EMPTY, Verdict.PASS), (HELD_DATA, Verdict.FAIL), ("cannot tell", Verdict.INCONCLUSIVE)],
)
def test_a_person_is_asked_whether_an_owners_empty_drive_was_empty_before(line, words, verdict):
    judgement = holds(line=line, table="", person=Bench({"storage.layout.before": words}))

    assert judgement.verdict is verdict
    assert verdict is Verdict.INCONCLUSIVE or judgement.way is Way.OBSERVED


@pytest.mark.parametrize(
    ("volumes", "line"), [(SYSTEM, None), ((), ordered(Contents.OWNERS)), ((), ordered(Contents.BLANK))]
)
def test_nobody_is_asked_where_the_drive_or_the_order_says_it(volumes, line):
    person = Bench()

    holds(*volumes, line=line, person=person)

    assert person.asked == []


@shows("storage.layout", CANNOT)
def test_a_volume_that_could_not_be_looked_at_is_inconclusive():
    silent = absent(Why.DID_NOT_ANSWER)

    assert holds(*SYSTEM, replace(SEALED, signature=silent)).cannot is Cannot.DID_NOT_ANSWER
    machine = laptop(drive_layout=absent(Why.NOT_PERMITTED))
    assert judged(LAYOUT, machine, subject(STORAGE))[0].cannot is Cannot.NOT_PERMITTED


# -- the recovery key ---------------------------------------------------------------------------------------

NEW_BOARD = replaced("board")


@pytest.mark.parametrize(
    ("bound", "words"),
    [
        (said(True), "; its key was bound to the board: the recovery key will be asked for"),
        (
            absent(Why.NOT_SUPPORTED),
            "; if its key was bound to the board, the recovery key will be asked for",
        ),
        (said(False), ""),
    ],
)
def test_an_encrypted_volume_behind_a_new_board_will_ask_for_its_key(bound, words):
    judgement = holds(
        volume(1, "vfat"), replace(SEALED, board_bound=bound), lines=(NEW_BOARD,), worked=(BOARD,)
    )

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == f"something lies where the owner's data should: vfat, BitLocker{words}"


@pytest.mark.parametrize(
    ("kind", "action", "asks"),
    [
        (PartKind.BOARD, Action.REPLACED, True),
        (PartKind.BOARD, Action.UPDATED, True),
        (PartKind.PROCESSOR, Action.REPLACED, True),
        (PartKind.BOARD, Action.REFITTED, False),
        (PartKind.FAN, Action.REPLACED, False),
    ],
)
def test_only_what_keeps_the_key_or_is_measured_brings_the_question_up(kind, action, asks):
    it = part(kind)
    judgement = holds(SEALED, lines=(Line(it.id, action),), worked=(it,))

    assert ("recovery key" in judgement.reason) is asks
