"""What the judges of readings share: how an absence becomes a judgement, and how names are compared.

A judge asks in this order: a fault that was seen is a fault, even beside missing readings; then anything
missing is inconclusive, with why; the pass comes last, with nothing left to doubt.
"""

from __future__ import annotations

from collections.abc import Iterable

from reports.errors import shown
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Cannot, Judgement, Limit, Limits, Verdict, Way

CRAFT = "common practice, no source"

CANNOT = {
    Why.NOT_THERE: Cannot.CANNOT_TELL,
    Why.NOT_PERMITTED: Cannot.NOT_PERMITTED,
    Why.SWITCHED_OFF: Cannot.PRECONDITION,
    Why.DID_NOT_ANSWER: Cannot.DID_NOT_ANSWER,
    Why.NOT_UNDERSTOOD: Cannot.NOT_UNDERSTOOD,
    Why.NOT_SUPPORTED: Cannot.CANNOT_TELL,
}
"""What a finding cannot, for each reason that a reading is absent."""

_HELP = {
    Why.NOT_THERE: "look at the part by hand, and accept it by name if it is in order",
    Why.NOT_PERMITTED: "run again as root",
    Why.SWITCHED_OFF: "switch it on and run again",
    Why.DID_NOT_ANSWER: "run again, and look at the part by hand if it stays silent",
    Why.NOT_UNDERSTOOD: "keep the report, look at the part by hand, and send us what was not understood",
    Why.NOT_SUPPORTED: "look at the part by hand, and accept it by name if it is in order",
}


def failed(
    reason: str,
    advice: str,
    measured: Reading | None = None,
    limit: Limit | None = None,
    way: Way = Way.INSTRUMENT,
) -> Judgement:
    """A fault that was seen."""
    return Judgement(Verdict.FAIL, reason, advice, way, measured, limit)


def passed(
    reason: str, measured: Reading | None = None, limit: Limit | None = None, way: Way = Way.INSTRUMENT
) -> Judgement:
    """Measured, and nothing left to doubt."""
    return Judgement(Verdict.PASS, reason, "", way, measured, limit)


def cannot_tell(
    reason: str,
    advice: str,
    cannot: Cannot = Cannot.CANNOT_TELL,
    *,
    measured: Reading | None = None,
    limit: Limit | None = None,
    way: Way | None = None,
) -> Judgement:
    """Inconclusive, with what would help, and what was measured so far."""
    return Judgement(Verdict.INCONCLUSIVE, reason, advice, way, measured, limit, cannot)


def unread(what: str, absent: Absent, advice: str = "") -> Judgement:
    """Inconclusive because `what` is absent; the advice is that of its reason unless given."""
    detail = f", {shown(absent.detail)}" if absent.detail else ""
    return cannot_tell(
        f"{what} could not be read: {absent.why}{detail}", advice or _HELP[absent.why], CANNOT[absent.why]
    )


def no_driver(thing: str, model: str, driver: Absent, advice: str, owner: str = "") -> Judgement:
    """`thing` answers on its bus and no driver took it, or it could not be read whether one did.

    `owner` is what the driver is called after, `thing` unless told.
    """
    if driver.why is not Why.NOT_THERE:
        return unread(f"the {owner or thing}'s driver", driver)
    named = f": {model}" if model else ""
    return cannot_tell(f"the {thing} answers on its bus, and no driver took it{named}", advice)


def not_applicable(reason: str, measured: Reading | None = None, way: Way | None = None) -> Judgement:
    """This hardware cannot have it."""
    return Judgement(Verdict.NOT_APPLICABLE, reason, "", way, measured)


_WORST_FIRST = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS, Verdict.NOT_APPLICABLE)


def worst(judgements: Iterable[Judgement]) -> Judgement:
    """Of several of the same sort, the one that decides, the first of equals; ValueError for none."""
    return min(judgements, key=lambda judgement: _WORST_FIRST.index(judgement.verdict))


def without(limits: Limits, *names: str) -> Judgement | None:
    """Inconclusive where one of the limits is not there: a report that lost it proves nothing."""
    lost = [name for name in names if limits.get(name) is None]
    if not lost:
        return None
    reason = f"the limits to judge by are not there: {', '.join(lost)}"
    return cannot_tell(reason, "ask for the report as it was signed", Cannot.NOT_UNDERSTOOD)


def text(value: Reading | Absent) -> str:
    """What a reading says, safe to print and short; "" where there is none."""
    return shown(str(value.value).strip(), 40) if isinstance(value, Reading) else ""


def number(limit: Limit) -> float:
    """The value of a limit that is a number; TypeError where it is none."""
    if isinstance(limit.value, (str, tuple)):
        raise TypeError(f"the limit {limit.name} is not a number")
    return float(limit.value)


def number_of(limits: Limits, name: str) -> float:
    """The value of the limit `name`; TypeError where it is not there or no number."""
    limit = limits.get(name)
    if limit is None:
        raise TypeError(f"the limit {name} is not there")
    return number(limit)


def words(limit: Limit) -> tuple[str, ...]:
    """The texts of a limit, any of which will do."""
    return limit.value if isinstance(limit.value, tuple) else (str(limit.value),)


def named(limits: Limits, prefix: str) -> tuple[Limit, ...]:
    """Every limit whose name begins with `prefix`: those that exist once for each line of the order."""
    return tuple(limit for limit in limits.items if limit.name.startswith(prefix))


def same_text(one: str, other: str) -> bool:
    """Whether two texts have the same letters and digits, whatever their case; blank ones never do."""
    return bool(_plain(one)) and _plain(one) == _plain(other)


def same_name(one: str, other: str) -> bool:
    """Whether two serials, part numbers or products are one, however they were written down.

    A label and the part itself often give one of them with more before or after it, set off by a blank
    or a sign (`AB-1234567` and `1234567`; common practice, no source), so one may be whole words of the
    other; below six characters that says nothing, and they must be the same.
    """
    if same_text(one, other):
        return True
    shorter, longer = sorted((_pieces(one), _pieces(other)), key=len)
    size = len(shorter)
    runs = (longer[start : start + size] for start in range(len(longer) - size + 1))
    return len("".join(shorter)) >= 6 and shorter in runs


def _plain(name: str) -> str:
    return "".join(_pieces(name))


def _pieces(name: str) -> list[str]:
    """The runs of letters and digits, case folded."""
    return "".join(char if char.isalnum() else " " for char in name.casefold()).split()
