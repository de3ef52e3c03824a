"""The bench reference: what is recorded of a bench, found again, and told in every report."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from agent.cli import main
from agent.machine.linux.timekeeping import largest_error
from agent.machine.rehearsal.machine import RehearsalMachine
from agent.reference import NAMES, keep, load_reference, note, take
from agent.stick.copies import take_in
from agent.stick.medium import FolderMedium
from reports.codec import bench_reference_from, read_json, to_json
from reports.errors import DocumentError
from reports.model.bench import Band
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Cannot, Verdict
from reports.model.record import Source
from reports.utc import read_utc
from tests.support.journeys import DEMO, GOOD_UNIT

ROOM = Reading(21.5, "celsius", "typed by t7")
NOBODY = Absent(Why.NOT_SUPPORTED, "rehearsal")


def taken(*faults, days=30, **changes):
    return take(RehearsalMachine(GOOD_UNIT, faults, **changes), ambient=ROOM, clock=NOBODY, valid_days=days)


def test_each_band_is_recorded_by_its_loudest_network_with_neither_name_nor_address():
    reference = taken()

    assert [(it.band, it.channel, it.signal.value) for it in reference.heard] == [
        (Band.LOW, 6, -46.0),
        (Band.MIDDLE, 36, -51.0),
    ]
    assert "02000000a001" not in json.dumps(to_json(reference))
    assert taken().heard[0].sender != reference.heard[0].sender


@pytest.mark.parametrize("fault", ["air-empty", "wireless-card-loose", "radio-switched-off"])
def test_a_computer_that_hears_nothing_is_no_ground_to_judge_others_on(fault):
    with pytest.raises(DocumentError) as error:
        taken(fault)

    assert error.value.faults[0].reference == "bench-unheard"


def test_the_newest_is_in_use_and_no_older_one_is_lost(tmp_path):
    first, second, third = taken(), taken(days=7), taken(days=8)
    for reference in (first, second, third):
        keep(tmp_path, reference)

    assert load_reference(tmp_path, Source.REHEARSAL).reference == third
    kept = [bench_reference_from(read_json(path, "x")) for path in sorted(tmp_path.glob("*.before-*.json"))]
    assert kept == [first, second]


def test_a_rehearsal_says_nothing_of_real_air(tmp_path):
    path = keep(tmp_path, taken())
    assert load_reference(tmp_path, Source.LIVE) is None

    path.rename(tmp_path / NAMES[Source.LIVE])
    with pytest.raises(DocumentError):
        load_reference(tmp_path, Source.LIVE)


@pytest.mark.parametrize(
    ("member", "value", "place"),
    [
        ("taken", "2026-02-30T08:00:00Z", "/taken"),
        ("valid_days", 0, "/valid_days"),
        ("heard", [], "/heard"),
        ("salt", "short", "/salt"),
        ("name", "Lower Mill", "/name"),
    ],
)
def test_what_is_wrong_with_one_is_said_by_its_place(member, value, place):
    with pytest.raises(DocumentError) as error:
        bench_reference_from(to_json(taken()) | {member: value})

    assert place in [fault.pointer for fault in error.value.faults]


@pytest.mark.parametrize("signal", [{"value": "loud"}, {"value": True}, {"value": 500}, {"unit": "celsius"}])
def test_a_level_that_is_none_is_refused(signal):
    raw = to_json(taken())
    raw["heard"][0]["signal"] |= signal

    with pytest.raises(DocumentError):
        bench_reference_from(raw)


def test_a_report_tells_its_id_its_values_and_its_age_and_nothing_to_know_the_network_by(tmp_path):
    reference = taken()
    keep(tmp_path, reference)
    found = load_reference(tmp_path, Source.REHEARSAL)
    told = note(found, read_utc(reference.taken) + timedelta(days=12, hours=5))

    assert (told.id, told.age.value, told.valid_days) == (reference.id, 12, 30)
    assert [limit.value for limit in told.values] == [-46.0, -51.0]
    assert told.ambient == ROOM
    assert reference.salt not in json.dumps(to_json(told))


def test_a_stick_brings_its_reference_along(tmp_path):
    stick = tmp_path / "stick"
    keep(stick, taken())
    (stick / "other.json").write_text("{}")

    there = take_in(FolderMedium(stick), tmp_path / "memory").folder

    assert load_reference(there.root, Source.REHEARSAL) == load_reference(stick, Source.REHEARSAL)
    assert not (there.root / "other.json").exists()


# -- the commands ------------------------------------------------------------------------------------


def rehearse(bench, *faults):
    """What a run of the demonstration's order says of the air, and its report."""
    faulty = [word for fault in faults for word in ("--fault", fault)]
    out = bench / f"out{len(list(bench.glob('out*')))}"
    main(
        [
            *("run", str(DEMO / "order.json"), "--map", str(DEMO / "map.json"), "--bench", str(bench)),
            *("--rehearse", str(DEMO / "unit.json"), *faulty, "--out", str(out)),
        ]
    )
    report = json.loads((out / "report.json").read_text())
    (scan,) = (each for each in report["findings"] if each["check"] == "wireless.scan")
    return scan["judgement"], report


def test_a_bench_that_is_checked_tells_a_deaf_band_until_the_reference_expires(tmp_path, capsys):
    unit = ["--rehearse", str(DEMO / "unit.json")]
    assert main(["bench", "check", "--bench", str(tmp_path), "--ambient", "21.5", *unit]) == 0
    assert "2.4 GHz, channel 6: -46 dBm, median of 10 frames" in capsys.readouterr().out

    judgement, report = rehearse(tmp_path, "band-deaf")
    assert judgement["verdict"] == Verdict.FAIL
    assert report["bench_reference"]["age"]["value"] == 0
    assert report["bench_reference"]["ambient"]["value"] == 21.5

    path = tmp_path / NAMES[Source.REHEARSAL]
    path.write_text(json.dumps(json.loads(path.read_text()) | {"taken": "2026-01-02T08:00:00Z"}))
    judgement, report = rehearse(tmp_path, "band-deaf")
    assert judgement["cannot"] == Cannot.REFERENCE_EXPIRED
    assert report["bench_reference"]["taken"] == "2026-01-02T08:00:00Z"


def test_a_bench_without_a_reference_says_so_in_its_reports(tmp_path):
    judgement, report = rehearse(tmp_path)

    assert report["bench_reference"] is None
    assert "no bench reference" in judgement["reason"]


@pytest.mark.parametrize(
    "words",
    [("--ambient", "200"), ("--days", "0"), ("--ambient-sensor", "no-such"), ("--ambient", "nan")],
)
def test_what_cannot_be_is_not_recorded(tmp_path, words, capsys):
    unit = ["--rehearse", str(DEMO / "unit.json")]

    assert main(["bench", "check", "--bench", str(tmp_path), *words, *unit]) != 0
    assert list(tmp_path.glob("*.json")) == []


def test_the_room_may_be_read_from_a_sensor_and_which_one_is_said(tmp_path):
    words = ["--ambient-sensor", "platform-coretemp.0-1", "--rehearse", str(DEMO / "unit.json")]

    assert main(["bench", "check", "--bench", str(tmp_path), *words]) == 0
    assert "typed" not in load_reference(tmp_path, Source.REHEARSAL).reference.ambient.source


# -- the clock that dates it -------------------------------------------------------------------------


def kernel(state, status, maxerror=0):
    def ask(told):
        told._obj.status, told._obj.maxerror = status, maxerror
        return state

    return ask


def test_a_clock_that_something_keeps_tells_its_largest_error():
    assert largest_error(kernel(0, 0x2001, 16_000)) == Reading(0.016, "s", "adjtimex")


@pytest.mark.parametrize(
    ("state", "status", "why"),
    [(5, 0x40, Why.NOT_THERE), (0, 0x40, Why.NOT_THERE), (-1, 0, Why.NOT_PERMITTED)],
)
def test_a_clock_that_nothing_keeps_is_not_compared(state, status, why):
    assert largest_error(kernel(state, status)).why is why


def test_the_kernel_of_this_computer_answers():
    told = largest_error()

    assert isinstance(told, Absent) or 0 <= told.value < 1e6
