"""The archive: what is filed, what is kept aside, and that a cut leaves it whole."""

import json
import os
import sqlite3
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event

from reports.archive import steps, store
from reports.archive.store import LARGEST_RECORD_BYTES, Archive, State
from reports.errors import DocumentError
from tests.support import repairs, signed

NOW = signed.NOW + timedelta(days=1)
FAILED = repairs.failed("the fan fell to 0 rpm", "reseat its plug", 0.0, "rpm")


def clock():
    return NOW


@pytest.fixture
def archive(tmp_path):
    with Archive(f"sqlite:///{tmp_path}/shop.sqlite", clock) as opened:
        yield opened


def dump(archive_path):
    """Everything in the database as text."""
    with sqlite3.connect(archive_path) as connection:
        lines = list(connection.iterdump())
    connection.close()
    return lines


def file(archive, unsigned, name="report.json"):
    return archive.add(repairs.file_of(unsigned), name, repairs.trust_of(unsigned))


# Filing


def test_a_verified_report_is_filed_under_its_digest(archive):
    unsigned = repairs.report()
    filing = file(archive, unsigned)

    assert filing.state is State.FILED
    assert (filing.attempt, filing.rehearsal, filing.warning) == (1, False, "")
    assert archive.body(filing.digest) == repairs.file_of(unsigned)


def test_filing_twice_is_filing_once_and_says_so(archive, tmp_path):
    first = file(archive, repairs.report())
    before = dump(tmp_path / "shop.sqlite")
    second = file(archive, repairs.report(), "a copy.json")

    assert second.state is State.ALREADY_FILED
    assert second.digest == first.digest
    assert dump(tmp_path / "shop.sqlite") == before


def test_the_same_record_spelt_otherwise_is_the_same_record(archive):
    data = repairs.file_of(repairs.report())
    archive.add(data, "report.json", signed.TRUST)
    respelt = json.dumps(dict(reversed(json.loads(data).items()))).encode()

    assert archive.add(respelt, "respelt.json", signed.TRUST).state is State.ALREADY_FILED


def test_a_record_that_opens_a_chain_is_filed_and_is_no_attempt(archive):
    filing = archive.add(json.dumps(signed.opened()).encode(), "opened.json", signed.TRUST)

    assert (filing.state, filing.attempt) == (State.FILED, None)
    assert archive.attempts() == ()


def test_what_lies_in_a_file_is_filed_under_the_name_of_the_file(archive, tmp_path):
    path = tmp_path / "report.json"
    path.write_bytes(repairs.file_of(repairs.report()))

    assert archive.add_file(path, signed.TRUST).name == "report.json"


def test_a_file_that_cannot_be_read_is_named(archive, tmp_path):
    with pytest.raises(DocumentError, match=r"no-such.json: cannot be read: No such file"):
        archive.add_file(tmp_path / "no-such.json", signed.TRUST)
    with pytest.raises(DocumentError, match="Is a directory"):
        archive.add_file(tmp_path, signed.TRUST)


# Which attempt of the order it was


def test_attempts_of_an_order_count_across_benches_by_time(archive):
    days = [signed.NOW + timedelta(hours=hour) for hour in range(3)]
    second = file(archive, repairs.placed(repairs.report(), days[1], chain=2))
    third = file(archive, repairs.placed(repairs.report(), days[2], chain=1))
    assert (second.attempt, third.attempt) == (1, 2)

    first = file(archive, repairs.placed(repairs.report(), days[0], chain=3))

    assert first.attempt == 1
    order = [attempt.digest for attempt in archive.attempts("LM-2093")]
    assert order == [first.digest, second.digest, third.digest]


def test_within_a_chain_the_position_counts_even_when_the_clock_was_set_back(archive):
    later = file(archive, repairs.placed(repairs.report(), signed.NOW, position=4))
    earlier = file(archive, repairs.placed(repairs.report(), signed.NOW + timedelta(hours=5), position=2))

    assert [attempt.digest for attempt in archive.attempts()] == [earlier.digest, later.digest]


def test_attempts_of_other_orders_do_not_count(archive):
    file(archive, repairs.report(number="LM-1"))
    other = file(archive, repairs.placed(repairs.report(number="LM-2"), NOW, chain=9))

    assert other.attempt == 1
    assert [attempt.order_number for attempt in archive.attempts("LM-2")] == ["LM-2"]


def test_two_records_at_one_place_of_a_chain_are_filed_with_a_warning(archive):
    file(archive, repairs.placed(repairs.report(), chain=1, position=3))
    fork = file(archive, repairs.placed(repairs.report(number="LM-77"), chain=1, position=3))

    assert fork.state is State.FILED
    assert "set back or copied" in fork.warning


# Rehearsals


def test_a_rehearsal_is_never_among_repairs(archive):
    filing = file(archive, repairs.rehearsed(repairs.report()))

    assert (filing.state, filing.rehearsal, filing.attempt) == (State.FILED, True, 1)
    assert archive.attempts() == ()
    assert [attempt.digest for attempt in archive.attempts(rehearsals=True)] == [filing.digest]


def test_a_rehearsal_does_not_make_a_first_attempt_the_second(archive):
    file(archive, repairs.rehearsed(repairs.report()))
    repair = file(archive, repairs.placed(repairs.report(), NOW, chain=5))

    assert repair.attempt == 1


def test_a_live_run_that_a_throw_away_key_signed_is_kept_apart(archive):
    unsigned = repairs.rehearsed(repairs.report())
    filing = file(archive, replace(unsigned, source="live"))

    assert filing.rehearsal
    assert archive.attempts() == ()


# Kept aside


def test_a_changed_report_is_kept_aside_with_the_reason(archive):
    data = repairs.file_of(repairs.report()).replace(b"LM-2093", b"LM-2094")
    filing = archive.add(data, "report.json", signed.TRUST)

    assert (filing.state, filing.reference) == (State.REFUSED, "signature-wrong")
    assert archive.attempts() == ()
    [refused] = archive.refused()
    assert (refused.reason, refused.size_bytes) == (filing.reason, len(data))


@pytest.mark.parametrize(
    ("data", "reference"),
    [
        (b"", None),
        (b"\x00\xff\xfe binary", None),
        (b'{"schema": ', None),
        (b"[" * 200_000, None),
        (b"[1, 2]", "not-a-record"),
        (b'{"a": 1, "a": 2}', None),
        (b'{"schema": "benchproof/record/9"}', "record-newer"),
        (b'{"schema": 12345678901234567890}', None),
    ],
)
def test_what_is_no_record_is_kept_aside_with_a_sentence(archive, data, reference):
    filing = archive.add(data, "report.json", signed.TRUST)

    assert filing.state is State.REFUSED
    assert filing.reason
    assert "\n" not in filing.reason
    assert filing.reference == (reference or filing.reference)
    assert len(archive.refused()) == 1


def test_a_report_of_another_shop_is_kept_aside_and_released_once_it_is_trusted(archive):
    data = repairs.file_of(repairs.report())
    refused = archive.add(data, "report.json", repairs.PRACTICE_TRUST)
    assert (refused.state, refused.reference) == (State.REFUSED, "foreign-root")

    filed = archive.add(data, "report.json", signed.TRUST)

    assert filed.state is State.FILED
    assert archive.refused() == ()


def test_refusing_twice_keeps_one_with_the_latest_reason(archive):
    data = repairs.file_of(repairs.report())
    archive.add(data, "report.json", repairs.PRACTICE_TRUST)
    archive.add(data, "report.json", "")

    [refused] = archive.refused()
    assert refused.reference == "trust-missing"


def test_a_finding_that_does_not_follow_is_kept_aside(archive):
    lying = signed.finding(judgement=repairs.passed("all is well"), evidence={"rpm": {"value": 10}})
    filing = archive.add(
        repairs.file_of(signed.report(lying)), "report.json", signed.TRUST, rejudge=lambda _: FAILED
    )

    assert (filing.state, filing.reference) == (State.REFUSED, "finding-does-not-follow")


def test_of_a_huge_file_only_the_beginning_is_read_and_kept(archive, tmp_path):
    path = tmp_path / "huge.json"
    with path.open("wb") as huge:
        huge.truncate(200 << 20)
    filing = archive.add_file(path, signed.TRUST)

    assert (filing.state, filing.reference) == (State.REFUSED, "too-large")
    assert "more than 1024 KiB" in filing.reason
    assert (tmp_path / "shop.sqlite").stat().st_size < LARGEST_RECORD_BYTES


def test_a_name_cannot_bring_escapes_or_direction_marks_into_the_archive(archive):
    archive.add(b"{}", "a\x1b[2J\u202egnp.json", signed.TRUST)

    [refused] = archive.refused()
    assert refused.name == "a\\u001b[2J\\u202egnp.json"


# Derived data


def test_rebuilding_gives_what_filing_gave(archive, tmp_path):
    file(archive, repairs.report(*repairs.findings(fan=FAILED)))
    file(archive, repairs.placed(repairs.report(), NOW - timedelta(hours=2), chain=2))
    file(archive, repairs.rehearsed(repairs.report()))
    before = sorted(dump(tmp_path / "shop.sqlite"))
    with sqlite3.connect(tmp_path / "shop.sqlite") as connection:
        connection.execute("DELETE FROM finding")
    connection.close()

    rebuilt = archive.rebuild()

    assert (rebuilt.receipts, rebuilt.faults) == (3, ())
    assert sorted(dump(tmp_path / "shop.sqlite")) == before


def test_a_receipt_that_rotted_is_named_and_counts_no_more(archive, tmp_path):
    filing = file(archive, repairs.report())
    with sqlite3.connect(tmp_path / "shop.sqlite") as connection:
        connection.execute("UPDATE receipt SET body = CAST(replace(body, 'LM-2093', 'LM-2094') AS BLOB)")
    connection.close()

    rebuilt = archive.rebuild()

    assert [fault.digest for fault in rebuilt.faults] == [filing.digest]
    assert archive.attempts() == ()


def test_a_receipt_whose_bytes_are_another_report_is_named(archive, tmp_path):
    filing = file(archive, repairs.report())
    other = repairs.file_of(repairs.report(number="LM-9"))
    with sqlite3.connect(tmp_path / "shop.sqlite") as connection:
        connection.execute("UPDATE receipt SET body = ?", (other,))
    connection.close()

    [fault] = archive.rebuild().faults
    assert (fault.digest, "not those that were received" in fault.reason) == (filing.digest, True)


def test_a_report_filed_in_time_still_counts_when_its_credential_has_ended(tmp_path):
    url = f"sqlite:///{tmp_path}/shop.sqlite"
    with Archive(url, clock) as archive:
        file(archive, repairs.report())
    with Archive(url, lambda: NOW + timedelta(days=4000)) as archive:
        assert archive.rebuild().faults == ()


# The database itself


def test_an_archive_of_a_newer_program_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "shop.sqlite"
    Archive(f"sqlite:///{path}", clock).close()
    with sqlite3.connect(path) as connection:
        connection.execute("INSERT INTO schema_step VALUES ('of tomorrow', 'now')")
    connection.close()
    before = dump(path)

    with pytest.raises(DocumentError, match=r"newer benchproof \(step 'of tomorrow'.*update benchproof"):
        Archive(f"sqlite:///{path}", clock)
    assert dump(path) == before


def test_an_older_archive_gets_the_steps_it_lacks(tmp_path, monkeypatch):
    url = f"sqlite:///{tmp_path}/shop.sqlite"
    with Archive(url, clock) as archive:
        filing = file(archive, repairs.report())
    added = steps.Step("a remark", ("ALTER TABLE attempt ADD COLUMN remark TEXT",))
    monkeypatch.setattr(store, "STEPS", (*steps.STEPS, added))

    with Archive(url, clock) as archive:
        assert archive.attempts()[0].digest == filing.digest
    assert any("'a remark'" in line for line in dump(tmp_path / "shop.sqlite"))


def test_a_step_that_fails_half_way_leaves_no_trace(tmp_path, monkeypatch):
    path = tmp_path / "shop.sqlite"
    Archive(f"sqlite:///{path}", clock).close()
    before = dump(path)
    broken = steps.Step("broken", ("CREATE TABLE half (x TEXT)", "CREATE TABLE nonsense ("))
    monkeypatch.setattr(store, "STEPS", (*steps.STEPS, broken))

    with pytest.raises(DocumentError, match="cannot be used"):
        Archive(f"sqlite:///{path}", clock)
    assert dump(path) == before


def test_a_database_of_something_else_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "books.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE books (title TEXT)")
    connection.close()
    before = dump(path)

    with pytest.raises(DocumentError, match=r"something else \(table books\)"):
        Archive(f"sqlite:///{path}", clock)
    assert dump(path) == before


@pytest.mark.parametrize("url", ["sqlite:////no/such/folder/x.sqlite", "nonsense", "oracle9://x", "x" * 500])
def test_an_archive_that_cannot_be_opened_is_one_clear_sentence(url):
    with pytest.raises(DocumentError) as raised:
        Archive(url, clock)
    assert "\n" not in str(raised.value)


def test_a_file_that_is_no_database_is_refused(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("not a database, but long enough to look at" * 50)

    with pytest.raises(DocumentError, match="not a database"):
        Archive(f"sqlite:///{path}", clock)


def test_a_mistyped_path_is_not_an_empty_archive(tmp_path):
    path = tmp_path / "mistyped.sqlite"

    with pytest.raises(DocumentError, match="there is no such file"):
        Archive(f"sqlite:///{path}", clock, must_exist=True)
    assert not path.exists()


def test_looking_needs_no_right_to_write(tmp_path):
    path = tmp_path / "shop.sqlite"
    with Archive(f"sqlite:///{path}", clock) as archive:
        file(archive, repairs.report())

    with Archive(f"sqlite:///file:{path}?mode=ro&uri=true", clock) as archive:
        assert len(archive.attempts()) == 1
        with pytest.raises(DocumentError, match="nothing was changed"):
            file(archive, repairs.placed(repairs.report(), NOW))


# Cut the power


def cut_after(statements, path, act):
    """Run `act` in a child that dies at statement number `statements`; False if it got through."""
    child = os.fork()
    if child == 0:
        with Archive(f"sqlite:///{path}", clock) as archive:
            left = iter(range(statements))
            event.listen(
                archive._engine,
                "before_cursor_execute",
                lambda *_: None if next(left, None) is not None else os._exit(9),
            )
            event.listen(
                archive._engine, "commit", lambda *_: None if next(left, None) is not None else os._exit(9)
            )
            act(archive)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


@pytest.mark.parametrize("act", ["add", "refuse", "rebuild"])
def test_a_cut_at_any_statement_leaves_the_archive_as_before_or_after(tmp_path, act):
    path = tmp_path / "shop.sqlite"
    with Archive(f"sqlite:///{path}", clock) as archive:
        file(archive, repairs.report(number="LM-1"))
    late = repairs.placed(repairs.report(), NOW, chain=2)
    acts = {
        "add": lambda archive: file(archive, late),
        "refuse": lambda archive: archive.add(b"{}", "x", signed.TRUST),
        "rebuild": lambda archive: archive.rebuild(),
    }
    before = dump(path)

    statements = 0
    while cut_after(statements, path, acts[act]):
        assert dump(path) == before
        statements += 1

    assert statements >= 3
    with Archive(f"sqlite:///{path}", clock) as archive:
        assert len(archive.attempts()) == (2 if act == "add" else 1)
        assert archive.rebuild().faults == ()


def test_a_full_disk_is_one_sentence_and_changes_nothing(archive, tmp_path):
    file(archive, repairs.report())
    before = dump(tmp_path / "shop.sqlite")

    def size_limit(pages):
        """What a full disk is to SQLite: no page beyond those there are (at least)."""
        with archive._engine.connect() as connection:
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")

    size_limit(1)
    with pytest.raises(DocumentError, match="disk is full"):
        file(archive, repairs.placed(repairs.report(), NOW))
    size_limit(1 << 30)

    assert dump(tmp_path / "shop.sqlite") == before
    assert file(archive, repairs.placed(repairs.report(), NOW)).state is State.FILED


# Laws

filings = st.lists(
    st.tuples(st.integers(0, 3), st.integers(0, 2), st.integers(1, 4), st.integers(0, 5), st.booleans()),
    min_size=1,
    max_size=5,
)


def made(number, chain, position, hour, rehearsal):
    at = signed.NOW + timedelta(hours=hour)
    plain = repairs.report(signed.finding(rpm=100.0 * hour), number=f"LM-{number}")
    unsigned = repairs.rehearsed(plain) if rehearsal else plain
    return repairs.placed(unsigned, at, chain, position)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(filings, st.randoms())
def test_the_order_of_filing_does_not_matter(drawn, random):
    reports = [made(*each) for each in drawn]
    shuffled = reports + reports[:2]
    random.shuffle(shuffled)

    states = []
    for sequence in (reports, shuffled):
        with Archive("sqlite://", clock) as archive:
            for unsigned in sequence:
                file(archive, unsigned)
            kept = [archive.attempts(rehearsals=flag) for flag in (False, True)]
            counted = [archive.first_attempts("check", rehearsals=flag) for flag in (False, True)]
            states.append((kept, counted))

    assert states[0] == states[1]
    assert states[0][0] != [(), ()]
