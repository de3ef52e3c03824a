"""One line of the table: what was measured, beside its reference."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """`measured` and `reference` in `unit`.

    The goal, if there is one: `most` of the unit, or `least` of the reference. `ratio`: where it is not that
    of the two figures, as the median over several turns.
    """

    what: str
    measured: float
    reference: float
    unit: str
    against: str
    most: float | None = None
    least: float | None = None
    ratio: float | None = None

    def line(self) -> str:
        ratio = self.measured / self.reference if self.ratio is None else self.ratio
        measured, reference = (f"{value:.4g} {self.unit}" for value in (self.measured, self.reference))
        return (
            f"{self.what:<44} {measured:>14} {reference:>14} {ratio:>8.2f}   "
            f"{self._goal(ratio)}reference: {self.against}"
        )

    def _goal(self, ratio: float) -> str:
        if self.most is not None:
            return f"{_met(self.measured <= self.most)}: at most {self.most:.4g} {self.unit}; "
        if self.least is not None:
            return f"{_met(ratio >= self.least)}: at least {self.least:g} of it; "
        return ""


def _met(well: bool) -> str:
    return "met" if well else "MISSED"
