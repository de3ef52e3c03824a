"""A run that nothing can spoil: cut, filled or unplugged at any moment, what is left is whole and says so.

Whatever happens: never half a report; what is there verifies, and forms one chain; what was there before
is as it was; the next run says which attempt was cut off and how far it came, in its signed report too.

The moments are taken from the calls of a whole run, so that each write, rename and fsync is hit. In the
default run a seeded sample of them, in `make test-spoil` all.
"""

import errno
import os
import random
import re
import shutil
import signal
import time

import pytest

from agent.exits import Exit
from tests.support.medium import LOSSES, after_power_loss, lay_out, taken_in
from tests.support.spoil import Shop, at_call, die, how_far

SEED = 20260302
READY = Exit.REHEARSAL_READY
SAMPLE = [pytest.param(20, id="sample"), pytest.param(None, id="all", marks=pytest.mark.heavy)]


def some(moments, most):
    """A seeded sample of `most` moments, in their order; all where `most` is None."""
    moments = list(moments)
    if most is None:
        return moments
    picked = sorted(random.Random(SEED).sample(range(len(moments)), min(most, len(moments))))
    return [moments[number] for number in picked]


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A bench with one whole attempt, and the calls that it took."""
    shop = Shop(tmp_path_factory.mktemp("bench"))
    status, _, calls = shop.run()
    assert status == READY
    assert len(shop.sound()) == 2
    return shop, calls


@pytest.fixture
def shop(whole, tmp_path):
    """The same bench, to be spoiled."""
    good, _ = whole
    shutil.copytree(good.root, tmp_path / "bench")
    return Shop(tmp_path / "bench", good.bench, set(good.verified))


@pytest.fixture(scope="module")
def calls(whole, tmp_path_factory):
    """What a further attempt does to the medium, call by call."""
    good, _ = whole
    root = tmp_path_factory.mktemp("further") / "bench"
    shutil.copytree(good.root, root)
    status, _, done = Shop(root, good.bench).run()
    assert status == READY
    return done


@pytest.fixture(scope="module")
def checks(calls):
    lines = [call for call in calls if call.name == "write" and call.given[0].endswith("journal.jsonl")]
    assert len(lines) >= 16
    assert len(lines) % 2 == 0
    return len(lines) // 2


def unchanged(shop, before):
    now = shop.held()
    return {name: now.get(name) for name in before} == before


def test_a_whole_run_leaves_its_documents_and_no_journal(whole):
    shop, _ = whole

    assert [sorted(path.name for path in folder.iterdir()) for folder in shop.folders()] == [
        ["opened.json", "page.html", "report.json"]
    ]
    assert shop.earlier().cut_off == ()


def next_run_says_so(shop):
    """A whole run after what happened: it tells every attempt that has no report, and is chained."""
    broken, records = shop.broken(), shop.sound()
    status, said, _ = shop.run()
    report = shop.sound()[-1]

    assert status == READY
    assert [told.split(",")[0] for told in report["follows_cut_off"]] == broken
    assert report["chain"]["position"] == len(records) + 1
    flat = " ".join(said.split())
    page = (shop.folders()[-1] / "page.html").read_text()
    for told in report["follows_cut_off"]:
        assert f"An attempt was cut off and has no report: {told}" in flat
        assert told in page
    assert ("cut off" in flat) == bool(broken)


# -- kill -9 -----------------------------------------------------------------------------------------


def cut_in_the_middle(number):
    """Of that write half arrives, and there is no further call."""

    def cut(call):
        if call.number > number:
            die(call)
        return len(call.given[1]) // 2 if call.number == number else None

    return cut


@pytest.mark.parametrize("most", SAMPLE)
def test_killed_at_any_call_it_leaves_a_whole_state_and_the_next_run_says_how_far_it_came(
    most, shop, calls, checks
):
    before = shop.held()
    moments = [(call.number, False) for call in calls]
    moments += [(call.number, True) for call in calls if call.name == "write"]
    for turn, (number, half) in enumerate(some(moments, most), 1):
        status = shop.killed(cut_in_the_middle(number) if half else at_call(number, die))

        assert os.WIFSIGNALED(status)
        shop.sound()
        assert unchanged(shop, before)
        told, newest = shop.earlier().cut_off, shop.folders()[-1].name
        assert [each.split(",")[0] for each in told] == shop.broken()
        if newest in shop.broken():
            assert told[-1].startswith(f"{newest}, {how_far(calls[:number], checks)}")
        if turn % 10 == 0:
            next_run_says_so(shop)
            before = shop.held()
    next_run_says_so(shop)


# ten times twenty are two hundred moments, each twenty on a bench of their own and a chain that stays short
ROUNDS = [pytest.param(0, id="sample"), *(pytest.param(n, marks=pytest.mark.heavy) for n in range(1, 11))]


@pytest.mark.parametrize("turn", ROUNDS)
def test_killed_at_random_moments_it_leaves_a_whole_state(turn, shop):
    moments, began = random.Random(SEED + turn), time.monotonic()
    assert shop.killed(lambda call: None) == READY << 8
    takes_s, before = time.monotonic() - began, shop.held()
    for _ in range(20):
        shop.killed(lambda call: None, after_s=moments.uniform(0, takes_s))

        shop.sound()
        assert unchanged(shop, before)
        assert [each.split(",")[0] for each in shop.earlier().cut_off] == shop.broken()
    next_run_says_so(shop)


# -- power ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def states(whole, calls):
    """Whatever a medium may hold when power goes after any call, each state once."""
    good, _ = whole
    base = next(call.given[0] for call in calls if call.name == "mkdir").rsplit("/reports", 1)[0]
    found = {}
    for loss in LOSSES:
        for number in range(len(calls) + 1):
            tree = after_power_loss(calls[:number], type(good.root)(base), taken_in(good.root), loss)
            found.setdefault(repr(tree), tree)
    assert len(found) > 100
    return list(found.values())


SIXTHS = [pytest.param(n, id=f"{n} of 6", marks=pytest.mark.heavy) for n in range(6)]


@pytest.mark.parametrize("part", [pytest.param(None, id="sample"), *SIXTHS])
def test_whatever_a_medium_holds_after_power_loss_is_whole(part, states, whole, tmp_path):
    good, _ = whole
    chosen = some(states, 60) if part is None else states[part::6]
    for number, tree in enumerate(chosen):
        shop = Shop(tmp_path / str(number), good.bench, good.verified)
        lay_out(tree, shop.root)

        shop.sound()
        assert unchanged(shop, good.held())
        assert [each.split(",")[0] for each in shop.earlier().cut_off] == shop.broken()
        if part is not None or number == 8:
            next_run_says_so(shop)


def test_once_the_command_has_ended_power_loss_takes_nothing(whole, calls, tmp_path):
    good, _ = whole
    base = next(call.given[0] for call in calls if call.name == "mkdir").rsplit("/reports", 1)[0]

    for loss in LOSSES:
        tree = after_power_loss(calls, type(good.root)(base), taken_in(good.root), loss)
        shop = Shop(tmp_path / loss.replace(" ", "-"), good.bench, good.verified)
        lay_out(tree, shop.root)

        assert len(shop.sound()) == 4
        there = {path.name for path in shop.folders()[-1].iterdir()}
        assert {"opened.json", "report.json", "page.html"} <= there


def test_before_the_first_check_the_opened_record_outlives_power_loss(whole, calls, tmp_path):
    good, _ = whole
    base = next(call.given[0] for call in calls if call.name == "mkdir").rsplit("/reports", 1)[0]
    first = next(call.number for call in calls if call.name == "write" and "journal" in call.given[0])

    tree = after_power_loss(
        calls[:first], type(good.root)(base), taken_in(good.root), "only what was made to last"
    )
    shop = Shop(tmp_path / "bench", good.bench, good.verified)
    lay_out(tree, shop.root)

    assert shop.earlier().cut_off == (f"{shop.folders()[-1].name}, before its first check",)


def test_after_power_loss_the_next_run_knows_every_check_that_was_found(whole, calls, checks, tmp_path):
    good, _ = whole
    base = next(call.given[0] for call in calls if call.name == "mkdir").rsplit("/reports", 1)[0]
    lasting = [call.number for call in calls if call.name == "fsync" and "journal" in call.given[0]]

    for number in some(lasting, 6):
        tree = after_power_loss(
            calls[: number + 1], type(good.root)(base), taken_in(good.root), "only what was made to last"
        )
        shop = Shop(tmp_path / str(number), good.bench, good.verified)
        lay_out(tree, shop.root)

        assert how_far(calls[: number + 1], checks) in shop.earlier().cut_off[-1]


# -- a medium that is full, write-protected or gone -----------------------------------------------------

SAYS = {
    errno.ENOSPC: "the medium is full",
    errno.EROFS: "the medium is write-protected",
    errno.EIO: "the medium does not answer",
    errno.ENODEV: "the medium is gone",
    errno.ENXIO: "the medium is gone",
    errno.EDQUOT: "the medium is full for this user",
}


def failing(number, code, half=False):
    """From that call on the medium takes nothing; with `half`, half of the first write still."""

    def refuse(call):
        if call.number < number or call.name == "unlink":
            return None
        if half and call.number == number and call.name == "write":
            return len(call.given[1]) // 2
        raise OSError(code, os.strerror(code))

    return refuse


def stopped_in_a_sentence(said, code):
    assert re.search(rf"Cannot write \([^)]*/reports[^)]*\): {SAYS[code]}", " ".join(said.split())), said
    assert "Nothing that was there before was changed" in " ".join(said.split())


@pytest.mark.parametrize("half", [False, True], ids=["at once", "in the middle of a write"])
@pytest.mark.parametrize("most", SAMPLE)
def test_a_medium_that_is_full_at_any_call_ends_the_run_in_a_sentence(most, half, shop, calls):
    before = shop.held()
    last = next(call.number for call in calls if "page.html" in call.given[0])
    moments = [call.number for call in calls if call.number < last and call.name != "unlink"]
    moments = [number for number in moments if not half or calls[number].name == "write"]
    for number in some(moments, most and most // 2):
        status, said, _ = shop.run(failing(number, errno.ENOSPC, half))

        shop.sound()
        assert unchanged(shop, before)
        assert status == Exit.BAD_DOCUMENT
        stopped_in_a_sentence(said, errno.ENOSPC)
    next_run_says_so(shop)


@pytest.mark.parametrize("code", [code for code in SAYS if code != errno.ENOSPC], ids=errno.errorcode.get)
def test_a_medium_that_fails_otherwise_is_told_as_what_it_is(code, shop, calls):
    for number in some([call.number for call in calls if "page.html" not in call.given[0]], 3):
        if calls[number].name != "unlink":
            status, said, _ = shop.run(failing(number, code))

            assert status == Exit.BAD_DOCUMENT
            stopped_in_a_sentence(said, code)
            shop.sound()


def test_a_report_that_is_written_stands_whatever_becomes_of_its_page(shop, calls):
    page = [call.number for call in calls if "page.html" in call.given[0] and call.name in ("open", "write")]
    for number in page:
        status, said, _ = shop.run(failing(number, errno.ENOSPC))

        assert status == READY
        assert "its page for the customer is not" in " ".join(said.split())
        assert "customer's page " not in said
        shop.sound()
        assert (shop.folders()[-1] / "report.json").exists()


def test_a_folder_that_goes_away_in_the_middle_is_told(shop, calls, checks, tmp_path):
    journal = [call.number for call in calls if call.name == "write" and "journal" in call.given[0]]

    def unplug(call):
        shop.root.rename(tmp_path / "pulled")

    status, said, _ = shop.run(at_call(journal[checks], unplug))

    assert status == Exit.BAD_DOCUMENT
    assert "Cannot write" in said
    assert "does not exist" in " ".join(said.split())
    (tmp_path / "pulled").rename(shop.root)
    next_run_says_so(shop)


def test_a_folder_that_may_no_longer_be_written_is_told(shop, calls):
    if os.getuid() == 0:
        number = next(call.number for call in calls if "report.json" in call.given[0])
        status, said, _ = shop.run(failing(number, errno.EACCES))
    else:
        number = next(call.number for call in calls if call.name == "write" and "journal" in call.given[0])
        lock = at_call(number, lambda call: shop.folders()[-1].chmod(0o555))
        status, said, _ = shop.run(lock)
        shop.folders()[-1].chmod(0o755)

    assert status == Exit.BAD_DOCUMENT
    assert "not permitted" in said
    shop.sound()


# -- somebody stops it ---------------------------------------------------------------------------------


STOPS = [
    *(pytest.param(number, 5, id=number.name) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)),
    pytest.param(signal.SIGINT, None, id="all", marks=pytest.mark.heavy),
]


@pytest.mark.parametrize(("number", "most"), STOPS)
def test_stopped_at_any_call_it_still_writes_a_whole_report(number, most, whole, calls, tmp_path):
    good, _ = whole
    first = next(call.number for call in calls if "opened.json" in call.given[0])
    last = next(call.number for call in calls if call.name == "rename" and "page.html" in call.given[0])
    for moment in some(range(first, last), most):
        shutil.copytree(good.root, tmp_path / str(moment))
        shop = Shop(tmp_path / str(moment), good.bench, good.verified)
        status, _, _ = shop.run(at_call(moment, lambda call: signal.raise_signal(number)))
        records = shop.sound()

        assert records[-1]["type"] == "attempt"
        assert status in (Exit.STOPPED, READY)
        assert (status == Exit.STOPPED) == (records[-1]["ended_by"] == "stopped by the operator")
        assert (shop.folders()[-1] / "page.html").exists()
