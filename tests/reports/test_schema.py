"""The published schemas: valid themselves, and saying exactly what the values of the model hold."""

import json
from dataclasses import MISSING, fields, is_dataclass
from enum import StrEnum

import pytest
from jsonschema import Draft202012Validator

from reports.model import baseline, bench, evidence, finding, order, record, servicemap, verdict
from reports.schema import NAMES, SCHEMAS
from reports.typed import KINDS

FILES = {path.stem: json.loads(path.read_text()) for path in SCHEMAS.glob("*.json")}
DEFS, MAP, BASELINE, RECORD = (FILES[name] for name in ("defs", "map", "baseline", "record"))
BENCH = FILES["bench-reference"]

OBJECTS = {
    order.Order: DEFS["$defs"]["order"],
    order.Unit: DEFS["$defs"]["unit"],
    order.Piece: DEFS["$defs"]["piece"],
    order.Expected: DEFS["$defs"]["expected"],
    order.Line: DEFS["$defs"]["line"],
    order.Customer: DEFS["$defs"]["customer"],
    evidence.Reading: DEFS["$defs"]["reading"],
    evidence.Absent: DEFS["$defs"]["absent"],
    evidence.Series: DEFS["$defs"]["series"],
    evidence.Gap: DEFS["$defs"]["gap"],
    evidence.Answer: DEFS["$defs"]["answer"],
    finding.Limit: DEFS["$defs"]["limit"],
    finding.Limits: DEFS["$defs"]["limits"],
    finding.Judgement: DEFS["$defs"]["judgement"],
    finding.Link: DEFS["$defs"]["link"],
    finding.Suspect: DEFS["$defs"]["suspect"],
    finding.Finding: DEFS["$defs"]["finding"],
    record.Identity: DEFS["$defs"]["identity"],
    record.Position: RECORD["$defs"]["position"],
    record.Versions: RECORD["$defs"]["versions"],
    record.ClockNote: RECORD["$defs"]["clock"],
    record.MapNote: RECORD["$defs"]["map_note"],
    record.BaselineNote: RECORD["$defs"]["baseline_note"],
    record.BenchNote: RECORD["$defs"]["bench_note"],
    bench.BenchReference: BENCH,
    bench.AccessPoint: BENCH["$defs"]["access_point"],
    record.PlannedStep: RECORD["$defs"]["planned_step"],
    record.Opened: RECORD["$defs"]["opened"],
    record.Report: RECORD["$defs"]["attempt"],
    servicemap.ServiceMap: MAP,
    servicemap.Place: MAP["$defs"]["place"],
    servicemap.Part: MAP["$defs"]["part"],
    servicemap.Fastener: MAP["$defs"]["fastener"],
    servicemap.End: MAP["$defs"]["end"],
    servicemap.Cable: MAP["$defs"]["cable"],
    servicemap.TestPoint: MAP["$defs"]["test_point"],
    baseline.Baseline: BASELINE,
    baseline.Noted: BASELINE["$defs"]["noted"],
    baseline.Device: BASELINE["$defs"]["device"],
    baseline.Inside: BASELINE["$defs"]["inside"],
    baseline.Settings: BASELINE["$defs"]["settings"],
    baseline.ThermalContact: BASELINE["$defs"]["contact"],
}
ENUMS = {
    cls
    for module in (baseline, bench, evidence, finding, order, record, servicemap, verdict)
    for cls in vars(module).values()
    if isinstance(cls, type) and issubclass(cls, StrEnum) and cls is not StrEnum
}
NOT_IN_DOCUMENTS = {record.RecordType: "the schema has the types that have a body yet"}


@pytest.mark.parametrize("name", FILES)
def test_a_schema_is_valid_json_schema_2020_12(name):
    Draft202012Validator.check_schema(FILES[name])

    assert FILES[name]["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert FILES[name]["$id"] == f"benchproof/{name}/1"


def test_every_kind_of_document_has_a_schema():
    assert set(FILES) == {"defs", *NAMES}


@pytest.mark.parametrize("cls", OBJECTS, ids=lambda cls: cls.__name__)
def test_the_members_are_those_of_the_value(cls):
    schema = OBJECTS[cls]
    kind = {"kind"} if cls in KINDS else set()
    needed = {f.name for f in fields(cls) if f.default is MISSING and f.default_factory is MISSING}

    assert set(schema["properties"]) - {"proof"} == {field.name for field in fields(cls)} | kind
    assert set(schema["required"]) == needed | kind
    assert schema["additionalProperties"] is False


def test_every_value_of_the_model_has_a_schema():
    modules = (baseline, bench, evidence, finding, order, record, servicemap)
    values = [value for module in modules for value in vars(module).values()]
    classes = {value for value in values if isinstance(value, type) and is_dataclass(value)}

    assert classes == set(OBJECTS)


def closed_lists(node):
    """Every `enum` in a schema, without null and the empty text."""
    if isinstance(node, dict):
        if isinstance(node.get("enum"), list):
            yield frozenset(node["enum"]) - {None, ""}
        for child in node.values():
            yield from closed_lists(child)
    elif isinstance(node, list):
        for child in node:
            yield from closed_lists(child)


@pytest.mark.parametrize("cls", sorted(ENUMS - set(NOT_IN_DOCUMENTS), key=lambda cls: cls.__name__))
def test_each_closed_list_of_the_model_is_one_of_the_schemas(cls):
    lists = set(closed_lists(list(FILES.values())))

    assert frozenset(member.value for member in cls) in lists


def test_each_closed_list_of_the_schemas_is_one_of_the_model():
    known = {frozenset(member.value for member in cls) for cls in ENUMS}
    types = {frozenset({"opened", "attempt"}), frozenset(KINDS.values()), frozenset({"reading", "absent"})}

    assert set(closed_lists(list(FILES.values()))) <= known | types
    assert {"opened", "attempt"} <= {member.value for member in record.RecordType}


def test_every_text_has_a_longest_and_every_list_too():
    for name, node in walk(list(FILES.values())):
        if node.get("type") == "array":
            assert "maxItems" in node, (name, node)
        if "$ref" in node and node["$ref"].endswith(("/text", "/read_text")):
            assert "maxLength" in node, (name, node)


def walk(node, name=""):
    if isinstance(node, dict):
        yield name, node
        for key, child in node.items():
            yield from walk(child, key)
    elif isinstance(node, list):
        for child in node:
            yield from walk(child, name)
