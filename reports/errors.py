"""Errors as values: fields first, text second.

Two kinds, told apart by who can do something about them: a `DocumentError` is for whoever wrote the
order, map, baseline or key file; a `VerificationError` is for whoever received a report. The text is
lower case and without a full stop, so that errors can be joined. Text that came from a document goes
through `shown` first: control characters, escapes and direction marks never reach a terminal raw.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Final

_UNSAFE: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def shown(text: str, limit: int = 80) -> str:
    """`text` safe to print: unsafe characters as \\u escapes, cut at `limit` characters with `...`.

    Unsafe are the Unicode categories control, format (direction marks among them), surrogate,
    private, unassigned, and the line and paragraph separators.
    """
    safe = "".join(
        f"\\u{ord(char):04x}" if unicodedata.category(char) in _UNSAFE else char for char in text[: limit + 1]
    )
    return safe if len(safe) <= limit else f"{safe[: limit - 3]}..."


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a document.

    `pointer` is a JSON pointer (RFC 6901), of a table the row and column, empty for the whole document;
    `found` what stands there, `allowed` what may, `hint` what to do; `reference` a short name of the kind
    of fault (`map-cycle`).
    """

    pointer: str
    found: str
    allowed: str
    reference: str = "document"
    hint: str = ""

    def __str__(self) -> str:
        place = f"{shown(self.pointer, 200)}: " if self.pointer else ""
        hint = f"; {self.hint}" if self.hint else ""
        return f"{place}{self.found}; allowed: {self.allowed}{hint}"


class DocumentError(Exception):
    """A work order, map, baseline or key file is wrong: every fault at once, each with its place.

    `document` says what it is ("work order orders/1.json"). Never empty.
    """

    def __init__(self, document: str, faults: tuple[Fault, ...]) -> None:
        if not faults:
            raise ValueError("a document error has at least one fault")
        self.document = document
        self.faults = faults
        super().__init__("; ".join(f"{shown(document, 200)}: {fault}" for fault in faults))


class VerificationError(Exception):
    """A report, record or credential does not verify. One subclass per numbered step of the list.

    `reference` is a short name (`proof-missing`), `what` was found, `why` it matters or what it means,
    `hint` what to do next.
    """

    reference = "verification"

    def __init__(self, what: str, *, why: str = "", hint: str = "") -> None:
        self.what = what
        self.why = why
        self.hint = hint
        super().__init__("; ".join(part for part in (what, why, hint) if part))
