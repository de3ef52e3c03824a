"""Documents and values: what is refused, in which words, and that nothing is lost on the way."""

import copy
import json
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reports import codec
from reports.canonical import canonical
from reports.codec import (
    baseline_from,
    from_json,
    load_order,
    map_from,
    opened_from,
    order_from,
    parse,
    report_from,
    to_json,
)
from reports.errors import DocumentError
from reports.model import baseline, evidence, finding, order, record, servicemap
from reports.model.evidence import Absent, Answer, Reading, Series, Why
from tests.support import documents
from tests.support.documents import JSON, values

TODAY = date(2026, 3, 20)
BROKEN = Path(__file__).parent / "broken"
ROOT = Path(__file__).parents[2]

EXPECTED = {
    "binary": ("", "json-encoding"),
    "empty": ("", "file-empty"),
    "order-budget-true": ("/budget_minutes", "value"),
    "order-capacity-in-words": ("/lines/0/expected/capacity_bytes", "value"),
    "order-capacity-negative": ("/lines/0/expected/capacity_bytes", "value"),
    "order-capacity-zero": ("/lines/0/expected/capacity_bytes", "value"),
    "order-complaint-with-terminal-escape": ("/complaint", "value"),
    "order-customer-with-control-character": ("/customer/name", "value"),
    "order-cut-inside-a-text": ("", "json-truncated"),
    "order-date-in-the-future": ("/ordered", "date-future"),
    "order-date-not-in-the-calendar": ("/ordered", "date"),
    "order-duplicate-key": ("/lines/1/action", "json-duplicate"),
    "order-family-with-right-to-left-override": ("/unit/family", "value"),
    "order-infinity": ("/lines/0/expected/capacity_bytes", "json-number"),
    "order-integer-beyond-2-53": ("/lines/0/expected/capacity_bytes", "json-number"),
    "order-is-a-list": ("", "kind"),
    "order-is-a-map": ("/schema", "schema-kind"),
    "order-lines-is-an-object": ("/lines", "value"),
    "order-lone-surrogate": ("/complaint", "json-text"),
    "order-nested-too-deeply": ("", "json-depth"),
    "order-newer-schema": ("/schema", "schema-newer"),
    "order-not-a-number": ("/lines/0/expected/capacity_bytes", "json-number"),
    "order-not-utf-8": ("", "json-encoding"),
    "order-number-that-overflows": ("/lines/0/expected/capacity_bytes", "json-number"),
    "order-number-with-newline": ("/number", "value"),
    "order-number-with-path-separator": ("/number", "value"),
    "order-part-on-two-lines": ("/lines/2/part", "part-twice"),
    "order-part-with-path-separator": ("/lines/0/part", "value"),
    "order-serial-with-right-to-left-override": ("/unit/serial", "value"),
    "order-trailing-comma": ("", "json-syntax"),
    "order-truncated": ("", "json-truncated"),
    "order-unknown-action": ("/lines/0/action", "value"),
    "order-unknown-member": ("/complant", "unknown-member"),
    "order-unknown-schema": ("/schema", "schema-unknown"),
    "order-without-lines": ("/lines", "value"),
}


def faults_of(call, *arguments):
    with pytest.raises(DocumentError) as caught:
        call(*arguments)
    return caught.value.faults


@pytest.mark.parametrize("path", sorted(BROKEN.glob("*.json")), ids=lambda path: path.stem)
def test_each_broken_order_is_refused_for_its_own_defect(path):
    (fault,) = faults_of(load_order, path, TODAY)

    assert (fault.pointer, fault.reference) == EXPECTED[path.stem]
    assert re.fullmatch(r"[ -~]+", str(fault)), "plain text, safe for any terminal"


def test_every_broken_file_is_expected():
    assert {path.stem for path in BROKEN.glob("*.json")} == set(EXPECTED)


def test_every_fault_is_reported_together():
    broken = documents.order(
        number="a/b",
        ordered="2999-01-01",
        unit={"form": "box"},
        complaint="\x1b[2J",
        colour="blue",
        lines=[
            {"part": "fan", "action": "swapped", "expected": {"capacity_bytes": 0, "modules": 1.5}},
            {"part": "fan", "action": "serviced", "fitted": {"serial": 7}, "substitutes": "x"},
        ],
        budget_minutes=0,
        customer="A. Example",
    )
    del broken["schema"]
    broken = {"schema": "benchproof/order/1", **broken}

    faults = faults_of(order_from, broken, "order", TODAY)

    assert sorted(fault.pointer for fault in faults) == [
        "/budget_minutes",
        "/colour",
        "/complaint",
        "/customer",
        "/lines/0/action",
        "/lines/0/expected/capacity_bytes",
        "/lines/0/expected/modules",
        "/lines/1/fitted/serial",
        "/lines/1/part",
        "/lines/1/substitutes",
        "/number",
        "/ordered",
        "/unit",
        "/unit/form",
    ]


def test_a_fault_says_what_was_found_and_what_is_allowed():
    (fault,) = faults_of(order_from, documents.order(lines=[{"part": "fan", "action": "swapped"}]))

    assert str(fault) == (
        '/lines/0/action: "swapped"; allowed: "replaced", "refitted", "serviced" or "updated"'
    )


def test_a_newer_schema_asks_for_a_newer_stick():
    (fault,) = faults_of(order_from, documents.order(schema="benchproof/order/2"))

    assert "reads up to /1" in fault.found
    assert fault.hint == "update the stick"


def test_a_report_given_as_a_map_is_named():
    (fault,) = faults_of(map_from, documents.report())

    assert 'a record ("benchproof/record/1") where a service map belongs' in fault.found


def test_an_opened_record_is_no_report():
    (fault,) = faults_of(opened_from, documents.report())

    assert (fault.pointer, fault.allowed) == ("/type", '"opened"')


def test_an_opened_record_is_read_without_its_proof():
    opened = {
        "schema": "benchproof/record/1",
        "type": "opened",
        "source": "live",
        "chain": {"chain": "z6Mk:abc", "position": 0, "previous": ""},
        "order_number": "LM-2417",
        "order_digest": f"sha256:{'1' * 64}",
        "nonce": "0" * 32,
        "opened": "2026-03-16T10:00:00Z",
        "credential": {"name": "bench"},
    }

    assert opened_from(opened | {"proof": {}}) == from_json(opened, record.Opened)


def test_an_order_of_today_and_of_a_time_zone_ahead_is_good_and_two_days_ahead_is_not():
    assert order_from(documents.order(ordered="2026-03-20"), "order", TODAY)
    assert order_from(documents.order(ordered="2026-03-21"), "order", TODAY)

    (fault,) = faults_of(order_from, documents.order(ordered="2026-03-22"), "order", TODAY)

    assert fault.reference == "date-future"


def test_a_clock_set_back_by_a_new_board_does_not_refuse_good_orders(tmp_path, monkeypatch):
    class Clock(codec.datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(2015, 1, 1, tzinfo=tz)

    path = tmp_path / "order.json"
    path.write_text(json.dumps(documents.order()))
    monkeypatch.setattr(codec, "datetime", Clock)

    assert load_order(path).number == "LM-2417"


def test_a_baseline_of_tomorrow_week_is_refused():
    (fault,) = faults_of(baseline_from, documents.baseline(taken="2026-03-28T00:00:00Z"), "b", TODAY)

    assert (fault.pointer, fault.reference) == ("/taken", "date-future")


def test_a_map_may_not_outrank_the_order():
    limit = {"name": "minimum_rpm", "value": 1, "unit": "rpm", "origin": "order line"}
    part = documents.service_map()["parts"][0] | {"limits": [limit]}

    (fault,) = faults_of(map_from, documents.service_map(parts=[part]))

    assert fault.pointer == "/parts/0/limits/0/origin"


def test_a_cable_with_one_end_is_named():
    cable = {"id": "lead", "name": "lead", "serves": "fan"}
    cable["ends"] = [{"part": "fan", "connector": "plug and latch"}]

    (fault,) = faults_of(map_from, documents.service_map(cables=[cable]))

    assert (fault.pointer, fault.allowed) == ("/cables/0/ends", "a list of exactly 2")


def test_a_report_that_names_its_customer_is_refused():
    (fault,) = faults_of(report_from, documents.report(order=documents.order(customer={"name": "A."})))

    assert fault.pointer == "/order/customer"


def test_a_report_keeps_its_proof_out_of_the_value():
    signed = documents.report() | {"proof": {"type": "DataIntegrityProof"}}

    assert report_from(signed) == report_from(documents.report())


def test_a_series_with_an_unexplained_hole_is_refused():
    raw = {"kind": "series", "source": "fan", "unit": "rpm", "start_s": 0, "step_s": 1, "values": [1, None]}

    (fault,) = faults_of(from_json, raw, Series)

    assert "every missing sample needs a gap" in fault.found


def test_members_left_out_take_their_defaults():
    read = order_from(documents.order())

    assert read.budget_minutes == 10.0
    assert read.lines[0].condition is order.Condition.NEW
    assert read.customer is None


@pytest.mark.parametrize(
    ("cls", "read", "good"),
    [
        (order.Order, order_from, documents.order()),
        (servicemap.ServiceMap, map_from, documents.service_map()),
        (baseline.Baseline, baseline_from, documents.baseline()),
        (record.Report, report_from, documents.report()),
    ],
    ids=["order", "map", "baseline", "report"],
)
class TestEveryDocument:
    def test_is_what_it_was_after_writing_and_reading(self, cls, read, good):
        value = read(good)

        assert isinstance(value, cls)
        assert read(parse(json.dumps(to_json(value)).encode(), "d")) == value

    def test_is_what_it_was_after_canonical_json(self, cls, read, good):
        value = read(good)
        text = canonical(to_json(value))

        assert read(parse(text, "d")) == value
        assert canonical(to_json(read(parse(text, "d")))) == text

    @settings(max_examples=60, suppress_health_check=[HealthCheck.differing_executors])
    @given(data=st.data())
    def test_changed_anywhere_raises_nothing_but_a_document_error(self, cls, read, good, data):
        changed = copy.deepcopy(good)
        node = changed
        while isinstance(node, dict | list) and node:
            key = data.draw(st.sampled_from(list(node) if isinstance(node, dict) else range(len(node))))
            if not isinstance(node[key], dict | list) or not node[key] or data.draw(st.booleans()):
                node[key] = data.draw(JSON)
                break
            node = node[key]

        try:
            read(changed)
        except DocumentError as error:
            assert all(fault.found and fault.allowed for fault in error.faults)  # noqa: PT017


@given(raw=JSON)
def test_any_json_raises_nothing_but_a_document_error(raw):
    for read in (order_from, map_from, baseline_from, report_from):
        faults_of(read, raw)


CLASSES = [
    cls
    for module in (evidence, finding, order, servicemap, baseline, record)
    for cls in vars(module).values()
    if hasattr(cls, "__dataclass_fields__") and cls.__module__ == module.__name__
]


@pytest.mark.parametrize("cls", CLASSES, ids=lambda cls: cls.__name__)
@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow, HealthCheck.differing_executors])
@given(data=st.data())
def test_every_value_of_ours_survives_its_json(cls, data):
    value = data.draw(values(cls))
    raw = to_json(value)

    assert from_json(raw, cls) == value
    assert from_json(json.loads(json.dumps(raw)), cls) == value
    assert from_json(json.loads(canonical(raw)), cls) == value


@dataclass(frozen=True)
class Unusual:
    """Evidence of every shape that a check may have."""

    one: Reading
    either: Reading | Absent | None
    several: tuple[Reading | Absent, ...] | Absent
    inner: tuple[order.Piece, ...] | Absent
    pair: tuple[Reading, Answer]
    flag: bool = False


@given(values(Unusual))
def test_evidence_of_any_shape_survives_its_json(value):
    assert from_json(json.loads(json.dumps(to_json(value))), Unusual) == value


def test_a_leaf_says_what_it_is():
    assert to_json(Absent(Why.NOT_THERE, "hwmon")) == {
        "kind": "absent",
        "why": "not there",
        "source": "hwmon",
        "detail": "",
    }


def test_nothing_is_bent_to_fit():
    wrong = {"serial": 7, "part_number": None}

    faults = faults_of(from_json, wrong, order.Piece)

    assert [(fault.pointer, fault.found) for fault in faults] == [
        ("/serial", "7"),
        ("/part_number", "null"),
    ]


def test_true_is_no_number_and_1_is_not_true():
    assert faults_of(
        from_json, {"recess": "T5", "size": "M2", "length_mm": True, "count": 1}, servicemap.Fastener
    )
    assert faults_of(from_json, {"part": "fan", "connector": "press-on", "fixed": 1}, servicemap.End)


def test_an_absence_where_only_a_reading_may_stand_is_refused():
    judged = documents.report()["findings"][0]["judgement"] | {"measured": documents.absent()}

    (fault,) = faults_of(from_json, judged, finding.Judgement)

    assert fault.pointer == "/measured"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**53, "\ud800", {"a": "\udfff"}])
def test_what_json_cannot_hold_is_our_fault_and_loud(value):
    with pytest.raises(ValueError, match=r"JSON|2\^53|half"):
        to_json(value)


@pytest.mark.parametrize("path", sorted((ROOT / "agent" / "maps").glob("*.json")), ids=lambda path: path.stem)
def test_the_published_maps_fit_their_schema(path):
    assert codec.load_map(path).generic
