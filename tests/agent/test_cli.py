"""The command line: one clear sentence and the right status for whatever it is given."""

import io
import json
import os
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from agent.cli import main
from agent.exits import MEANING, Exit, exit_of_run
from reports.chain import follow
from reports.codec import to_json
from reports.keys import fingerprint, throw_away
from reports.model.record import Source
from reports.model.verdict import UnitVerdict
from reports.proof import sign

pytestmark = pytest.mark.usefixtures("spared_memory")

DEMO = Path(__file__).parents[2] / "agent" / "demo"
MAP = str(DEMO / "map.json")
UNIT = str(DEMO / "unit.json")
RAW = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


@pytest.fixture
def demo_order():
    return json.loads((DEMO / "order.json").read_text())


@pytest.fixture
def typed(tmp_path, monkeypatch, capsys):
    """Type a command in an empty folder; gives its status and all that it printed."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHPROOF_BENCH", str(tmp_path / "bench"))

    def type_it(*words):
        try:
            status = main([str(word) for word in words])
        except SystemExit as left:
            status = left.code
        printed = capsys.readouterr()
        text = printed.out + printed.err
        assert "Traceback" not in text
        assert not list(tmp_path.glob("benchproof-fault-*")), text
        return status, text

    return type_it


def written(tmp_path, order, name="order.json"):
    path = tmp_path / name
    path.write_text(json.dumps(order))
    return path


@pytest.fixture(scope="session")
def demonstrated(tmp_path_factory):
    """The folder of one demonstration, for tests that only read it."""
    out = tmp_path_factory.mktemp("demo")
    assert main(["demo", "--out", str(out)]) == 0
    return out


# -- orders ------------------------------------------------------------------------------------------


def changed(*path, to):
    def change(order):
        *way, last = path
        for step in way:
            order = order[step]
        order[last] = to

    return change


BAD_ORDERS = {
    "wrong type": (changed("lines", to="main-board"), "/lines"),
    "newer schema": (changed("schema", to="benchproof/order/2"), "newer"),
    "unknown part": (changed("lines", 0, "part", to="main-bord"), "main-board"),
    "nearly a family": (changed("unit", "family", to="tarnwick-alcove-42"), "/unit/family"),
    "capacity 0": (
        changed("lines", 0, "expected", to={"capacity_bytes": 0}),
        "/lines/0/expected/capacity_bytes",
    ),
    "negative capacity": (changed("lines", 0, "expected", to={"capacity_bytes": -8}), "capacity_bytes"),
    "date in the future": (changed("ordered", to="2999-01-01"), "/ordered"),
    "terminal escape": (changed("complaint", to="\x1b[2Jgone"), "/complaint"),
    "right-to-left override": (changed("complaint", to="abc\u202etxt"), "/complaint"),
    "path separator": (changed("number", to="../../etc/passwd"), "/number"),
    "form of another unit": (changed("unit", "form", to="laptop"), "/unit/form"),
}


@pytest.mark.parametrize("case", BAD_ORDERS)
def test_a_faulty_order_is_refused_with_its_place(case, typed, tmp_path, demo_order):
    change, place = BAD_ORDERS[case]
    change(demo_order)

    status, text = typed("plan", written(tmp_path, demo_order), "--map", MAP)

    assert status == Exit.BAD_DOCUMENT
    assert place in text
    assert not RAW.search(text)


BAD_FILES = {
    "missing": None,
    "empty": b"",
    "binary": bytes(range(256)),
    "truncated": b'{"schema": "benchproof/order/1", "num',
    "duplicate keys": b'{"schema": "benchproof/order/1", "number": "1", "number": "2"}',
    "not a number": b'{"schema": "benchproof/order/1", "budget_minutes": NaN}',
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_a_file_that_is_no_order_is_refused_in_a_sentence(case, typed, tmp_path):
    path = tmp_path / "order.json"
    if BAD_FILES[case] is not None:
        path.write_bytes(BAD_FILES[case])

    status, text = typed("run", path)

    assert status == Exit.BAD_DOCUMENT
    assert "order.json" in text


def test_a_directory_is_no_order(typed, tmp_path):
    (tmp_path / "folder").mkdir()

    assert typed("plan", tmp_path / "folder")[0] == Exit.BAD_DOCUMENT


def test_a_file_of_200_megabytes_is_refused_without_being_read(typed, tmp_path):
    with (tmp_path / "huge.json").open("wb") as huge:
        huge.truncate(200 << 20)

    status, text = typed("plan", tmp_path / "huge.json")

    assert status == Exit.BAD_DOCUMENT
    assert "MiB" in text


def test_a_cyclic_map_is_named_with_its_circle(typed, tmp_path, demo_order):
    service_map = json.loads(Path(MAP).read_text())
    next(part for part in service_map["parts"] if part["id"] == "stand-cap")["before"] = ["stand"]
    path = written(tmp_path, service_map, "map.json")

    status, text = typed("map", "check", path)
    assert status == Exit.BAD_DOCUMENT
    assert re.search(r"stand(-cap)? -> stand(-cap)? -> stand", re.sub(r"\s+", " ", text))


def test_an_order_for_another_serial_stops_before_anything_runs(typed, tmp_path, demo_order):
    demo_order["unit"]["serial"] = "TA24-0000-0000"
    demo_order["lines"] = demo_order["lines"][1:]  # without the main board, whose tables may be blank

    order = written(tmp_path, demo_order)
    status, text = typed("run", order, "--map", MAP, "--rehearse", UNIT, "--out", tmp_path / "out")

    assert status == Exit.BAD_DOCUMENT
    assert "TA24-0000-0000" in text
    assert "TA24-0417-2263" in text
    assert not (tmp_path / "out").exists()


def test_an_unknown_fault_names_the_known_ones(typed):
    status, text = typed("run", DEMO / "order.json", "--map", MAP, "--rehearse", UNIT, "--fault", "gremlin")

    assert status == Exit.BAD_DOCUMENT
    assert "fan-plug-loose" in text


def test_an_order_is_made_by_answering_and_can_be_planned(typed, tmp_path, monkeypatch):
    answers = ["LM-1", "", "desktop", "tower", "", "S-1", *[""] * 4, "no sound", "t-07", "", "", ""]
    line = ["memroy", "memory", "replaced", *[""] * 15]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join([*answers, *line, ""]) + "\n"))

    status, text = typed("order", "new")

    assert status == Exit.DONE
    assert "not a part of this unit" in text
    assert typed("plan", "LM-1")[0] == Exit.DONE


def test_an_order_whose_answers_end_half_way_is_not_written(typed, tmp_path, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("LM-1\n"))

    assert typed("order", "new")[0] == Exit.BAD_DOCUMENT
    assert not list(tmp_path.rglob("*.json"))


def test_orders_are_made_from_a_table(typed, tmp_path):
    (tmp_path / "week.csv").write_text(
        "number,form,serial,part,action\nLM-1,laptop,S-1,memory,replaced\nLM-2,tower,S-2,storage,replaced\n"
    )

    status, text = typed("order", "new", "--from", tmp_path / "week.csv", "--out", tmp_path / "orders")

    assert status == Exit.DONE, text
    assert sorted(path.name for path in (tmp_path / "orders").iterdir()) == ["LM-1.json", "LM-2.json"]


# -- runs --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("faults", "status", "word"),
    [
        ((), Exit.REHEARSAL_READY, "VERDICT: READY"),
        (("--fault", "camera-ribbon-off"), Exit.REHEARSAL_NOT_READY, "VERDICT: HOLD"),
    ],
)
def test_a_rehearsal_has_exit_statuses_of_its_own(faults, status, word, typed, tmp_path):
    out = tmp_path / "out"

    got, text = typed("run", DEMO / "order.json", "--map", MAP, "--rehearse", UNIT, "--out", out, *faults)

    assert got == status
    assert word in text
    assert sorted(path.name for path in out.iterdir()) == ["opened.json", "page.html", "report.json"]


def test_a_folder_with_something_in_it_is_not_written_into(typed, tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report.json").write_text("mine")

    status, _ = typed("run", DEMO / "order.json", "--map", MAP, "--rehearse", UNIT, "--out", tmp_path / "out")

    assert status == Exit.BAD_DOCUMENT
    assert (tmp_path / "out" / "report.json").read_text() == "mine"


def test_this_computer_can_be_run_on_without_an_order(typed, tmp_path):
    out = tmp_path / "out"

    status, _ = typed(
        "run", "--worked", "memory,storage", "--unattended", "--out", out, "--technician", "t-07"
    )

    assert status in (Exit.DONE, Exit.HOLD, Exit.INCOMPLETE)
    report = json.loads((out / "report.json").read_text())
    assert report["source"] == "live"
    assert report["technician"] == "t-07"
    assert {step["check"] for step in report["plan"]} >= {"memory.capacity", "storage.present"}


def test_a_part_nobody_knows_is_named_with_the_nearest_one(typed):
    status, text = typed("run", "--worked", "memroy", "--unattended")

    assert status == Exit.BAD_DOCUMENT
    assert "did you mean memory?" in text


def test_a_bench_signs_with_its_key_and_each_attempt_is_chained_to_the_one_before(typed, tmp_path):
    keys = tmp_path / "bench" / "keys"
    (tmp_path / "words").write_text("bono rupo tede loti fubo nege\n")
    assert typed("keys", "init", "--passphrase-file", tmp_path / "words")[0] == Exit.DONE
    run = ("run", "--worked", "storage", "--unattended", "--passphrase-file", tmp_path / "words")
    typed(*run)
    typed(*run)

    first, second = sorted((tmp_path / "bench" / "reports").iterdir())
    assert first.name.startswith("0001-SPOT")
    opened = json.loads((second / "opened.json").read_text())
    assert opened["chain"]["position"] == 2
    status, text = typed("verify", second / "report.json", "--trust", keys / "trust.txt")
    assert status == Exit.DONE
    assert "bench (bench)" in text


def test_a_wrong_passphrase_is_one_sentence_and_nothing_runs(typed, tmp_path):
    (tmp_path / "words").write_text("bono rupo tede loti fubo nege\n")
    (tmp_path / "wrong").write_text("not these words\n")
    typed("keys", "init", "--passphrase-file", tmp_path / "words")

    status, text = typed(
        "run", "--worked", "storage", "--unattended", "--passphrase-file", tmp_path / "wrong"
    )

    assert status == Exit.BAD_DOCUMENT
    assert "passphrase" in text


def test_an_attempt_that_was_cut_off_is_told_to_the_next(typed, tmp_path):
    run = ("run", "--worked", "storage", "--unattended")
    typed(*run)
    (folder,) = (tmp_path / "bench" / "reports").iterdir()
    (folder / "report.json").unlink()

    assert "was cut off" in typed(*run)[1]


# -- proofs ------------------------------------------------------------------------------------------


def no_proof(report):
    del report["proof"]


def two_proofs(report):
    report["proof"] = [report["proof"], report["proof"]]


def unknown_suite(report):
    report["proof"]["cryptosuite"] = "eddsa-jcs-2199"


def wrong_role(report):
    report["credential"]["role"] = "office"


def another_verdict(report):
    report["verdict"] = "ready"


@pytest.mark.parametrize("spoil", [no_proof, two_proofs, unknown_suite, wrong_role, another_verdict])
def test_a_report_that_was_spoilt_is_refused(spoil, typed, tmp_path, demonstrated):
    report = json.loads((demonstrated / "hold" / "report.json").read_text())
    spoil(report)

    status, text = typed("verify", written(tmp_path, report), "--trust", demonstrated / "trust.txt")

    assert status == Exit.PROOF_REFUSED
    assert "REFUSED" in text


def test_a_report_of_another_shop_is_refused(typed, demonstrated):
    foreign = "0123-" * 15 + "4567"

    assert typed("verify", demonstrated / "hold" / "report.json", "--trust", foreign)[0] == Exit.PROOF_REFUSED


def test_verifying_without_saying_whom_to_trust_is_wrong_usage(typed, demonstrated):
    assert typed("verify", demonstrated / "hold" / "report.json")[0] == Exit.BAD_DOCUMENT


def test_verify_speaks_json_to_other_programs(typed, demonstrated):
    status, text = typed(
        "verify", demonstrated / "ready" / "report.json", "--trust", demonstrated / "trust.txt", "--json"
    )

    assert status == Exit.DONE
    assert {finding["outcome"] for finding in json.loads(text)["findings"]} == {"follows"}


# -- the office --------------------------------------------------------------------------------------


def test_rehearsals_are_in_no_audit_unless_asked_for(typed, tmp_path, demonstrated):
    trust = ("--trust", demonstrated / "trust.txt")
    reports = (demonstrated / "hold" / "report.json", demonstrated / "ready" / "report.json")
    assert typed("archive", "add", *reports, *trust)[0] == Exit.DONE

    assert json.loads(typed("audit", "--json")[1])["rows"] == []
    rows = json.loads(typed("audit", "--rehearsals", "--json")[1])["rows"]
    assert {row["group"]: row["failed"] for row in rows}["fan"] == 1


def test_what_is_no_report_is_kept_aside_and_the_rest_is_filed(typed, tmp_path, demonstrated):
    (tmp_path / "a.json").write_text("{")

    status, text = typed(
        "archive", "add", tmp_path / "a.json", demonstrated / "hold" / "report.json",
        "--trust", demonstrated / "trust.txt",
    )  # fmt: skip

    assert status == Exit.PROOF_REFUSED
    assert "REFUSED" in text
    assert "FILED" in text


# -- the tool ----------------------------------------------------------------------------------------


def test_a_medium_that_cannot_be_written_is_named(typed, tmp_path):
    if os.geteuid() == 0:
        target = Path("/proc/nowhere")
    else:
        target = tmp_path / "locked"
        target.mkdir(mode=0o500)

    status, text = typed("demo", "--out", target / "demo")

    assert status == Exit.BAD_DOCUMENT
    assert "Cannot write" in text


def test_a_fault_of_ours_is_saved_named_and_has_its_own_status(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("agent.commands.plan.plan", lambda options: 1 / 0)

    assert main(["plan", "x"]) == Exit.OUR_FAULT
    (saved,) = tmp_path.glob("benchproof-fault-*.txt")
    assert saved.name in capsys.readouterr().err.replace("\n", "")
    assert "ZeroDivisionError" in saved.read_text()


@pytest.mark.parametrize(
    ("verdict", "source", "ended_by", "status"),
    [
        (UnitVerdict.READY, Source.LIVE, "", 0),
        (UnitVerdict.READY_WITH_CONCESSIONS, Source.LIVE, "", 0),
        (UnitVerdict.HOLD, Source.LIVE, "", 1),
        (UnitVerdict.INCOMPLETE, Source.LIVE, "", 3),
        (UnitVerdict.HOLD, Source.LIVE, "stopped for safety: hot", 5),
        (UnitVerdict.READY, Source.REHEARSAL, "", 6),
        (UnitVerdict.HOLD, Source.REHEARSAL, "", 7),
        (UnitVerdict.INCOMPLETE, Source.RECORDED, "", 7),
    ],
)
def test_each_verdict_has_its_status(verdict, source, ended_by, status):
    assert exit_of_run(verdict, source, ended_by) == status


def test_help_and_readme_give_the_same_table_of_statuses(typed):
    readme = (Path(__file__).parents[2] / "README.md").read_text()

    for status, meaning in MEANING.items():
        assert f"| {status.value} | {meaning} |" in readme
        assert f"{status.value} " in typed("--help")[1]


def test_a_signed_finding_that_does_not_follow_is_refused_and_says_who_signed_it(
    typed, tmp_path, demonstrated
):
    bench = throw_away(datetime.now(UTC))
    report = json.loads((demonstrated / "hold" / "report.json").read_text())
    del report["proof"]
    report["credential"] = bench.credential
    report["chain"] = to_json(follow(None, bench.credential))
    finding = next(each for each in report["findings"] if each["check"] == "fan.spin")
    finding["judgement"] |= {"verdict": "pass", "reason": "the fan turns", "way": "instrument"}
    path = written(tmp_path, sign(report, bench.signer, datetime.now(UTC).replace(microsecond=0)))

    status, text = typed("verify", path, "--trust", fingerprint(bench.root_multikey))

    assert status == Exit.PROOF_REFUSED
    assert "do not follow from their evidence: fan.spin/fan" in text.replace("\n", " ").replace("  ", " ")
    assert "throw-away key (bench)" in text
