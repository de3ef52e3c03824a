"""The memory that a control group still lets its processes have.

Version 2: `memory.max`, `memory.current` (Linux, Documentation/admin-guide/cgroup-v2.rst); version 1:
`memory.limit_in_bytes`, `memory.usage_in_bytes` (admin-guide/cgroup-v1/memory.rst). Pages of files that
nobody has used lately (`inactive_file`) are given back before anything is refused. Every group up to the
root of the tree bounds what is below it. In a container the path that the kernel names may not be visible;
then the visible root of the tree is asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Reading

MEMBERSHIP: Final = "/proc/self/cgroup"
ROOT: Final = "/sys/fs/cgroup"


@dataclass(frozen=True, slots=True)
class _Names:
    limit: str
    usage: str
    inactive: str


_V2: Final = _Names("memory.max", "memory.current", "inactive_file")
_V1: Final = _Names("memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file")


def headroom(tree: Tree) -> Reading | None:
    """Bytes that the tightest group leaves; None where no group bounds this process."""
    rooms = [room for folder, names in _groups(tree) if (room := _room(tree, folder, names)) is not None]
    return min(rooms, key=lambda room: int(room.value), default=None)


def _groups(tree: Tree) -> Iterator[tuple[str, _Names]]:
    membership = tree.text(MEMBERSHIP)
    if not isinstance(membership, Reading):
        return
    for line in str(membership.value).splitlines():
        number, controllers, path = (*line.split(":", 2), "", "")[:3]
        if number == "0" and not controllers:
            yield from ((folder, _V2) for folder in _upwards(ROOT, path))
        elif "memory" in controllers.split(","):
            yield from ((folder, _V1) for folder in _upwards(f"{ROOT}/memory", path))


def _upwards(root: str, path: str) -> Iterator[str]:
    parts = [part for part in path.split("/") if part not in ("", "..")]
    for length in range(len(parts), -1, -1):
        yield "/".join((root, *parts[:length]))


def _room(tree: Tree, folder: str, names: _Names) -> Reading | None:
    """None where the group has no limit, or is not there to be read."""
    limit, usage = tree.integer(f"{folder}/{names.limit}"), tree.integer(f"{folder}/{names.usage}")
    if not isinstance(limit, Reading) or not isinstance(usage, Reading):
        return None
    if int(limit.value) >= 1 << 50:  # version 1 writes "no limit" as a huge number of pages
        return None
    left = int(limit.value) - int(usage.value) + _inactive(tree, folder, names)
    return Reading(max(left, 0), "bytes", f"{folder}/{names.limit}")


def _inactive(tree: Tree, folder: str, names: _Names) -> int:
    stat = tree.text(f"{folder}/memory.stat")
    found = (
        re.search(rf"^{names.inactive} (\d+)$", str(stat.value), re.MULTILINE)
        if isinstance(stat, Reading)
        else None
    )
    return int(found[1]) if found else 0
