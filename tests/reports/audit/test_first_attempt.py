"""Checks that failed on the first attempt: counts that can be done by hand, and the laws of counting."""

import json
from dataclasses import asdict
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.archive.store import Archive
from reports.audit.first_attempt import FEW, By, failed_first_attempt
from reports.audit.intervals import wilson
from reports.model.finding import Judgement, Verdict, Weight
from tests.support import repairs, signed

FAILED = repairs.failed("the fan fell to 0 rpm", "reseat its plug", 0.0, "rpm")
PASSED = repairs.passed("the fan never fell below 1180 rpm", 1180.0, "rpm")
OPEN = repairs.unanswered()
ABSENT = Judgement(Verdict.NOT_APPLICABLE, "this computer has no fan")


def fan(judgement, **changes):
    return repairs.one("fan.spin", "fan", judgement, **changes)


def camera(judgement, **changes):
    return repairs.one("camera.present", "camera", judgement, **changes)


def attempt(number, *found, hour=0, chain=0, position=1):
    at = signed.NOW + timedelta(hours=hour)
    return repairs.placed(repairs.report(*found, number=f"LM-{number}"), at, chain, position)


@pytest.fixture
def archive():
    with Archive("sqlite://", lambda: signed.NOW + timedelta(days=1)) as opened:
        yield opened


def file(archive, unsigned):
    filing = archive.add(repairs.file_of(unsigned), "report.json", repairs.trust_of(unsigned))
    assert filing.state != "refused", filing.reason
    return filing.digest


def rows(archive, **options):
    return {row.group: row for row in failed_first_attempt(archive, **options).rows}


def test_a_figure_has_its_denominator_interval_and_reports(archive):
    bad = file(archive, attempt(1, fan(FAILED), camera(PASSED), chain=1))
    good = [file(archive, attempt(number, fan(PASSED), chain=number)) for number in (2, 3, 4)]

    row = rows(archive)["fan"]

    assert (row.failed, row.answered, row.rate) == (1, 4, 0.25)
    assert row.interval == wilson(1, 4)
    assert row.failed_reports == (bad,)
    assert set(row.answered_reports) == {bad, *good}
    assert (rows(archive)["camera"].failed, rows(archive)["camera"].answered) == (0, 1)


def test_the_repair_counts_once_however_many_checks_failed_in_it(archive):
    file(archive, attempt(1, fan(FAILED), repairs.one("fan.response", "fan", FAILED)))

    row = rows(archive)["fan"]
    assert (row.failed, row.answered) == (1, 1)


def test_only_the_first_attempt_counts(archive):
    file(archive, attempt(1, fan(PASSED), hour=1, chain=1))
    assert rows(archive)["fan"].failed == 0

    file(archive, attempt(1, fan(FAILED), hour=0, chain=2))

    assert (rows(archive)["fan"].failed, rows(archive)["fan"].answered) == (1, 1)
    assert failed_first_attempt(archive).repairs == 1


def test_an_unanswered_check_is_shown_apart_and_is_no_pass(archive):
    file(archive, attempt(1, fan(PASSED), chain=1))
    unanswered = file(archive, attempt(2, fan(OPEN), repairs.one("fan.response", "fan", PASSED), chain=2))

    row = rows(archive)["fan"]
    assert (row.failed, row.answered, row.inconclusive, row.inconclusive_share) == (0, 1, 1, 0.5)
    assert row.inconclusive_reports == (unanswered,)


def test_a_failure_beside_an_unanswered_check_is_a_failure(archive):
    file(archive, attempt(1, fan(FAILED), repairs.one("fan.response", "fan", OPEN)))

    row = rows(archive)["fan"]
    assert (row.failed, row.answered, row.inconclusive) == (1, 1, 0)


def test_where_nothing_was_answered_there_is_no_rate(archive):
    file(archive, attempt(1, fan(OPEN)))

    row = rows(archive)["fan"]
    assert (row.answered, row.rate, row.interval, row.inconclusive_share) == (0, None, None, 1.0)


@pytest.mark.parametrize(
    "found",
    [fan(FAILED, weight=Weight.ADVISORY), fan(FAILED, known_at_intake=True), fan(ABSENT)],
    ids=["advisory", "known at intake", "not applicable"],
)
def test_what_the_repair_did_not_call_for_is_not_counted(archive, found):
    file(archive, attempt(1, found, camera(PASSED)))

    assert set(rows(archive)) == {"camera"}


def test_few_repairs_are_marked_as_few(archive):
    for number in range(FEW):
        file(archive, attempt(number, fan(PASSED), chain=number))
        assert rows(archive)["fan"].few == (number + 1 < FEW)


def test_by_check_tells_apart_what_by_part_kind_joins(archive):
    file(archive, attempt(1, fan(PASSED), repairs.one("fan.response", "fan", FAILED)))

    assert {group: row.failed for group, row in rows(archive, by="check").items()} == {
        "fan.response": 1,
        "fan.spin": 0,
    }


def test_most_failures_come_first(archive):
    for number in range(3):
        file(archive, attempt(number, fan(PASSED), camera(FAILED), chain=number))

    assert [row.group for row in failed_first_attempt(archive).rows] == ["camera", "fan"]


def test_rehearsals_are_counted_only_when_asked_for_and_then_alone(archive):
    file(archive, attempt(1, fan(PASSED), chain=1))
    practised = file(archive, repairs.rehearsed(attempt(2, fan(FAILED))))

    assert rows(archive)["fan"].failed == 0
    table = failed_first_attempt(archive, rehearsals=True)
    assert (table.rehearsals, table.repairs, table.rows[0].answered_reports) == (True, 1, (practised,))


def test_an_empty_archive_gives_an_empty_table(archive):
    table = failed_first_attempt(archive)

    assert (table.repairs, table.rows) == (0, ())


def test_a_grouping_that_does_not_exist_is_refused(archive):
    with pytest.raises(ValueError, match="horoscope"):
        failed_first_attempt(archive, by="horoscope")


def test_a_table_is_json(archive):
    file(archive, attempt(1, fan(FAILED)))

    table = json.loads(json.dumps(asdict(failed_first_attempt(archive))))

    assert table["by"] == By.PART_KIND.value
    assert table["rows"][0]["interval"]["confidence"] == 0.95


# Laws

judgements = st.sampled_from((FAILED, PASSED, OPEN, ABSENT))
attempts = st.lists(
    st.tuples(st.integers(1, 3), judgements, judgements, st.integers(0, 3), st.integers(0, 2)),
    min_size=1,
    max_size=5,
)


def reports_of(drawn):
    return [
        attempt(number, fan(one), camera(other), hour=hour, chain=chain, position=place)
        for place, (number, one, other, hour, chain) in enumerate(drawn, start=1)
    ]


def audited(unsigned_reports):
    with Archive("sqlite://", lambda: signed.NOW + timedelta(days=1)) as archive:
        for unsigned in unsigned_reports:
            file(archive, unsigned)
        return failed_first_attempt(archive)


@settings(max_examples=20, deadline=None)
@given(attempts, st.randoms())
def test_neither_the_order_of_filing_nor_filing_twice_changes_a_figure(drawn, random):
    reports = reports_of(drawn)
    shuffled = reports + reports[:1]
    random.shuffle(shuffled)

    assert audited(shuffled) == audited(reports)


@settings(max_examples=20, deadline=None)
@given(attempts, attempts)
def test_no_rehearsal_changes_the_audit_of_repairs(drawn, practice):
    reports = reports_of(drawn)
    practised = [repairs.rehearsed(unsigned) for unsigned in reports_of(practice)]

    assert audited(practised + reports) == audited(reports)


@settings(max_examples=20, deadline=None)
@given(attempts)
def test_every_row_adds_up(drawn):
    table = audited(reports_of(drawn))

    for row in table.rows:
        assert set(row.failed_reports) <= set(row.answered_reports)
        assert not set(row.answered_reports) & set(row.inconclusive_reports)
        assert row.answered + row.inconclusive <= table.repairs
        assert row.interval is None or row.interval.low <= row.rate <= row.interval.high
