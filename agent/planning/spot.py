"""An order made on the spot: `--worked memory,storage` on the unit that stands there."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from datetime import datetime

from agent.planning.mapcheck import generic_map
from checks.machine import Machine
from reports.errors import DocumentError, Fault, shown
from reports.model.evidence import Reading, Value
from reports.model.order import SCHEMA, Action, Condition, Form, Line, Order, Unit
from reports.model.servicemap import PartKind, ServiceMap

LARGEST = 40


def spot_order(
    worked: Sequence[str], form: Form, machine: Machine, now: datetime, technician: str = ""
) -> Order:
    """An order that says each part named in `worked` was refitted, for the unit of this machine.

    A name is the id of a part in the generic map of `form`, or a kind, which names every part of it.
    The unit's own serial, maker and product go in. Raises DocumentError where a name is neither.
    """
    service_map = generic_map(form)
    parts = dict.fromkeys(part for name in worked for part in _parts(name, service_map))
    found = machine.identity()
    unit = Unit(form, _text(found.serial), "", _text(found.maker), _text(found.product))
    return Order(
        schema=SCHEMA,
        number=f"SPOT-{now:%Y%m%d-%H%M%S}",
        ordered=f"{now:%Y-%m-%d}",
        unit=unit,
        complaint="none given: the order was made on the spot",
        lines=tuple(Line(part, Action.REFITTED, Condition.OWNERS) for part in parts),
        technician=technician,
    )


def _parts(name: str, service_map: ServiceMap) -> tuple[str, ...]:
    if name in {part.id for part in service_map.parts}:
        return (name,)
    if of_kind := tuple(part.id for part in service_map.parts if part.kind.value == name and name != "other"):
        return of_kind
    known = sorted({part.id for part in service_map.parts} | {kind.value for kind in PartKind} - {"other"})
    near = difflib.get_close_matches(name, known, n=1)
    raise DocumentError(
        "--worked",
        (
            Fault(
                "",
                f"no part or kind called {shown(name, LARGEST)}",
                ", ".join(known),
                reference="part-unknown",
                hint=f"did you mean {near[0]}?" if near else "",
            ),
        ),
    )


def _text(reading: object) -> str:
    """What the firmware says, as far as an order may hold it."""
    value: Value = reading.value if isinstance(reading, Reading) else ""
    return shown(str(value).strip(), LARGEST)
