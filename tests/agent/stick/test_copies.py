"""The stick at the bench: which order, who answers, and a report that gets there whatever happens."""

import errno
import fcntl
import json
import os
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import time

import pytest

from agent.cli import main
from agent.commands import stick as command
from agent.commands.stick import Waited, wait
from agent.exits import Exit
from agent.folder import BenchFolder
from agent.running.steady import Stop
from agent.stick import copies
from agent.stick.copies import Keeper, take_in
from agent.stick.keyboard import Turn
from agent.stick.medium import FolderMedium, trouble
from agent.stick.offer import matching, numbered, offer
from reports import files
from reports.summed import read_whole, write_summed
from tests.support.bench import DEMO, NUMBER, UNIT
from tests.support.medium import Medium
from tests.support.tools import need

SERIAL = "TA24-0417-2263"
READY = Exit.REHEARSAL_READY
RAW = re.compile("[\x00-\x07\x0b\x0c\x0e-\x1a\x1c-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


@pytest.fixture
def data(tmp_path):
    """The data partition of a stick, with one order and its map."""
    for name in ("orders", "maps", "reports", "keys"):
        (tmp_path / "data" / name).mkdir(parents=True)
    shutil.copy(DEMO / "map.json", tmp_path / "data/maps/tarnwick-alcove-24.json")
    put_order(tmp_path / "data")
    return tmp_path / "data"


def put_order(data, name=NUMBER, number=NUMBER, serial=SERIAL, complaint="no picture", file=None, **more):
    order = json.loads((DEMO / "order.json").read_text())
    order |= {"number": number, "complaint": complaint, **more}
    order["unit"]["serial"] = serial
    (data / "orders" / (file or f"{name}.json")).write_text(json.dumps(order))


def attempts(data):
    return sorted(path.name for path in (data / "reports").iterdir())


# -- a terminal with the stick behind it ------------------------------------------------------------------


def in_any_lines(words):
    """`words` however the lines are broken."""
    return re.compile(r"\s+".join(map(re.escape, words.split())))


class Terminal:
    """`benchproof stick` in a process of its own on a terminal of 80 columns and 25 lines."""

    def __init__(self, data, *faults, alone_after_s=60, retry_s=0.05, consoles=None):
        words = ["stick", "--data", str(data), "--rehearse", UNIT]
        words += [word for fault in faults for word in ("--fault", fault)]
        self.said, self._heard, self._turned, self.status = "", 0, 0, None
        self.pid, self.side = pty.fork()
        if self.pid == 0:
            self._be_the_stick(words, alone_after_s, retry_s, consoles)
        fcntl.ioctl(self.side, termios.TIOCSWINSZ, struct.pack("HHHH", 25, 80, 0, 0))

    @staticmethod
    def _be_the_stick(words, alone_after_s, retry_s, consoles):
        try:
            os.environ |= {"TERM": "linux", "NO_COLOR": "1", "COLUMNS": "80", "LINES": "25"}
            sys.stdin, sys.stdout, sys.stderr = (
                os.fdopen(os.dup(n), m) for n, m in ((0, "r"), (1, "w"), (2, "w"))
            )
            command.ALONE_AFTER_S, copies.RETRY_S, command.RETRY_S = alone_after_s, retry_s, retry_s
            command.Keyboard.__init__.__defaults__ = (sys.stdin,)
            if consoles:  # as the stick's own system starts it, on one of several
                command.Turn = lambda _: Turn(consoles)
                command._is_service, command._power_off, command.OFF_AFTER_S = lambda: True, lambda: None, 3
            status = main(words)
            sys.stdout.flush()
            os._exit(status)
        finally:
            os._exit(99)

    def until(self, words, within_s=20.0):
        """Read until `words` stand there, turning pages; gives what was said since those of the last call."""
        until, wanted = time.monotonic() + within_s, in_any_lines(words)
        while not (found := wanted.search(self.said, self._heard)):
            if turned := in_any_lines("-- Enter shows more --").search(self.said, self._turned):
                self._turned = turned.end()
                self.press("\n")
            assert time.monotonic() < until, f"{words!r} never came:\n{self.said[self._heard :]}"
            assert self._hear() or not self._is_over(), (
                f"it ended before {words!r}:\n{self.said[self._heard :]}"
            )
        said = self.said[self._heard : found.end()]
        self._heard = found.end()
        return said

    def _hear(self):
        """Take in what is said within a moment; whether there was any."""
        if not select.select([self.side], [], [], 0.2)[0]:
            return False
        try:
            more = os.read(self.side, 65536).decode()
        except OSError:  # EIO: the other side is closed
            return False
        self.said += more
        return bool(more)

    def _is_over(self):
        if self.pid:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.pid, self.status = 0, os.waitstatus_to_exitcode(status)
        return not self.pid

    def press(self, keys):
        os.write(self.side, keys.encode())

    def ended(self, within_s=20.0):
        """Its status."""
        until = time.monotonic() + within_s
        while self._hear() or not self._is_over():
            assert time.monotonic() < until, f"it did not end:\n{self.said}"
        assert "Traceback" not in self.said
        return self.status

    def close(self):
        if self.pid:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        os.close(self.side)


@pytest.fixture
def at_the_bench():
    """Start terminals; they are gone when the test is."""
    started = []

    def start(*given, **more):
        started.append(Terminal(*given, **more))
        return started[-1]

    yield start
    for terminal in started:
        terminal.close()


def through(terminal):
    """From the list to the end of the run, by Enter alone."""
    terminal.until("Number, or words to look for")
    terminal.press("\n")
    terminal.until("Enter starts, b goes back")
    terminal.press("\n")
    terminal.until("THE REPORT IS SAFELY ON THE STICK")
    terminal.until("a starts another run")


def test_the_order_of_the_unit_is_found_and_its_report_is_safely_on_the_stick(data, at_the_bench):
    bench = at_the_bench(data)

    bench.until("any key stops that")
    bench.press(" ")
    through(bench)
    bench.press("\n")

    assert bench.ended() == READY
    flat = " ".join(bench.said.split())
    assert f"Unit Tarnwick Alcove 24, serial {SERIAL}" in flat
    assert "the unit's own clock, not compared with another" in flat
    assert flat.index("CAUTIONS") < flat.index("Enter starts") < flat.index("RUN")
    (folder,) = (data / "reports").iterdir()
    assert sorted(path.name for path in folder.iterdir()) == [
        name for each in ("opened.json", "page.html", "report.json") for name in (each, f"{each}.sum")
    ]
    assert json.loads((folder / "report.json").read_text())["verdict"] == "ready"


def test_an_office_computer_can_check_the_sums_with_what_it_has(data, tmp_path):
    for name, text in (("report.json", b'{"a": 1}\n'), ("page.html", b"<html></html>\n")):
        write_summed(data / "reports" / name, text)
    sums = [path.name for path in (data / "reports").glob("*.sum")]

    checked = subprocess.run(
        [need("sha256sum"), "--check", "--strict", *sums],
        cwd=data / "reports",
        capture_output=True,
        text=True,
    )

    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert checked.stdout.count(": OK") == 2


def test_when_nobody_answers_it_runs_alone_and_asks_nothing(data, at_the_bench):
    bench = at_the_bench(data, "no-tachometer", alone_after_s=1)

    said = bench.until("THE REPORT IS SAFELY ON THE STICK")

    assert bench.ended() == Exit.REHEARSAL_NOT_READY
    assert "If no key is pressed within 1 s" in said
    assert "Enter" not in said
    (folder,) = (data / "reports").iterdir()
    report = json.loads((folder / "report.json").read_text())
    (fan,) = [each for each in report["findings"] if each["check"] == "fan.spin"]
    assert report["verdict"] == "incomplete"
    assert "nobody felt for air" in fan["judgement"]["reason"]


def test_b_goes_back_before_anything_began(data, at_the_bench):
    bench = at_the_bench(data)

    bench.until("any key stops that")
    bench.press(" ")
    bench.until("Number, or words")
    bench.press("1\n")
    bench.until("Enter starts, b goes back")
    bench.press("b\n")
    bench.until("any key stops that")

    assert attempts(data) == []


@pytest.mark.parametrize(("typed", "driven"), [("f\n", True), ("\n", False)])
def test_a_fan_is_driven_only_where_who_stands_there_allows_it(typed, driven, data, at_the_bench):
    put_order(data, lines=[{"part": "fan", "action": "replaced", "condition": "new"}])
    bench = at_the_bench(data)

    bench.until("any key stops that")
    bench.press(" ")
    bench.until("Number, or words")
    bench.press("1\n")
    bench.until("f starts and may drive a fan to full speed")
    bench.press(typed)
    bench.until("THE REPORT IS SAFELY ON THE STICK")

    (folder,) = (data / "reports").iterdir()
    report = json.loads((folder / "report.json").read_text())
    (fan,) = [each for each in report["findings"] if each["check"] == "fan.follow"]
    assert fan["judgement"]["verdict"] == "pass"
    assert ("rehearsal: tachometer" in json.dumps(fan["evidence"]["commanded"])) == driven


def test_two_orders_of_one_serial_are_chosen_from_never_run_alone(data, at_the_bench):
    put_order(data, "LM-2500", "LM-2500", complaint="no sound")
    bench = at_the_bench(data, alone_after_s=1)

    said = bench.until("Number, or words to look for; Enter = read the stick again")
    assert said.count("this unit: LM-") == 2
    assert "starts alone" not in said
    bench.press("2\n")
    bench.until("Enter starts, b goes back")
    bench.press("\n")
    bench.until("THE REPORT IS SAFELY ON THE STICK")

    assert attempts(data) == ["0001-LM-2500"]


def test_a_long_list_is_searched_by_words(data, at_the_bench):
    (data / "orders" / f"{NUMBER}.json").unlink()
    for number in range(30):
        put_order(data, f"LM-3{number:03}", f"LM-3{number:03}", f"OTHER-{number}", f"complaint {number} here")
    bench = at_the_bench(data)

    said = bench.until("Number, or words")
    assert "ORDERS - 30 of 30" in said
    assert "and 18 more" in said
    bench.press("here LM-3017\n")
    said = bench.until("Number, or words")
    assert "ORDERS - 1 of 30" in said
    assert "1 = LM-3017" in said


def test_without_an_order_the_parts_worked_on_are_enough(data, at_the_bench):
    (data / "orders" / f"{NUMBER}.json").unlink()
    bench = at_the_bench(data)

    said = bench.until("Enter = read the stick again: ")
    assert "ORDERS - 0 of 0" in said
    bench.press("parts memroy\n")
    bench.until("did you mean memory?")
    bench.until("Enter = read the stick again: ")
    bench.press("parts memory,storage\n")
    bench.until("Enter starts, b goes back")
    bench.press("\n")
    bench.until("THE REPORT IS SAFELY ON THE STICK")

    assert [name[:9] for name in attempts(data)] == ["0001-SPOT"]


def test_an_order_that_is_put_there_meanwhile_is_found_by_enter(data, at_the_bench):
    (data / "orders" / f"{NUMBER}.json").unlink()
    bench = at_the_bench(data)

    bench.until("Enter = read the stick again: ")
    put_order(data)
    bench.press("\n")

    bench.until("any key stops that")


def test_hostile_names_and_documents_are_told_and_never_reach_the_terminal_raw(data, at_the_bench):
    (data / "orders" / "\x1b[2Jevil.json").write_text("{")
    (data / "orders" / "link.json").symlink_to("/etc/passwd")
    os.mkfifo(data / "orders" / "pipe.json")
    (data / "orders" / "huge.json").write_bytes(b" " * (5 << 20))
    put_order(data, complaint="\x1b]0;gone\x07", file="escape.json", number="LM-9")
    bench = at_the_bench(data)

    said = bench.until("any key stops that")

    assert "\\u001b[2Jevil.json cannot be used" in said
    assert "huge.json was not read" in said
    assert "escape.json cannot be used" in said
    assert "passwd" not in said
    assert "pipe.json" not in said
    assert not RAW.search(re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", said))


def test_a_map_that_cannot_be_used_is_told_and_the_stick_read_again(data, at_the_bench):
    (data / "maps" / "tarnwick-alcove-24.json").write_text("{}")
    bench = at_the_bench(data, alone_after_s=1)

    said = bench.until("Enter reads the stick again: ")

    assert "Cannot use service map" in said
    assert attempts(data) == []


# -- waiting ----------------------------------------------------------------------------------------------


class FakeKeyboard:
    """Nobody presses a key until so many seconds have passed; seconds pass at once."""

    def __init__(self, answers_after_s=10_000):
        self.there = True
        self.passed_s = 0.0
        self._after_s = answers_after_s

    def pressed(self, within_s):
        self.passed_s += within_s
        return self.passed_s > self._after_s


def test_a_run_starts_alone_after_a_minute_and_not_before():
    keyboard, told = FakeKeyboard(), []

    assert wait(keyboard, Turn(None), command.ALONE_AFTER_S, told.append) is Waited.NOBODY

    assert keyboard.passed_s == 60
    assert told == list(range(60, 0, -1))


@pytest.mark.parametrize("after_s", [0, 1, 30, 59])
def test_a_key_stops_the_countdown_at_any_moment(after_s):
    keyboard = FakeKeyboard(after_s)

    assert wait(keyboard, Turn(None), 60, lambda left: None) is Waited.ANSWERED
    assert keyboard.passed_s == after_s + 1


def test_the_console_that_is_answered_has_the_bench_and_the_other_waits(tmp_path):
    screen, serial = Turn(tmp_path / "bench.lock"), Turn(tmp_path / "bench.lock")
    assert screen.take()

    assert wait(FakeKeyboard(), serial, 60, lambda left: None) is Waited.ELSEWHERE
    assert not serial.take()
    screen.give_back()
    assert wait(FakeKeyboard(), serial, 60, lambda left: None) is Waited.NOBODY
    assert serial.take()


def test_the_other_console_does_not_run_it_again_while_the_unit_waits_to_be_switched_off(
    data, at_the_bench, tmp_path
):
    screen = at_the_bench(data, alone_after_s=1, consoles=tmp_path / "lock")
    serial = at_the_bench(data, alone_after_s=30, consoles=tmp_path / "lock")

    serial.until("any key stops that")
    serial.until("The other console has the bench")
    screen.until("THE REPORT IS SAFELY ON THE STICK")
    screen.until("any key stops that")
    time.sleep(1.5)
    while serial._hear():
        pass
    assert "any key stops that" not in serial.said[serial._heard :]
    assert screen.ended() == READY
    serial.until("any key stops that")
    assert attempts(data) == ["0001-LM-2417"]


# -- orders -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("serial", ["", "To be filled by O.E.M.", "00000000"])
def test_a_unit_without_a_serial_of_its_own_fits_no_order(data, serial):
    put_order(data, serial=serial)

    assert offer(data / "orders", serial).only_fit is None


def test_a_serial_is_the_same_however_it_is_written(data):
    assert offer(data / "orders", "ta24 0417 2263").only_fit is not None


def test_an_order_of_tomorrow_can_be_used_since_the_clock_may_be_wrong(data):
    order = json.loads((data / "orders" / f"{NUMBER}.json").read_text()) | {"ordered": "2998-01-01"}
    (data / "orders" / f"{NUMBER}.json").write_text(json.dumps(order))

    assert offer(data / "orders", SERIAL).only_fit is not None


def test_what_is_no_number_of_the_list_chooses_nothing(data):
    orders = offer(data / "orders", SERIAL).orders

    assert numbered(orders, "1") is orders[0]
    for typed in ("0", "2", "-1", "1.0", "\u0661", "9" * 5000, ""):
        assert numbered(orders, typed) is None
    assert matching(orders, "ALCOVE picture") == orders
    assert matching(orders, "alcove sound") == ()


# -- the stick is full, write-protected, pulled ------------------------------------------------------------


class Now:
    """A clock on which seconds pass at once; `then` happens after so many of them."""

    def __init__(self, after=3, then=lambda: None):
        self._left = after
        self._then = then

    def sleep(self, seconds):
        self._left -= 1
        if self._left == 0:
            self._then()
        assert self._left > -5, "it never came right"


@pytest.fixture
def attempt(tmp_path):
    """An attempt in memory."""
    folder = tmp_path / "memory" / "0001-LM-1"
    folder.mkdir(parents=True)
    (folder / "opened.json").write_text('{"type": "opened"}\n')
    return folder


def finish(folder):
    (folder / "report.json").write_text(json.dumps({"type": "attempt", "pad": "x" * 20_000}) + "\n")
    (folder / "page.html").write_text("<html>" + "y" * 10_000 + "</html>\n")


def failing_medium(monkeypatch, code, name):
    """From now on every call of that name on the medium fails; gives what mends it."""
    state = {"broken": True}

    def before(call):
        if not state["broken"] or call.name != name:
            return
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(files, "os", Medium(before))

    def mend():
        state["broken"] = False

    return mend


TROUBLES = {
    "full": (errno.ENOSPC, "write", "the stick is full"),
    "write-protected": (errno.EROFS, "open", "the stick is write-protected"),
    "does not answer": (errno.EIO, "fsync", "the stick does not answer"),
    "pulled": (errno.ENODEV, "open", "the stick is gone: put it back"),
}


@pytest.mark.parametrize("case", TROUBLES)
def test_each_trouble_is_one_sentence_and_the_report_is_kept_until_the_stick_takes_it(
    case, data, attempt, monkeypatch
):
    code, call, sentence = TROUBLES[case]
    said = []
    mend = failing_medium(monkeypatch, code, call)
    finish(attempt)
    keeper = Keeper(FolderMedium(data), attempt, Now(3, mend), said.append)

    keeper.until_safe()

    assert [type(each) for each in said] == [OSError, type(None)]
    assert trouble(said[0]).startswith(sentence)
    kept = take_in(FolderMedium(data), attempt.parents[1] / "again").folder.attempts / attempt.name
    assert (kept / "report.json").read_bytes() == (attempt / "report.json").read_bytes()


def test_a_stick_that_is_pulled_and_put_back_gets_all_that_it_missed(data, attempt, tmp_path):
    said = []
    keeper = Keeper(FolderMedium(data), attempt, Now(), said.append)
    keeper.opened(Stop())
    (attempt / "journal.jsonl").write_text("one\n")
    keeper.starting(1, None)
    data.rename(tmp_path / "pulled")
    (attempt / "journal.jsonl").write_text("one\ntwo\n")
    keeper.finished(1, None)
    keeper.starting(2, None)
    (tmp_path / "pulled").rename(data)
    (attempt / "journal.jsonl").write_text("one\ntwo\nthree\n")
    keeper.finished(2, None)

    assert (data / "reports/0001-LM-1/journal.jsonl").read_text() == "one\ntwo\nthree\n"
    assert [type(each) for each in said] == [OSError, type(None)]
    (attempt / "journal.jsonl").unlink()
    finish(attempt)
    keeper.closed()
    assert not (data / "reports/0001-LM-1/journal.jsonl").exists()
    assert keeper.names()[1] == "reports/0001-LM-1/report.json"


def test_half_a_line_of_the_journal_is_not_written_on(data, attempt, monkeypatch):
    keeper = Keeper(FolderMedium(data), attempt, Now(), lambda error: None)
    (attempt / "journal.jsonl").write_text("one\n")
    keeper.copy()
    with (data / "reports/0001-LM-1/journal.jsonl").open("a") as file:
        file.write("tw")
    (attempt / "journal.jsonl").write_text("one\ntwo\n")
    keeper.copy()

    assert (data / "reports/0001-LM-1/journal-2.jsonl").read_text() == "one\ntwo\n"
    taken = take_in(FolderMedium(data), attempt.parents[1] / "again").folder.attempts
    assert (taken / "0001-LM-1/journal.jsonl").read_text() == "one\ntwo\n"


def test_before_the_first_check_the_stick_has_the_opened_record(data, attempt, monkeypatch):
    mend = failing_medium(monkeypatch, errno.EROFS, "open")
    keeper = Keeper(FolderMedium(data), attempt, Now(2, mend), lambda error: None)

    keeper.opened(Stop())

    assert read_whole(data / "reports/0001-LM-1/opened.json") == (attempt / "opened.json").read_bytes()


def test_what_the_stick_does_not_give_back_is_written_again_under_another_name(data, attempt):
    said = []
    finish(attempt)

    class Worn(FolderMedium):
        """Keeps other bytes than it was given, the first time."""

        def reading(self):
            report = self.path / "reports/0001-LM-1/report.json"
            if report.exists() and not (self.path / "reports/0001-LM-1/report-2.json").exists():
                report.write_bytes(report.read_bytes().replace(b"x", b"z", 1))
            return super().reading()

    keeper = Keeper(Worn(data), attempt, Now(), said.append)
    keeper.until_safe()

    assert "does not give back" in trouble(said[0])
    assert keeper.names()[1] == "reports/0001-LM-1/report-2.json"
    taken = take_in(FolderMedium(data), attempt.parents[1] / "again")
    kept = taken.folder.attempts / "0001-LM-1/report.json"
    assert kept.read_bytes() == (attempt / "report.json").read_bytes()


def test_a_run_on_a_stick_that_goes_away_waits_and_ends_well(data, at_the_bench, tmp_path):
    bench = at_the_bench(data)
    bench.until("any key stops that")
    bench.press(" ")
    bench.until("Number, or words")
    bench.press("\n")
    bench.until("Enter starts, b goes back")
    data.rename(tmp_path / "pulled")
    bench.press("\n")
    bench.until("The stick is gone: put it back into this unit.")
    (tmp_path / "pulled").rename(data)
    bench.until("THE REPORT IS SAFELY ON THE STICK")

    assert attempts(data) == ["0001-LM-2417"]


# -- what a cut left ---------------------------------------------------------------------------------------


CUTS = {
    "the report lost its end": lambda folder: cut(folder / "report.json", 0.5),
    "the report is there and its sum is not": lambda folder: (folder / "report.json.sum").unlink(),
    "the sum lost its end": lambda folder: cut(folder / "report.json.sum", 0.5),
    "the report is zeros": lambda folder: zero(folder / "report.json"),
    "half a report, no sum": lambda folder: (
        cut(folder / "report.json", 0.5),
        (folder / "report.json.sum").unlink(),
    ),
}
WHOLE_ALL_THE_SAME = {"the report is there and its sum is not", "the sum lost its end"}


def cut(path, share):
    os.truncate(path, int(path.stat().st_size * share))


def zero(path):
    path.write_bytes(bytes(path.stat().st_size))


@pytest.mark.parametrize("case", CUTS)
def test_what_was_cut_off_is_ignored_and_told(case, data, attempt, tmp_path):
    finish(attempt)
    Keeper(FolderMedium(data), attempt, Now(), lambda error: None).until_safe()
    CUTS[case](data / "reports" / attempt.name)

    taken = take_in(FolderMedium(data), tmp_path / "again")

    whole = (taken.folder.attempts / attempt.name / "report.json").exists()
    assert whole is (case in WHOLE_ALL_THE_SAME)
    assert whole or "0001-LM-1/report.json is incomplete" in " ".join(taken.left_out)
    assert not whole or taken.left_out == ()
    assert (taken.folder.attempts / attempt.name / "opened.json").exists()


def test_an_attempt_that_was_cut_off_is_told_and_the_next_has_a_new_name(data, at_the_bench):
    folder = data / "reports" / "0001-LM-2417"
    folder.mkdir()
    (folder / "opened.json").write_text('{"type": "op')
    bench = at_the_bench(data, alone_after_s=1)

    said = bench.until("THE REPORT IS SAFELY ON THE STICK")

    assert "0001-LM-2417/opened.json is incomplete" in said
    assert attempts(data) == ["0001-LM-2417", "0002-LM-2417"]


def test_the_bench_in_memory_is_what_lies_on_the_stick(data, tmp_path):
    (data / "keys" / "trust.txt").write_text("x")

    taken = take_in(FolderMedium(data), tmp_path / "memory")

    assert taken == copies.TakenIn(BenchFolder(tmp_path / "memory"), ())
    for name in ("orders/LM-2417.json", "maps/tarnwick-alcove-24.json", "keys/trust.txt"):
        assert (tmp_path / "memory" / name).read_bytes() == (data / name).read_bytes()
