"""The log of a bench: what it tells, what it never tells, and that it stops nothing."""

from __future__ import annotations

import errno
import json
import logging
from pathlib import Path

import pytest

from agent import log
from agent.exits import Exit
from agent.log import LARGEST_BYTES, NAME, absences, logging_to
from tests.support.bench import NUMBER, UNIT, bench_in

CUSTOMER = "Rosalind Farthingale"


@pytest.fixture
def bench(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("BENCHPROOF_BENCH", str(tmp_path / "bench"))
    made = bench_in(tmp_path / "bench", lambda: "".join(capsys.readouterr()))
    made.order(lambda order: order["customer"].update(name=CUSTOMER, contact="0199 555 0101"))
    return made


def texts(value) -> set[str]:
    """Every text in a document."""
    if isinstance(value, str):
        return {value}
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return set().union(*map(texts, inner))


def cannot_open(handler):
    raise OSError(errno.ENOSPC, "the medium is full")


def secrets(bench) -> set[str]:
    """What no log may hold: serials, names, models, the complaint, of order and unit alike."""
    order = json.loads((bench.root / "orders" / f"{NUMBER}.json").read_text())
    unit = json.loads(Path(UNIT).read_text())
    told = texts({name: order[name] for name in ("unit", "customer", "complaint", "technician", "number")})
    told |= texts(
        [[line.get("fitted"), line.get("removed"), line.get("supplier")] for line in order["lines"]]
    )
    told |= texts([unit[name] for name in ("plate", "disks", "eyes", "antennas")])
    told |= {slot[name] for slot in unit["slots"] for name in ("serial", "part_number")}
    common = {"all-in-one", "usb", "nvme", "uvcvideo", ""}
    return told - common


def test_a_whole_repair_leaves_no_serial_name_or_complaint_in_the_log(bench):
    for words in (
        ("baseline", NUMBER, "--rehearse", UNIT, "--load"),
        ("plan", NUMBER),
        ("inventory", NUMBER, "--rehearse", UNIT),
        ("run", NUMBER, "--rehearse", UNIT, "--fault", "antenna-main-off", "--technician", "t-99"),
        ("run", CUSTOMER),
    ):
        bench.type(*words)

    written = (bench.root / NAME).read_text()
    assert len(secrets(bench)) > 20
    assert [secret for secret in {*secrets(bench), "t-99"} if secret.casefold() in written.casefold()] == []


def test_the_log_tells_commands_versions_steps_verdicts_and_why_something_is_absent(bench):
    bench.listen()
    status, _ = bench.type("run", NUMBER, "--rehearse", UNIT, "--fault", "antenna-main-off")

    written = (bench.root / NAME).read_text()
    assert "command run options bench" not in written
    assert "command run options fault,order,rehearse,seed" in written
    assert "fan.spin@" in written
    assert "wireless.antennas/wireless-card fail took=" in written
    assert "absent hidden: not there" in written
    assert f"ended status={int(status)}" in written


def test_a_bad_document_is_logged_by_its_reference(bench):
    bench.order(lambda order: order.update(lines=[]))

    status, _ = bench.type("run", NUMBER, "--rehearse", UNIT)

    assert status == Exit.BAD_DOCUMENT
    assert "error DocumentError" in (bench.root / NAME).read_text()


@pytest.mark.parametrize("blocked", ["a folder in its place", "not to be written"])
def test_a_log_that_cannot_be_written_never_stops_a_run(bench, blocked, monkeypatch):
    if blocked == "a folder in its place":
        (bench.root / NAME).mkdir()
    else:
        monkeypatch.setattr(log._Quiet, "_open", cannot_open)

    status, text = bench.type("run", NUMBER, "--rehearse", UNIT)

    assert status == Exit.REHEARSAL_READY
    assert "Errno" not in text
    assert (bench.root / "reports").is_dir()


def test_the_log_is_three_files_of_at_most_200_kb(tmp_path):
    with logging_to(tmp_path):
        for number in range(9000):
            logging.getLogger("benchproof").info("step %d %s", number, "x" * 80)

    files = sorted(tmp_path.glob("benchproof.log*"))
    assert [file.name for file in files] == [NAME, f"{NAME}.1", f"{NAME}.2"]
    assert all(file.stat().st_size <= LARGEST_BYTES for file in files)
    assert "step 8999" in files[0].read_text()


def test_what_only_looks_makes_no_folder(tmp_path):
    with logging_to(tmp_path / "nowhere"):
        logging.getLogger("benchproof").info("nothing")

    assert not (tmp_path / "nowhere").exists()


def test_a_second_command_in_one_process_is_not_written_twice(tmp_path):
    for _ in range(2):
        with logging_to(tmp_path):
            logging.getLogger("benchproof").info("once")

    assert (tmp_path / NAME).read_text().count("once") == 2


def test_an_absence_is_named_by_its_member_wherever_it_lies():
    absent = {"kind": "absent", "why": "not permitted", "source": "/dev/S3RIAL", "detail": "secret"}
    evidence = {"drives": [{"serial": absent, "size": {"kind": "reading", "value": 3}}], "hidden": absent}

    assert list(absences(evidence)) == [("drives.serial", "not permitted"), ("hidden", "not permitted")]
