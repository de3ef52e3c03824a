"""What crosses from measuring to judging: a value, a series, an absence or a person's answer.

A check's evidence is a frozen dataclass built only of these four (and of tuples and frozen
dataclasses of them), so that one codec serves every check and "could not be measured" travels,
with its reason, from the kernel file to the printed page.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

LARGEST_INTEGER = 2**53 - 1
"""Integers beyond it have no exact JSON number everywhere (RFC 8785, 3.2.2.3): write them as text."""


class Why(StrEnum):
    """Why there is no reading. Closed: every reader chooses one of these."""

    NOT_THERE = "not there"
    NOT_PERMITTED = "not permitted"
    SWITCHED_OFF = "switched off"
    DID_NOT_ANSWER = "did not answer"
    NOT_UNDERSTOOD = "not understood"
    NOT_SUPPORTED = "not supported"


Value = bool | int | float | str


@dataclass(frozen=True, slots=True)
class Reading:
    """One value with its unit ("" for text and plain counts) and where it was read."""

    value: Value
    unit: str
    source: str

    def __post_init__(self) -> None:
        if isinstance(self.value, int) and abs(self.value) > LARGEST_INTEGER:
            raise ValueError(f"{self.source}: integers beyond 2^53 - 1 are kept as text")


@dataclass(frozen=True, slots=True)
class Absent:
    """No value, and why. `detail` holds the text that was not understood, or what would help."""

    why: Why
    source: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """A sample that could not be taken: its place in the series (from 0), and why."""

    index: int
    why: Why


@dataclass(frozen=True, slots=True)
class Series:
    """Samples at a steady step, oldest first; `None` exactly where a `Gap` says why.

    `start_s` is monotonic, seconds since the run began; sample i was taken at start_s + i * step_s.
    """

    source: str
    unit: str
    start_s: float
    step_s: float
    values: tuple[float | None, ...]
    gaps: tuple[Gap, ...] = ()

    def __post_init__(self) -> None:
        missing = {index for index, value in enumerate(self.values) if value is None}
        if missing != {gap.index for gap in self.gaps}:
            raise ValueError(f"{self.source}: every missing sample needs a gap that says why")

    @property
    def taken(self) -> tuple[float, ...]:
        """The samples that were taken, in order, without the gaps."""
        return tuple(value for value in self.values if value is not None)

    def at(self, index: int) -> float:
        """When sample `index` was taken, in seconds since the run began."""
        return self.start_s + index * self.step_s


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person said: the question, their words, and who they are (a technician's id)."""

    question: str
    words: str
    person: str


Datum = Reading | Series | Absent | Answer
