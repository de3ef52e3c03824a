"""The journal: how far an attempt came, told from what a cut left of it."""

import os

import pytest

from agent.running.attempt import earlier
from agent.running.journal import as_line, read_journal, where_cut_off
from reports.model.record import Source

STARTING = {"at_s": 1.0, "starting": {"number": 1, "of": 2, "check": "fan.spin", "part": "cooler-fan"}}
FINDING = {"at_s": 2.5, "finding": {"check": "fan.spin", "part": "cooler-fan", "part_name": "Lüfter"}}
SECOND = {"at_s": 2.5, "starting": {"number": 2, "of": 2, "check": "camera.frames", "part": "camera"}}
WHOLE = b"".join(map(as_line, (STARTING, FINDING, SECOND)))


@pytest.fixture
def journal(tmp_path):
    def written(data):
        path = tmp_path / "journal.jsonl"
        path.write_bytes(data)
        return path

    return written


def test_a_whole_journal_is_read_as_it_was_written(journal):
    read = read_journal(journal(WHOLE))

    assert read.entries == (STARTING, FINDING, SECOND)
    assert not read.torn


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ((), "before its first check"),
        ((STARTING,), "during check 1 of 2 (fan.spin, cooler-fan)"),
        ((STARTING, FINDING), "after check 1 of 2 (fan.spin, cooler-fan)"),
        ((STARTING, FINDING, SECOND), "during check 2 of 2 (camera.frames, camera)"),
        ((STARTING, FINDING, SECOND, FINDING), "after its last check, before the report was written"),
    ],
)
def test_it_says_how_far_the_attempt_came(lines, words, journal):
    assert where_cut_off(journal(b"".join(map(as_line, lines)))) == words


def test_without_a_journal_no_check_was_begun(tmp_path):
    assert where_cut_off(tmp_path / "journal.jsonl") == "before its first check"


def test_cut_at_any_byte_the_whole_lines_before_it_count_and_the_torn_one_is_known(journal):
    ends = [WHOLE.index(b"\n") + 1]
    ends.append(WHOLE.index(b"\n", ends[0]) + 1)
    for length in range(len(WHOLE)):
        read = read_journal(journal(WHOLE[:length]))

        assert len(read.entries) == sum(length >= end for end in ends)
        assert read.torn == (length not in (0, *ends))


def test_any_changed_byte_is_known(journal):
    line = as_line(FINDING)
    for place in range(len(line)):
        read = read_journal(journal(line[:place] + bytes([line[place] ^ 1]) + line[place + 1 :]))

        assert read.entries == ()
        assert read.torn


@pytest.mark.parametrize("data", [b"\0" * 4096, b"\n", b"[]\n", b"{}\n", b"\xff\xfe\n", b"[" * 5000 + b"\n"])
def test_what_is_no_journal_tells_nothing(data, journal):
    assert read_journal(journal(data)).entries == ()
    assert where_cut_off(journal(data)) == "before its first check"


def test_a_pipe_in_its_place_does_not_hang_the_bench(tmp_path):
    os.mkfifo(tmp_path / "journal.jsonl")

    assert where_cut_off(tmp_path / "journal.jsonl") == "before its first check"


def test_escapes_in_a_tampered_journal_reach_neither_screen_nor_report(journal):
    entry = {"starting": {"number": 1, "of": 2, "check": "\x1b[2J", "part": "\u202ex"}}

    words = where_cut_off(journal(as_line(entry)))

    assert "\x1b" not in words
    assert "\u202e" not in words


# -- what the next attempt finds ---------------------------------------------------------------------

OURS, OTHER = {"name": "bench 3"}, {"name": "bench 4"}
THROWN = {"name": "practice", "throw_away": True}


def attempt(attempts, name, *, report=False, opened=True, credential=OURS, source="live"):
    folder = attempts / name
    folder.mkdir(parents=True)
    text = f'{{"credential": {{"name": "{credential["name"]}"'
    text += ', "throw_away": true' if "throw_away" in credential else ""
    for file in ("opened.json",) * opened + ("report.json",) * report:
        (folder / file).write_text(f'{text}}}, "source": "{source}", "of": "{name} {file}"}}')


def found(attempts, credential=OURS, source=Source.LIVE):
    before = earlier(attempts, credential, source)
    return before.record and before.record["of"], [each.split(",")[0] for each in before.cut_off]


def test_an_empty_bench_has_nothing_before(tmp_path):
    assert found(tmp_path / "reports") == (None, [])


def test_every_attempt_cut_off_since_the_last_report_is_told_oldest_first(tmp_path):
    for number, report in enumerate((False, True, False, False), 1):
        attempt(tmp_path, f"000{number}-A", report=report)

    assert found(tmp_path) == ("0004-A opened.json", ["0003-A", "0004-A"])


def test_a_rehearsal_between_two_repairs_breaks_neither_chain_nor_story(tmp_path):
    attempt(tmp_path, "0001-A", report=True)
    attempt(tmp_path, "0002-A")
    attempt(tmp_path, "0003-P", report=True, credential=THROWN, source="rehearsal")
    attempt(tmp_path, "0004-P", credential=THROWN, source="rehearsal")

    assert found(tmp_path) == ("0002-A opened.json", ["0002-A"])
    assert found(tmp_path, {"name": "new", "throw_away": True}, Source.REHEARSAL) == (None, ["0004-P"])


def test_a_new_key_begins_a_new_chain_and_still_tells_what_was_cut_off(tmp_path):
    attempt(tmp_path, "0001-A", credential=OTHER)

    assert found(tmp_path) == (None, ["0001-A"])


def test_a_folder_that_was_cut_off_before_anything_was_begun_is_passed_over(tmp_path):
    attempt(tmp_path, "0001-A", report=True)
    attempt(tmp_path, "0002-A", opened=False)

    assert found(tmp_path) == ("0001-A report.json", [])


def test_a_record_that_power_loss_left_without_length_was_never_given_to_anybody(tmp_path):
    attempt(tmp_path, "0001-A", report=True)
    attempt(tmp_path, "0002-A")
    (tmp_path / "0002-A" / "report.json").write_bytes(b"")
    attempt(tmp_path, "0003-A")
    (tmp_path / "0003-A" / "opened.json").write_bytes(b"")

    assert found(tmp_path) == ("0002-A opened.json", ["0002-A"])


def test_numbers_go_on_after_9999(tmp_path):
    attempt(tmp_path, "9999-A", report=True)
    attempt(tmp_path, "10000-A")

    assert found(tmp_path) == ("10000-A opened.json", ["10000-A"])
