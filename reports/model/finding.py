"""Findings: verdict, evidence, limit with its origin, one sentence of reason, one of advice."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from reports.model.evidence import Reading, Value


class Verdict(StrEnum):
    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_APPLICABLE = "not applicable"


class Cannot(StrEnum):
    """Why a finding is inconclusive. Closed."""

    NOT_RUN = "not run"
    INTERRUPTED = "interrupted"
    PRECONDITION = "precondition"
    CRASHED = "crashed"
    NOT_PERMITTED = "not permitted"
    DID_NOT_ANSWER = "did not answer"
    NOT_UNDERSTOOD = "not understood"
    CANNOT_TELL = "cannot tell"
    REFERENCE_EXPIRED = "reference expired"


class Way(StrEnum):
    """How a check was answered, best first."""

    INSTRUMENT = "instrument"
    INFERRED = "inferred"
    OBSERVED = "observed"


class Stage(StrEnum):
    """When a check runs; the members stand in the order of the run."""

    REBUILD = "rebuild"
    INVENTORY = "inventory"
    POWERED = "powered"
    LOAD = "load"
    ATTENDED = "attended"
    HAND_OVER = "hand-over"


class Depth(StrEnum):
    """How far a part is tried; the members stand from shallow to deep."""

    PRESENCE = "presence"
    FUNCTION = "function"
    SUSTAINED = "sustained"


class Weight(StrEnum):
    REQUIRED = "required"
    ADVISORY = "advisory"


class Origin(StrEnum):
    """Where a limit comes from; an earlier member overrides a later one."""

    ORDER_LINE = "order line"
    SERVICE_MAP = "service map"
    RATING = "part's own rating"
    STANDARD = "published standard"
    BENCH = "bench reference"
    LEARNT = "shop's learnt limit"
    DEFAULT = "shop's default"
    BASELINE = "baseline"


@dataclass(frozen=True, slots=True)
class Limit:
    """One value that a judgement compares with, by name, with its unit and origin.

    A tuple of texts means "any of these". `note` says which line, clause or rating.
    """

    name: str
    value: Value | tuple[str, ...]
    unit: str
    origin: Origin
    note: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """Every limit a judgement is given: with the evidence, all of its input."""

    items: tuple[Limit, ...] = ()

    def get(self, name: str) -> Limit | None:
        """The limit called `name`, or None where nobody set one."""
        return next((limit for limit in self.items if limit.name == name), None)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a judge says of evidence. `cannot` is set exactly when the verdict is inconclusive.

    `reason` and `advice` are one sentence each, lower case, without a full stop; advice is empty
    on a pass. `way` is the way that decided, None where none answered.
    """

    verdict: Verdict
    reason: str
    advice: str = ""
    way: Way | None = None
    measured: Reading | None = None
    limit: Limit | None = None
    cannot: Cannot | None = None

    def __post_init__(self) -> None:
        if (self.verdict is Verdict.INCONCLUSIVE) != (self.cannot is not None):
            raise ValueError("a judgement says what it cannot, exactly when it is inconclusive")
        if self.verdict is Verdict.PASS and self.way is None:
            raise ValueError("a pass names the way that answered")


class How(StrEnum):
    """What happened to a part or cable on the way."""

    WORKED = "worked"
    CAME_OFF = "came off"
    UNPLUGGED = "unplugged"
    REROUTED = "rerouted"
    TRANSFERRED = "transferred"


@dataclass(frozen=True, slots=True)
class Link:
    """One link of the chain from a disturbed thing to the line of the order behind it.

    `thing` is a part or cable of the map and `name` its name. `end` names the part at whose end a
    cable was unplugged. `line` (from 1) and `action` are set on the last link, the worked part.
    """

    thing: str
    name: str
    how: How
    end: str = ""
    line: int | None = None
    action: str = ""


Chain = tuple[Link, ...]
"""From the thing itself to the worked part; empty for a part that nobody touched."""


def chain_words(chain: Chain) -> str:
    """`camera cable, main board end: unplugged with the main board, replaced on line 2`.

    Empty for an empty chain.
    """
    if not chain:
        return ""
    first, last = chain[0], chain[-1]
    origin = f"{last.action} on line {last.line}"
    if len(chain) == 1:
        return f"{first.name}: {origin}"
    end = f", {first.end} end" if first.end else ""
    then = ", ".join(
        f"which {'came off' if link.how is How.CAME_OFF else f'was {link.how}'} with the {following.name}"
        for link, following in itertools.pairwise(chain[1:])
    )
    steps = f", {then}" if then else ""
    return f"{first.name}{end}: {first.how} with the {chain[1].name}{steps}, {origin}"


@dataclass(frozen=True, slots=True)
class Suspect:
    """Where to look for the cause of a failure: a cable end, plug or part, cheapest access first.

    `thing` is a part or cable of the map; `reach` says in words what must come off to reach it,
    `removals` how many things that is.
    """

    thing: str
    name: str
    end: str
    connector: str
    place: str
    removals: int
    reach: str
    because: Chain


@dataclass(frozen=True, slots=True)
class Finding:
    """One check of one part, judged, with everything that the judge was given.

    `evidence` is JSON as `reports.codec.to_json` makes it of the check's evidence; it stays JSON
    here because only the check knows its type. `group` is the id (`check/part`) of the finding whose
    cause this one shares, empty where it stands alone. `began_s` is seconds since the run began.
    """

    check: str
    part: str
    part_name: str
    part_kind: str
    stage: Stage
    depth: Depth
    weight: Weight
    because: Chain
    limits: Limits
    evidence: Mapping[str, Any]
    judgement: Judgement
    judgement_version: int
    began_s: float
    took_s: float
    suspects: tuple[Suspect, ...] = ()
    group: str = ""
    known_at_intake: bool = False

    @property
    def id(self) -> str:
        """`check/part`, unique in a report."""
        return f"{self.check}/{self.part}"
