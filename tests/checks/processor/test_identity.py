"""Processors: one that nobody ordered, and cores that do not start."""

from __future__ import annotations

import pytest

from checks.processor.identity import IDENTITY, ORDERED, OTHER
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, judged, laptop, part, processor, replaced, said, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

PROCESSOR = PartKind.PROCESSOR


def of_map(**limits):
    """A part whose map gives these limits."""
    given = (Limit(name, value, "", Origin.SERVICE_MAP) for name, value in limits.items())
    return part(PROCESSOR, limits=tuple(given))


def identity(*lines, person=None, about=None, **changes):
    machine = laptop(processor=processor(**changes))
    return judged(IDENTITY, machine, subject(PROCESSOR, *lines, about=about), person)[0]


@shows("processor.identity", PASSES)
def test_the_processor_of_the_map_passes():
    judgement = identity(about=of_map(model="HG four", cores=4))

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)


@shows("processor.identity", FAILS)
def test_another_processor_than_that_of_the_map_fails():
    judgement = identity(about=of_map(model="HG eight"))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "the processor is HG four, not HG eight"


def test_a_processor_that_a_person_did_not_order_fails():
    judgement = identity(replaced("processor"), person=Bench({"processor.ordered": OTHER}))

    assert (judgement.verdict, judgement.way) == (Verdict.FAIL, Way.OBSERVED)


def test_a_processor_that_a_person_knows_as_ordered_passes():
    judgement = identity(replaced("processor"), person=Bench({"processor.ordered": ORDERED}))

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.OBSERVED)


@shows("processor.identity", BOUNDARY)
@pytest.mark.parametrize(("cores", "verdict"), [(4, Verdict.PASS), (3, Verdict.FAIL)])
def test_one_core_too_few_fails(cores, verdict):
    assert identity(about=of_map(cores=4), cores=said(cores)).verdict is verdict


@shows("processor.identity", CANNOT)
@pytest.mark.parametrize("member", ["model", "cores"])
def test_a_processor_that_does_not_say_is_inconclusive(member):
    judgement = identity(**{member: absent(Why.NOT_UNDERSTOOD, "?")})

    assert judgement.cannot is Cannot.NOT_UNDERSTOOD


def test_a_processor_put_in_that_nobody_can_name_is_not_passed():
    assert identity(replaced("processor")).cannot is Cannot.CANNOT_TELL


def test_an_untouched_processor_needs_no_answer_and_a_miscount_is_only_told():
    person = Bench()
    judgement = identity(person=person, socket_cores=said(6))

    assert judgement.verdict is Verdict.PASS
    assert "4 cores run, the firmware counts 6" in judgement.reason
    assert person.asked == []
