"""Board: an unwritten table, another unit's identity, and units that never had one."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from checks.board.identity import IDENTITY
from checks.placeholders import is_placeholder
from reports.model.baseline import SCHEMA, Baseline, Intake
from reports.model.evidence import Why
from reports.model.finding import Cannot, Origin, Verdict
from reports.model.order import Form, Piece
from reports.model.record import Identity
from reports.model.servicemap import PartKind
from tests.support.machines import absent, identity, judged, laptop, replaced, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

BOARD = PartKind.BOARD
WORKED = replaced("board")
UUIDS = Path(__file__).parents[2] / "vectors" / "smbios" / "smbios-uuid.csv"


def judge(*lines, found=None, baseline=None, **unit):
    about = subject(BOARD, *lines, baseline=baseline, **unit)
    return judged(IDENTITY, laptop(identity=found or identity()), about)[0]


def intake(unit: Identity) -> Baseline:
    return Baseline(SCHEMA, "LM-2093", Intake.RAN, "TF14", "2026-03-02T08:00:00Z", unit, "yes", (), absent())


@shows("board.identity", PASSES)
def test_the_units_own_identity_passes_after_its_board_was_replaced():
    judgement = judge(WORKED, product="Fellside 14", sku="TF14-512-16")

    assert judgement.verdict is Verdict.PASS
    assert "serial TF14-0193-8841, product Fellside 14, SKU TF14-512-16" in judgement.reason
    assert judgement.limit.origin is Origin.ORDER_LINE


@shows("board.identity", FAILS)
@pytest.mark.parametrize("blank", ["", "To be filled by O.E.M.", "Default string", "0000000000", absent()])
def test_a_new_board_with_an_unwritten_table_fails_with_the_makers_procedure(blank):
    judgement = judge(WORKED, found=identity(serial=blank))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("write the unit's serial with the maker's service procedure")


@pytest.mark.parametrize(
    "uuid",
    ["00000000-0000-0000-0000-000000000000", "ffffffff-ffff-ffff-ffff-ffffffffffff", absent()],
)
def test_a_uuid_of_zeros_or_ones_is_no_uuid(uuid):
    judgement = judge(WORKED, found=identity(uuid=uuid))

    assert judgement.verdict is Verdict.FAIL
    assert "UUID blank" in judgement.reason


@pytest.mark.parametrize("member", ["serial", "product", "sku", "uuid"])
def test_another_units_identity_fails(member):
    ordered = {"serial": "TF14-0193-8841", "product": "Fellside 14", "sku": "TF14-512-16"}
    ordered["uuid"] = "5f0c1d52-7a3e-4b7c-9d41-2e60b8a4c917"
    other = identity(**{member: "TX99-5555-1111"})

    assert judge(WORKED, **ordered).verdict is Verdict.PASS
    judgement = judge(WORKED, found=other, **ordered)

    assert judgement.verdict is Verdict.FAIL
    assert "TX99-5555-1111" in judgement.reason


def test_an_untouched_board_with_another_serial_may_be_another_unit():
    judgement = judge(found=identity(serial="TF14-0193-0000"))

    assert judgement.verdict is Verdict.FAIL
    assert "this may be another unit" in judgement.advice


@shows("board.identity", BOUNDARY)
@pytest.mark.parametrize(
    ("said", "verdict"),
    [
        ("tf14 0193 8841", Verdict.PASS),
        ("TF14-0193-8842", Verdict.FAIL),
        ("TF14-0193-884", Verdict.FAIL),
        ("TF14-0193-8841-2", Verdict.FAIL),
    ],
)
def test_a_serial_may_be_spelled_otherwise_and_not_differ_by_a_character(said, verdict):
    assert judge(WORKED, found=identity(serial=said)).verdict is verdict


def test_a_product_may_be_written_with_its_maker():
    assert judge(WORKED, product="Tarnwick Fellside 14").verdict is Verdict.PASS


def test_what_the_order_does_not_give_is_taken_from_the_baseline():
    before = intake(identity(chassis_serial="CH-000111", sku="TF14-512-16"))

    judgement = judge(WORKED, found=identity(chassis_serial="Default string"), baseline=before)
    other = judge(WORKED, found=identity(chassis_serial="CH-999999"), baseline=before)

    assert judgement.verdict is Verdict.FAIL
    assert "chassis serial blank" in judgement.reason
    assert other.limit.origin is Origin.BASELINE


def test_a_chassis_serial_that_no_document_gives_is_not_held_against_the_unit():
    assert judge(WORKED, found=identity(chassis_serial="Default string")).verdict is Verdict.PASS


def test_a_replaced_board_may_have_a_new_uuid_and_an_old_one_may_not():
    before = intake(identity(uuid="aaaaaaaa-7a3e-4b7c-9d41-2e60b8a4c917"))

    assert judge(WORKED, baseline=before).verdict is Verdict.PASS
    assert judge(baseline=before).verdict is Verdict.FAIL


def test_the_old_board_still_fitted_fails():
    line = replaced("board", fitted=Piece("FB-99999999"), removed=Piece("FB-88041207"))

    assert judge(line).reason == "the board that was to come out is still fitted: FB-88041207"


def test_a_tower_of_parts_that_never_had_an_identity_is_not_held():
    blank = identity(
        **dict.fromkeys(("serial", "product", "sku", "chassis_serial", "uuid"), "To be filled by O.E.M.")
    )

    assert judge(found=blank, form=Form.TOWER).verdict is Verdict.NOT_APPLICABLE
    assert judge(found=blank).verdict is Verdict.FAIL
    assert judge(WORKED, found=blank, form=Form.TOWER).verdict is Verdict.FAIL


@shows("board.identity", CANNOT)
@pytest.mark.parametrize(
    ("found", "cannot"),
    [
        (identity(serial=absent(Why.NOT_PERMITTED)), Cannot.NOT_PERMITTED),
        (identity(serial=absent(Why.NOT_UNDERSTOOD)), Cannot.NOT_UNDERSTOOD),
        (identity(uuid=absent(Why.NOT_PERMITTED)), Cannot.NOT_PERMITTED),
        (Identity(*(absent() for _ in range(9))), Cannot.CANNOT_TELL),
    ],
)
def test_a_table_that_cannot_be_read_is_no_blank_one(found, cannot):
    assert judge(WORKED, found=found).cannot is cannot


def test_another_product_fails_even_where_the_serial_may_not_be_read():
    found = identity(serial=absent(Why.NOT_PERMITTED), product="Fellside 16")

    assert judge(WORKED, found=found, product="Fellside 14").verdict is Verdict.FAIL


def test_a_worked_board_with_nothing_to_compare_it_with_is_inconclusive():
    assert judge(WORKED, serial="").cannot is Cannot.CANNOT_TELL
    assert judge(serial="").verdict is Verdict.PASS


@pytest.mark.parametrize(
    "text",
    [
        "",
        "  ",
        "To Be Filled By O.E.M.",
        "to be filled  by O.E.M.",
        "Default string",
        "System Serial Number",
        "None",
        "N/A",
        "Not Specified",
        "0",
        "00000000",
        "xxxxxxxx",
        "FFFFFFFF",
        "----",
        "........",
        "123456789",
        "03000200-0400-0500-0006-000700080009",
    ],
)
def test_texts_that_name_no_unit(text):
    assert is_placeholder(text)


@pytest.mark.parametrize("text", ["TF14-0193-8841", "5CD1234XYZ", "7", "A1", "None-17", "4C1907A2"])
def test_texts_that_name_one(text):
    assert not is_placeholder(text)


def test_the_standards_uuids_that_mean_nothing_are_placeholders_and_others_are_not():
    with UUIDS.open(newline="") as file:
        for row in csv.DictReader(file):
            raw, written = row["raw16_hex"], "-" in row["expected"]
            assert is_placeholder(row["expected"] if written else raw) is not written
