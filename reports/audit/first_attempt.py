"""Checks that failed on the first attempt of a repair: how often, and how sure that is.

Rules of the count:

- the unit of count is the repair (one work order), however many checks or parts failed in it;
- a repair counts where its first attempt held a required finding of the group; a finding known at
  intake says nothing about the repair, nor does one that is not applicable;
- it counts as failed if one of them failed; as inconclusive if none failed and one could not be
  answered; else as sound. The rate is failed of answered (failed and sound): an unanswered check is
  not a pass, so it is left out of the rate and its share is shown beside it;
- rehearsals are counted only when asked for, and then alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby

from reports.archive.store import Archive, Counted
from reports.audit.intervals import Interval, wilson

CONFIDENCE = 0.95
FEW = 10
"""Below so many answered repairs a row is marked as few (common practice, no source)."""


class By(StrEnum):
    """What a table is grouped on."""

    PART_KIND = "part kind"
    CHECK = "check"


@dataclass(frozen=True, slots=True)
class Row:
    """One group. Counts are repairs; `*_reports` are the digests of the reports behind each count.

    `answered` is the denominator of `rate` and of `interval`, both None where it is 0.
    `inconclusive_share` is of all repairs counted in the group (`answered` + `inconclusive`).
    """

    group: str
    failed: int
    answered: int
    rate: float | None
    interval: Interval | None
    few: bool
    inconclusive: int
    inconclusive_share: float
    failed_reports: tuple[str, ...]
    answered_reports: tuple[str, ...]
    inconclusive_reports: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """The answer to one question. `repairs` counts the repairs in any row, each once."""

    question: str
    by: By
    rehearsals: bool
    confidence: float
    repairs: int
    rows: tuple[Row, ...]


def failed_first_attempt(
    archive: Archive, by: By | str = By.PART_KIND, *, rehearsals: bool = False, confidence: float = CONFIDENCE
) -> Table:
    """Repairs whose first attempt failed a required check, per group, most failures first.

    ValueError for an unknown `by`.
    """
    by = By(by)
    counted = archive.first_attempts(by.value, rehearsals=rehearsals)
    groups = groupby(counted, key=lambda each: each.group)
    rows = tuple(_row(group, tuple(members), confidence) for group, members in groups)
    return Table(
        question=f"repairs in which a required check failed on the first attempt, by {by.value}",
        by=by,
        rehearsals=rehearsals,
        confidence=confidence,
        repairs=len({each.order_number for each in counted}),
        rows=tuple(sorted(rows, key=lambda row: (-row.failed, -(row.rate or 0.0), row.group))),
    )


def _row(group: str, counted: tuple[Counted, ...], confidence: float) -> Row:
    failed = tuple(each.report for each in counted if each.failed)
    unanswered = tuple(each.report for each in counted if each.inconclusive and not each.failed)
    answered = tuple(each.report for each in counted if each.failed or not each.inconclusive)
    return Row(
        group=group,
        failed=len(failed),
        answered=len(answered),
        rate=len(failed) / len(answered) if answered else None,
        interval=wilson(len(failed), len(answered), confidence) if answered else None,
        few=len(answered) < FEW,
        inconclusive=len(unanswered),
        inconclusive_share=len(unanswered) / len(counted),
        failed_reports=failed,
        answered_reports=answered,
        inconclusive_reports=unanswered,
    )
