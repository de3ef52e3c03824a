"""Rehearsal unit files: JSON of schema `benchproof/rehearsal/1`, read strictly, every fault at once."""

from __future__ import annotations

import json
from pathlib import Path

from jsonschema import Draft202012Validator

from agent.machine.rehearsal.unit import SCHEMA_FILE, Unit
from reports.codec import from_json, read_json
from reports.errors import DocumentError, Fault, shown


def load_unit(path: Path) -> Unit:
    """The unit in the file at `path`; DocumentError where it is not one, each fault with its place."""
    raw = read_json(path, "rehearsal unit")
    document = f"rehearsal unit {path}"
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    errors = sorted(Draft202012Validator(schema).iter_errors(raw), key=lambda error: error.json_path)
    faults = tuple(
        Fault(_pointer(list(error.absolute_path)), shown(error.message, 200), _allowed(error.validator_value))
        for error in errors
    )
    if faults:
        raise DocumentError(document, faults)
    unit = from_json(raw, Unit)
    if faults := _contradictions(unit):
        raise DocumentError(document, faults)
    return unit


def _pointer(path: list[str | int]) -> str:
    return "".join(f"/{str(step).replace('~', '~0').replace('/', '~1')}" for step in path)


def _allowed(value: object) -> str:
    return shown(json.dumps(value), 120)


def _contradictions(unit: Unit) -> tuple[Fault, ...]:
    """What a schema cannot say: curves that rise, a processor sensor that exists, power limits in order."""
    faults = []
    for i, fan in enumerate(unit.blowers):
        steps = list(zip(fan.curve, fan.curve[1:], strict=False))
        if any(low[0] >= high[0] or low[1] > high[1] for low, high in steps):
            faults.append(
                Fault(f"/blowers/{i}/curve", "a curve that falls", "points of rising celsius and rpm")
            )
    if unit.processor_sensor not in {"", *(sensor.id for sensor in unit.thermometers)}:
        named = shown(unit.processor_sensor)
        faults.append(Fault("/processor_sensor", named, "the id of a thermometer, or nothing"))
    package = unit.package
    if not package.idle_w < package.sustained_w <= package.boost_w:
        faults.append(Fault("/package", "power limits out of order", "idle_w < sustained_w <= boost_w"))
    return tuple(faults)
