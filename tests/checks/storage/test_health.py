"""Storage: the drive's own word, and what it counts against what the order says of its condition."""

from __future__ import annotations

import pytest

from checks.storage.health import HEALTH
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict
from reports.model.order import Action, Condition, Line
from reports.model.servicemap import PartKind
from tests.support.machines import (
    FakeReader,
    absent,
    drive,
    drive_health,
    judged,
    laptop,
    part,
    replaced,
    said,
    stick,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

STORAGE = PartKind.STORAGE
NEW = replaced("storage")
NVME = {
    **dict.fromkeys(
        ("worn", "reallocated", "pending", "uncorrectable", "interface_errors"), absent(Why.NOT_SUPPORTED)
    )
}


def health(*lines, about=None, **changes):
    return judged(
        HEALTH, laptop(drive_health=drive_health(**changes)), subject(STORAGE, *lines, about=about)
    )[0]


def of(condition):
    return replaced("storage", condition=condition)


@shows("storage.health", PASSES)
@pytest.mark.parametrize("kept", [{}, NVME])
def test_a_new_drive_that_has_hardly_run_passes(kept):
    judgement = health(NEW, **kept)

    assert judgement.verdict is Verdict.PASS
    assert (
        judgement.reason == "the drive says that it is sound, and nothing that it counts is beyond its limit"
    )


@shows("storage.health", FAILS)
def test_a_drive_that_calls_itself_failing_fails_and_its_data_come_first():
    judgement = health(sound=said(False), worn=said("Reallocated_Sector_Ct"))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "the drive says that it is failing: Reallocated_Sector_Ct"
    assert judgement.advice.startswith("copy the owner's data off it before anything else")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"warnings": said("reliability degraded"), "sound": said(False)},
            "it is failing: reliability degraded",
        ),
        ({"warnings": said("read only")}, "the drive warns: read only"),
        ({"worn": said("Spin_Retry_Count")}, "worn to the limit that its maker set: Spin_Retry_Count"),
        ({"spare": said(9, "percent")}, "9 % of its spare is left, at least 10 %"),
        ({"pending": said(1)}, "1 sectors that it cannot read"),
        ({"uncorrectable": said(1)}, "1 sectors that it could not correct"),
        ({"unrecovered": said(11)}, "11 reads that failed"),
        ({"reallocated": said(101)}, "101 sectors that it has replaced"),
        ({"used": said(101, "percent")}, "101 % of its life used"),
    ],
)
def test_each_sign_of_a_dying_drive_fails_whoever_it_belongs_to(changes, words):
    judgement = health(**changes)

    assert judgement.verdict is Verdict.FAIL
    assert words in judgement.reason
    assert "copy the owner's data" in judgement.advice


def test_a_hot_drive_is_no_dying_one():
    judgement = health(
        sound=said(False), warnings=said("temperature beyond its threshold"), temperature=said(78, "celsius")
    )

    assert judgement.verdict is Verdict.FAIL
    assert "heat spreader" in judgement.advice
    assert judgement.measured.value == 78


def test_spare_at_its_threshold_is_not_below_it():
    """So the standard says; a controller that reports 0 % of 0 % has none to compare."""
    assert health(spare=said(10, "percent")).verdict is Verdict.PASS
    assert health(spare=said(0, "percent"), spare_threshold=said(0, "percent")).verdict is Verdict.PASS


@shows("storage.health", BOUNDARY)
@pytest.mark.parametrize(
    ("condition", "hours", "starts", "used"),
    [
        (Condition.NEW, 48, 100, 1),
        (Condition.REFURBISHED, 26_280, 10_000, 20),
        (Condition.USED, 43_800, 20_000, 60),
    ],
)
def test_the_condition_says_what_a_drive_may_have_behind_it(condition, hours, starts, used):
    line, most = (
        of(condition),
        {"hours": said(hours, "h"), "starts": said(starts), "used": said(used, "percent")},
    )

    assert health(line, **most).verdict is Verdict.PASS
    for name in most:
        more = health(line, **{name: said(int(most[name].value) + 1)})
        assert more.verdict is Verdict.FAIL
        assert more.limit.name == f"{name}_most"
        assert condition.value in more.limit.note


def test_a_worn_drive_sold_as_new_fails_and_the_owners_own_may_be_as_old():
    old = {"hours": said(31_000, "h"), "starts": said(9_000), "used": said(85, "percent")}

    assert "31000 hours powered" in health(NEW, hours=old["hours"]).reason
    assert health(NEW, **old).verdict is Verdict.FAIL
    assert health(**old).verdict is Verdict.PASS
    assert health(of(Condition.OWNERS), **old).verdict is Verdict.PASS


@pytest.mark.parametrize("action", [Action.REFITTED, Action.SERVICED])
def test_a_drive_that_went_back_in_is_as_old_as_it_is(action):
    assert health(Line("storage", action), hours=said(31_000, "h")).verdict is Verdict.PASS


@pytest.mark.parametrize("condition", [Condition.NEW, Condition.REFURBISHED, Condition.USED])
def test_no_drive_is_sold_that_has_replaced_a_sector(condition):
    assert health(of(condition), reallocated=said(1)).verdict is Verdict.FAIL
    assert health(reallocated=said(100)).verdict is Verdict.PASS


def test_the_map_overrides_the_usual_limit():
    about = part(STORAGE, limits=(Limit("hours_most", 500, "h", Origin.SERVICE_MAP),))

    judgement = health(NEW, about=about, hours=said(501, "h"))

    assert judgement.limit.origin is Origin.SERVICE_MAP


@shows("storage.health", CANNOT)
@pytest.mark.parametrize(
    ("why", "cannot"),
    [
        (Why.NOT_THERE, Cannot.CANNOT_TELL),
        (Why.NOT_PERMITTED, Cannot.NOT_PERMITTED),
        (Why.DID_NOT_ANSWER, Cannot.DID_NOT_ANSWER),
        (Why.NOT_UNDERSTOOD, Cannot.NOT_UNDERSTOOD),
    ],
)
def test_a_drive_that_could_not_be_asked_is_inconclusive(why, cannot):
    machine = laptop(drive_health=absent(why, "smartctl is not installed"))

    judgement = judged(HEALTH, machine, subject(STORAGE))[0]

    assert judgement.cannot is cannot
    assert judgement.advice


def test_a_drive_that_keeps_no_record_holds_no_unit():
    machine = laptop(drive_health=absent(Why.NOT_SUPPORTED))

    assert judged(HEALTH, machine, subject(STORAGE))[0].verdict is Verdict.NOT_APPLICABLE


def test_a_fault_that_was_seen_is_one_beside_what_is_missing():
    assert health(sound=absent(Why.DID_NOT_ANSWER), pending=said(8)).verdict is Verdict.FAIL


@pytest.mark.parametrize("name", ["reallocated", "spare", "unrecovered", "used", "warnings"])
def test_a_count_that_the_drive_keeps_and_did_not_give_is_missed(name):
    assert health(**{name: absent(Why.DID_NOT_ANSWER)}).cannot is Cannot.DID_NOT_ANSWER
    assert health(**{name: absent(Why.NOT_SUPPORTED)}).verdict is Verdict.PASS


def test_a_new_drive_must_tell_its_hours():
    assert health(NEW, hours=absent(Why.NOT_SUPPORTED)).verdict is Verdict.INCONCLUSIVE
    assert health(hours=absent(Why.NOT_SUPPORTED)).verdict is Verdict.PASS


def test_a_sleeping_drive_is_woken_by_one_read_and_asked_again():
    reader = FakeReader()
    machine = laptop(
        drive_health=lambda times: (
            absent(Why.SWITCHED_OFF, "the drive sleeps") if times == 1 else drive_health()
        ),
        reading=reader,
    )

    assert judged(HEALTH, machine, subject(STORAGE))[0].verdict is Verdict.PASS
    assert reader.reads == [(0, 4096)]


def test_a_drive_that_is_awake_is_not_read():
    reader = FakeReader()

    judged(HEALTH, laptop(reading=reader), subject(STORAGE))

    assert reader.reads == []


def test_of_two_drives_the_failing_one_decides():
    sick = drive(id="sata-1", serial=said("OTHER-000001"))
    machine = laptop(
        drives=(drive(), sick, stick()),
        drive_health=lambda times: drive_health(sound=said(times == 1)),
    )

    assert judged(HEALTH, machine, subject(STORAGE))[0].verdict is Verdict.FAIL


def test_without_a_drive_there_is_nothing_to_say():
    judgement = judged(HEALTH, laptop(drives=(stick(),)), subject(STORAGE))[0]

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "find the drive first" in judgement.advice
