"""Where a limit comes from: the first origin that sets it wins."""

from __future__ import annotations

from reports.model.finding import Limit, Limits, Origin

_PRECEDENCE = {origin: rank for rank, origin in enumerate(Origin)}


def strongest(*candidates: Limit | None) -> Limits:
    """Of the candidates, for each name the one whose origin comes first in `Origin`; order kept.

    Two candidates of one name and one origin: the earlier one.
    """
    chosen: dict[str, Limit] = {}
    for limit in candidates:
        if limit is None:
            continue
        held = chosen.get(limit.name)
        if held is None or _PRECEDENCE[limit.origin] < _PRECEDENCE[held.origin]:
            chosen[limit.name] = limit
    return Limits(tuple(chosen.values()))
