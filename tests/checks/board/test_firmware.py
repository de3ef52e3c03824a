"""Firmware: a board from stock with an old one, and a trust module that a reset switched off."""

from __future__ import annotations

from datetime import date

import pytest

from checks.board.firmware import FIRMWARE, TPM, written_date
from checks.fitted import HAS_NONE, HAS_ONE
from reports.model.baseline import SCHEMA, Baseline, Intake, Noted
from reports.model.evidence import Why
from reports.model.finding import Cannot, Verdict, Way
from reports.model.order import Expected
from reports.model.servicemap import PartKind
from tests.support.machines import (
    Bench,
    absent,
    identity,
    judged,
    laptop,
    replaced,
    said,
    subject,
    trust_module,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

BOARD = PartKind.BOARD
WANTED = subject(BOARD, replaced("board", expected=Expected(firmware_version="1.08")))


def firmware(about=WANTED, **members):
    return judged(FIRMWARE, laptop(identity=identity(**members)), about)[0]


@shows("board.firmware", PASSES)
def test_the_version_of_the_order_passes():
    assert firmware().reason == "the firmware is version 1.08 of 2025-11-04"


@shows("board.firmware", FAILS)
def test_an_old_version_fails_where_the_order_says_which():
    judgement = firmware(firmware_version="0.91")

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "the firmware is version 0.91, the order says 1.08"


@shows("board.firmware", BOUNDARY)
@pytest.mark.parametrize(
    ("version", "verdict"), [("1.08 ", Verdict.PASS), ("1.080", Verdict.FAIL), ("1.07", Verdict.FAIL)]
)
def test_versions_are_compared_whole_and_not_as_numbers(version, verdict):
    assert firmware(firmware_version=version).verdict is verdict


@shows("board.firmware", CANNOT)
@pytest.mark.parametrize("version", [absent(), absent(Why.NOT_PERMITTED), "To be filled by O.E.M."])
def test_firmware_that_gives_no_version_is_inconclusive(version):
    assert firmware(firmware_version=version).verdict is Verdict.INCONCLUSIVE


def test_without_an_expected_version_the_one_that_runs_is_told():
    assert firmware(subject(BOARD), firmware_version="0.91").verdict is Verdict.PASS


@pytest.mark.parametrize("nonsense", ["00/00/0000", "01/01/1970", "soon"])
def test_a_date_that_cannot_be_is_told_and_holds_nothing(nonsense):
    judgement = firmware(firmware_date=nonsense)

    assert judgement.verdict is Verdict.PASS
    assert nonsense in judgement.reason


@pytest.mark.parametrize("written", ["11/04/2025", "11/04/25", "2025-11-04"])
def test_the_ways_to_write_a_date_are_read(written):
    assert written_date(said(written)) == date(2025, 11, 4)


# -- the trusted platform module ------------------------------------------------------------------------


def tpm(*found, about=None, answer=""):
    person = Bench({"board.tpm.fitted": answer} if answer else {})
    return judged(TPM, laptop(trust_modules=found), about or subject(BOARD), person)[0]


def seen(verdict=Verdict.PASS):
    noted = (Noted("board.tpm", "board", verdict, "as it came in"),)
    return Baseline(
        SCHEMA, "LM-2093", Intake.RAN, "TF14", "2026-03-02T08:00:00Z", identity(), "yes", noted, absent()
    )


@shows("board.tpm", PASSES)
def test_a_module_that_answers_passes_with_its_version():
    assert tpm(trust_module()).reason == "the TPM answers, version 2.0"


@shows("board.tpm", FAILS)
def test_a_module_that_was_there_at_intake_and_is_gone_fails():
    judgement = tpm(about=subject(BOARD, baseline=seen()))

    assert judgement.verdict is Verdict.FAIL
    assert "recovery key" in judgement.advice


@shows("board.tpm", BOUNDARY)
@pytest.mark.parametrize(("found", "verdict"), [((), Verdict.FAIL), ((trust_module("1.2"),), Verdict.PASS)])
def test_one_module_is_enough_where_one_was_seen(found, verdict):
    assert tpm(*found, about=subject(BOARD, baseline=seen())).verdict is verdict


@shows("board.tpm", CANNOT)
def test_a_list_that_cannot_be_read_is_inconclusive():
    judgement = judged(TPM, laptop(trust_modules=absent(Why.NOT_SUPPORTED)), subject(BOARD))[0]

    assert judgement.cannot is Cannot.CANNOT_TELL


@pytest.mark.parametrize(
    ("answer", "verdict", "way"),
    [
        (HAS_ONE, Verdict.FAIL, Way.OBSERVED),
        (HAS_NONE, Verdict.NOT_APPLICABLE, Way.OBSERVED),
        ("", Verdict.INCONCLUSIVE, None),
    ],
)
def test_behind_a_new_board_a_person_says_whether_there_should_be_one(answer, verdict, way):
    judgement = tpm(about=subject(BOARD, replaced("board")), answer=answer)

    assert (judgement.verdict, judgement.way) == (verdict, way)


def test_a_unit_that_never_had_one_is_not_held_and_nobody_is_asked():
    assert tpm().verdict is Verdict.NOT_APPLICABLE
    assert tpm(about=subject(BOARD, baseline=seen(Verdict.NOT_APPLICABLE))).verdict is Verdict.NOT_APPLICABLE
