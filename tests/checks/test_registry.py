"""The registry: ids that are unique and speak of their kind; findings judged again from the report alone."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from checks import registry
from checks.camera import presence
from checks.memory import modules
from checks.registry import CHECKS, check, checks_for, gathered, rejudge
from reports.codec import to_json
from reports.model.finding import Cannot, Finding, Judgement, Limits, Stage, Verdict, Weight
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, laptop, subject
from tests.support.shows import Shown

HERE = Path(__file__).parent
PROJECT = HERE.parents[1]


def test_ids_are_unique_and_name_their_kind():
    ids = [each.id for each in CHECKS]

    assert len(ids) == len(set(ids)) > 0
    assert all(each.id.startswith(f"{each.kind}.") for each in CHECKS)


def test_two_checks_with_one_id_do_not_load():
    with pytest.raises(ValueError, match=r"camera\.present: two checks have this id"):
        gathered((presence, presence))


@pytest.mark.parametrize("id", ["present", "memory.present", "camera.", "camera"])
def test_an_id_of_another_kind_does_not_load(id):
    wrong = SimpleNamespace(CHECKS=(replace(presence.PRESENT, id=id),))

    with pytest.raises(ValueError, match=r"a check of camera is called camera\.<aspect>"):
        gathered((wrong,))


def test_a_need_that_is_no_check_does_not_load():
    wrong = SimpleNamespace(CHECKS=(replace(presence.PRESENT, needs=("fan.spn",)),))

    with pytest.raises(ValueError, match=r"needs fan\.spn, which is no check"):
        gathered((wrong,))


def test_checks_are_found_by_id_and_by_kind():
    assert check("memory.capacity") is modules.CAPACITY
    assert checks_for(PartKind.MEMORY) == (
        *modules.CHECKS,
        check("memory.pattern"),
        check("memory.counters"),
        check("memory.same"),
    )
    assert checks_for(PartKind.OTHER) == ()
    with pytest.raises(KeyError):
        check("memory.smell")


def test_the_table_names_every_module_with_checks():
    with_checks = {
        ".".join(path.relative_to(PROJECT).with_suffix("").parts)
        for path in (PROJECT / "checks").rglob("*.py")
        if "\nCHECKS = " in path.read_text()
    }

    assert {module.__name__ for module in registry.MODULES} == with_checks


def test_every_check_describes_itself():
    for each in CHECKS:
        assert each.asks.endswith("?")
        assert each.catches
        assert each.source
        assert each.ways
        assert each.walk_away_s <= each.deadline_s


THAT_ONLY_READ = {
    "memory": ("capacity", "modules", "counters"),
    "storage": ("present", "link"),
    "wireless": ("present", "scan", "antennas", "bluetooth"),
    "thermal": ("plausible",),
    "processor": ("identity",),
    "board": ("identity", "firmware", "clock", "counters", "tpm", "start", "settings"),
    "graphics": ("present",),
    "display": ("panel", "backlight"),
    "ports": ("network",),
    "battery": ("present", "wear", "charging"),
    "charger": ("mains",),
    "audio": ("codec",),
    **dict.fromkeys(("camera", "microphone", "touch", "keyboard", "pointer"), ("present",)),
    **dict.fromkeys(("buttons", "lid", "readers"), ("present",)),
}
"""Every aspect of the design's table that needs no load and no hand."""


@pytest.mark.parametrize("kind", THAT_ONLY_READ)
def test_what_only_reads_is_asked_at_the_inventory(kind):
    stages = {aspect: check(f"{kind}.{aspect}").stage for aspect in THAT_ONLY_READ[kind]}

    assert set(stages.values()) == {Stage.INVENTORY}


def shown() -> Iterator[tuple[str, str]]:
    """What the tests of this folder say they show: (check id, `Shown` member)."""
    for path in sorted(HERE.rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                for mark in node.decorator_list:
                    if isinstance(mark, ast.Call) and getattr(mark.func, "id", "") == "shows":
                        id, what = mark.args
                        assert isinstance(id, ast.Constant)
                        assert isinstance(what, ast.Name)
                        yield str(id.value), what.id


@pytest.mark.parametrize("id", [each.id for each in CHECKS])
def test_every_check_is_shown_passing_failing_on_its_boundary_and_unable_to_measure(id):
    found = {what for check_id, what in shown() if check_id == id}

    assert found == {member.name for member in Shown}


def test_nothing_is_shown_of_a_check_that_does_not_exist():
    assert {id for id, _ in shown()} <= {each.id for each in CHECKS}


# -- judging again --------------------------------------------------------------------------------------


def finding(id: str = "camera.present", **facts) -> Finding:
    it = check(id)
    about = subject(it.kind)
    evidence = it.measure(laptop(**facts), about, Bench())
    limits = it.limits(about)
    return Finding(
        check=id,
        part=about.part.id,
        part_name=about.part.name,
        part_kind=it.kind.value,
        stage=it.stage,
        depth=it.depth,
        weight=Weight.REQUIRED,
        because=(),
        limits=limits,
        evidence=to_json(evidence),
        judgement=it.judge(evidence, limits),
        judgement_version=it.judgement_version,
        began_s=0.0,
        took_s=1.0,
    )


INVENTORY = [each.id for each in CHECKS if each.kind not in (PartKind.FAN, PartKind.THERMAL)]


@pytest.mark.parametrize("id", INVENTORY)
def test_a_finding_follows_from_its_evidence(id):
    assert rejudge(finding(id)) == finding(id).judgement


def test_a_finding_that_was_changed_does_not_follow():
    failed = finding(cameras=())
    claimed = replace(failed, judgement=finding().judgement)

    assert rejudge(claimed) == failed.judgement
    assert rejudge(claimed).verdict is Verdict.FAIL


def test_an_unknown_check_and_another_judgement_version_are_not_repeated():
    assert rejudge(replace(finding(), check="camera.smell")) is None
    assert rejudge(replace(finding(), judgement_version=2)) is None


@pytest.mark.parametrize(
    "evidence",
    [
        {},
        {"cameras": []},
        {"cameras": [], "fitted": 7},
        {"cameras": [{"id": "a"}], "fitted": None},
        {**to_json({"cameras": []}), "fitted": {"kind": "absent", "why": "no such reason", "source": ""}},
    ],
)
def test_nothing_but_inconclusive_follows_from_evidence_of_another_shape(evidence):
    judgement = rejudge(replace(finding(), evidence=evidence))

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert judgement.cannot is Cannot.NOT_UNDERSTOOD


def test_limits_that_the_judge_cannot_take_stop_nothing():
    broken = finding("memory.capacity")
    words = replace(broken.limits.items[0], value=("a", "b"))

    judgement = rejudge(replace(broken, limits=Limits((words,))))

    assert judgement.cannot is Cannot.NOT_UNDERSTOOD
    assert "TypeError" in judgement.reason


@pytest.mark.parametrize("cannot", sorted(registry.UNJUDGED))
def test_a_check_that_was_kept_from_its_judge_stays_as_the_run_left_it(cannot):
    kept = Judgement(Verdict.INCONCLUSIVE, "the run was stopped", "run again", cannot=cannot)

    assert rejudge(replace(finding(), evidence={}, judgement=kept)) == kept
