"""A wall clock that is set in the middle of a run: the report is whole, verifies, and says so."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from agent.cli import main
from agent.commands import common
from agent.machine import live
from agent.running.attempt import clock_trust
from checks.registry import rejudge
from reports.multikey import fingerprint
from reports.utc import utc_text
from reports.verify import verify
from tests.support.bench import DEMO, UNIT

pytestmark = pytest.mark.usefixtures("spared_memory")

DAY = timedelta(days=1)


class Unit:
    def __init__(self, clock):
        self.clock = clock


@pytest.fixture
def set_clock(monkeypatch):
    """Sets the wall clock by so much."""
    ahead = [timedelta(0)]
    monkeypatch.setattr(live, "wall_clock", lambda: datetime.now(UTC) + ahead[0])
    return lambda by: ahead.__setitem__(0, by)


@pytest.mark.parametrize("by", [400 * DAY, -400 * DAY], ids=["ahead", "back"])
def test_a_report_whose_clock_was_set_meanwhile_verifies_and_says_so(by, set_clock, monkeypatch, tmp_path):
    opened, identity = tmp_path / "out" / "opened.json", live.LiveMachine.identity

    def setting(machine):
        if opened.exists():  # the run has begun; it asks again for its report
            set_clock(by)
        return identity(machine)

    monkeypatch.setattr(live.LiveMachine, "identity", setting)

    status = main(
        ["run", "--worked", "memory", "--form", "tower", "--unattended", "--out", str(tmp_path / "out"),
         "--bench", str(tmp_path / "bench")]
    )  # fmt: skip
    report = json.loads((tmp_path / "out" / "report.json").read_text())

    assert status in (0, 1, 3)
    assert report["clock"]["began"] <= report["clock"]["ended"]
    seconds = round(abs(by).total_seconds())
    way = "ahead" if by > timedelta(0) else "back"
    assert report["clock"]["trust"].startswith(f"not trusted: the unit's clock was set {way} by {seconds} s")
    root = fingerprint(report["credential"]["issuer"])
    assert verify(report, trust=root, now=datetime.now(UTC), rejudge=rejudge).follows


def test_time_only_goes_on_whatever_the_wall_clock_does(set_clock):
    clock = live.RunningClock()
    before = clock.utc()
    set_clock(-30 * DAY)

    assert timedelta(0) <= clock.utc() - before < timedelta(seconds=10)
    assert clock.jump_s() == pytest.approx(-30 * 86400, abs=5)


def test_a_clock_that_is_only_nudged_is_not_called_set(set_clock):
    clock = live.RunningClock()
    set_clock(timedelta(seconds=0.5))

    assert "not compared" in clock_trust(Unit(clock))


def test_a_clock_behind_the_program_is_not_trusted(set_clock):
    set_clock(datetime(2001, 1, 1, tzinfo=UTC) - datetime.now(UTC))

    assert "behind the date of this program" in clock_trust(Unit(live.RunningClock()))
    assert utc_text(live.RunningClock().utc().replace(microsecond=0)).startswith("2001")


@pytest.mark.parametrize("days_behind", [3, 6000])
def test_a_unit_whose_clock_forgot_the_date_is_run_with_an_order_of_days_to_come(
    days_behind, monkeypatch, tmp_path
):
    order = json.loads((DEMO / "order.json").read_text())
    today = datetime.fromisoformat(order["ordered"]).replace(tzinfo=UTC) - days_behind * DAY
    monkeypatch.setattr(common, "now", lambda: today)
    order["lines"] = [{"part": "camera", "action": "refitted"}]
    (tmp_path / "order.json").write_text(json.dumps(order))

    status = main(
        ["run", str(tmp_path / "order.json"), "--map", str(DEMO / "map.json"), "--out", str(tmp_path / "out"),
         "--rehearse", UNIT, "--bench", str(tmp_path / "bench")]
    )  # fmt: skip

    assert status in (6, 7)
    assert (tmp_path / "out" / "report.json").exists()
