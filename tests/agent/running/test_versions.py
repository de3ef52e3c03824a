"""What made a report stands in every report: program, checks, kernel, image."""

import json
import platform
import re

import pytest

from agent.running.versions import program_version, versions
from checks.registry import CHECKS
from tests.support.bench import NUMBER, UNIT, bench_in

pytestmark = pytest.mark.usefixtures("spared_memory")


def test_program_kernel_and_every_check_with_its_judgement_are_named(tmp_path):
    found = versions(tmp_path / "no image")

    assert found.program == program_version()
    assert re.match(r"\d+\.\d+", found.program)
    assert (found.kernel, found.python) == (platform.release(), platform.python_version())
    assert found.checks == tuple(f"{each.id}@{each.judgement_version}" for each in CHECKS)
    assert found.image == ""


def test_the_image_is_the_one_that_was_booted(tmp_path):
    (tmp_path / "image").write_text("benchproof 0.1.0, 2026-11-25\n")

    assert versions(tmp_path / "image").image == "benchproof 0.1.0, 2026-11-25"


def test_a_report_tells_them_inside_its_signature(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("BENCHPROOF_BENCH", str(tmp_path / "bench"))
    bench = bench_in(tmp_path / "bench", lambda: capsys.readouterr().out)

    bench.type("run", NUMBER, "--rehearse", UNIT)

    now = versions()
    told = bench.report()["versions"]
    assert told["program"] == now.program
    assert told["kernel"] == now.kernel
    assert told["image"] == now.image
    assert told["checks"] == list(now.checks)
    assert "versions" in json.dumps({key: value for key, value in bench.report().items() if key != "proof"})
