"""The orders on the stick, and which of them is for the unit that stands there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from checks.judging import same_text
from checks.placeholders import is_placeholder
from reports.codec import order_from, read_json
from reports.errors import DocumentError, shown
from reports.model.order import Order


@dataclass(frozen=True, slots=True)
class Offered:
    """An order in the file `path`; `fits`: it is for the serial that the unit tells."""

    path: Path
    order: Order
    fits: bool

    @property
    def words(self) -> str:
        """`LM-2417, Tarnwick Alcove 24, serial TA24-0417-2263: no picture`."""
        unit = self.order.unit
        what = " ".join(part for part in (unit.maker, unit.product) if part) or f"a {unit.form.value}"
        serial = f"serial {unit.serial}" if unit.serial else "no serial on it"
        return f"{self.order.number}, {what}, {serial}: {self.order.complaint}"


@dataclass(frozen=True, slots=True)
class Offer:
    """The orders, those for this unit first, then by number; `unusable` says what is wrong with others."""

    orders: tuple[Offered, ...]
    unusable: tuple[str, ...]

    @property
    def only_fit(self) -> Offered | None:
        """The one order for this unit; None where there is none or more than one."""
        fitting = [each for each in self.orders if each.fits]
        return fitting[0] if len(fitting) == 1 else None


def offer(folder: Path, serial: str) -> Offer:
    """Every order in `folder`; `serial` is what the unit says, which may be blank or a placeholder.

    Their dates may be any: whether the unit's clock is right is not known.
    """
    orders, unusable = list[Offered](), list[str]()
    for path in _order_files(folder):
        try:
            order = order_from(read_json(path, "work order"), f"work order {path.name}")
        except DocumentError as error:
            more = f" (and {len(error.faults) - 1} more)" if len(error.faults) > 1 else ""
            unusable.append(f"{shown(path.name)} cannot be used: {error.faults[0]}{more}")
            continue
        orders.append(Offered(path, order, _fits(order, serial)))
    orders.sort(key=lambda each: (not each.fits, each.order.number))
    return Offer(tuple(orders), tuple(unusable))


def _order_files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.glob("*.json")):
        if not path.name.endswith(".baseline.json"):
            yield path


def _fits(order: Order, serial: str) -> bool:
    return not is_placeholder(serial) and same_text(order.unit.serial, serial)


def matching(orders: Iterable[Offered], words: str) -> tuple[Offered, ...]:
    """The orders that hold every one of `words`, in any case and order."""
    wanted = words.casefold().split()
    return tuple(each for each in orders if all(word in each.words.casefold() for word in wanted))


def numbered(orders: Sequence[Offered], typed: str) -> Offered | None:
    """The order of the number that was typed, from 1; None where it is no number of the list."""
    if typed.isascii() and typed.isdecimal() and 1 <= int(typed[:9]) <= len(orders):
        return orders[int(typed) - 1]
    return None
