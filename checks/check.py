"""A check: one question about one part, how it is measured, how it is judged.

Measuring and judging stay apart. `measure` asks a `Machine` and returns frozen evidence; `judge` is
pure: the same evidence and limits give the same judgement for ever, within one `judgement_version`,
so that anyone can repeat it from the report alone. Measuring goes way by way: a person is asked only
where the better ways did not answer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from checks.machine import Machine, Session
from reports.model.baseline import Baseline
from reports.model.bench import BenchReference
from reports.model.finding import Depth, Judgement, Limit, Limits, Stage, Way
from reports.model.order import Line, Order
from reports.model.servicemap import Part, PartKind

E = TypeVar("E")


@dataclass(frozen=True, slots=True)
class Subject:
    """The part a check is about, and what the documents say of it.

    `line` is its line of the order, None unless it is worked. `peers` are all parts of its kind in the
    map, itself included. `depth` is how far the plan wants it tried. `worked` are all parts of the map
    that stand on a line of the order. `reference` is that of the bench.
    """

    part: Part
    order: Order
    depth: Depth
    line: Line | None = None
    peers: tuple[Part, ...] = ()
    baseline: Baseline | None = None
    worked: tuple[Part, ...] = ()
    reference: BenchReference | None = None

    def given(self, *names: str) -> tuple[Limit, ...]:
        """What the service map says of the part under `names`."""
        return tuple(limit for limit in self.part.limits if limit.name in names)

    def given_of_kind(self, *names: str) -> tuple[Limit, ...]:
        """What it says under `names` of any part of the kind, this part's own first."""
        parts = (self.part, *self.peers)
        return tuple(limit for part in parts for limit in part.limits if limit.name in names)


@dataclass(frozen=True, slots=True)
class Check(Generic[E]):
    """One check; the plan, the documentation, the report and the audit read the same record.

    `id` is `<part kind>.<aspect>`. `depth` is the shallowest depth at which the plan includes it.
    `limits` gathers every limit the judge will need from the subject. `needs` names checks that must
    not have failed, anywhere on the unit, before this one may act (safety); with `spares`, on the same part,
    so that a part near its end is not driven further. One that `on_request` is planned only where it says
    so of the subject. `hands_on_s` and
    `walk_away_s` are what the plan budgets; past `deadline_s` the run gives it up. A check of the
    `whole_unit` (memory capacity, identity, heat) is planned once, however many parts of its kind. One that
    `compares` with the baseline is planned, and required, where the unit ran at intake.
    """

    id: str
    kind: PartKind
    asks: str
    catches: str
    source: str
    stage: Stage
    depth: Depth
    ways: tuple[Way, ...]
    evidence: type[E]
    limits: Callable[[Subject], Limits]
    measure: Callable[[Machine, Subject, Session], E]
    judge: Callable[[E, Limits], Judgement]
    judgement_version: int = 1
    needs: tuple[str, ...] = ()
    hands_on_s: float = 0.0
    walk_away_s: float = 1.0
    deadline_s: float = 60.0
    whole_unit: bool = False
    compares: bool = False
    spares: bool = False
    on_request: Callable[[Subject], bool] | None = None
