"""What the owner should expect at the next start: a sentence or two from the lines of the order.

Common practice, no source: firmware that changed can make an encrypted drive ask for its recovery
key; memory that changed is tried out at the first start; settings go with the board's cell.
"""

from __future__ import annotations

from typing import Final

from reports.model.order import Action, Contents, Line
from reports.model.record import Report

USUAL = "Nothing unusual: it should start as it did before."

_KEY = (
    "If your drive is encrypted, the computer may ask for the recovery key at the next start: have it at "
    "hand before you switch on."
)
_BOARD = "Date, time and start-up settings may have gone back to those of the maker."
_MEMORY = "The first start can take a few minutes, with a dark screen, while the memory is tried out."
_COOLING = "The fan may sound different from before."
_BATTERY = "The battery gauge may need a few full charges before it is right."
_BLANK = "The drive is empty: a system has to be put on it before the computer starts by itself."
_IMAGED = (
    "The drive holds a fresh system: the first start asks you to set it up, and your files are not on it."
)

_BY_KIND: Final[dict[str, tuple[str, ...]]] = {
    "board": (_KEY, _BOARD),
    "memory": (_MEMORY,),
    "processor": (_KEY, _COOLING),
    "fan": (_COOLING,),
    "thermal": (_COOLING,),
    "battery": (_BATTERY,),
}


def expectations(report: Report) -> tuple[str, ...]:
    """Sentences for the owner, in the order of the lines, each once; never empty."""
    kinds = {finding.part: finding.part_kind for finding in report.findings}
    told = [words for line in report.order.lines for words in _of_line(line, kinds.get(line.part, ""))]
    return tuple(dict.fromkeys(told)) or (USUAL,)


def _of_line(line: Line, kind: str) -> tuple[str, ...]:
    if line.contents is Contents.BLANK:
        return (_BLANK,)
    if line.contents is Contents.IMAGED:
        return (_IMAGED,)
    told = _BY_KIND.get(kind, ())
    if line.action is Action.REFITTED:  # the same part came back: what it knows came back with it
        return tuple(words for words in told if words not in (_KEY, _BATTERY))
    return told
