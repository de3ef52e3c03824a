"""What the processor calls itself (Linux, /proc/cpuinfo, proc(5)).

On x86 each hardware thread has a paragraph with `model name`, `physical id` (its package) and `core id`
(its core there). Where there are no core ids, each thread stands for a core. Other architectures name no
model there: it is absent.
"""

from __future__ import annotations

from typing import Final

from agent.machine.linux.files import Tree, known
from reports.model.evidence import Absent, Reading, Why

CPUINFO: Final = "/proc/cpuinfo"


def model(tree: Tree) -> Reading | Absent:
    """The model name, blanks squeezed; several different packages are joined by `and`."""
    threads = _threads(tree)
    if isinstance(threads, Absent):
        return threads
    names = dict.fromkeys(" ".join(thread.get("model name", "").split()) for thread in threads)
    return known(Reading(" and ".join(filter(None, names)), "", CPUINFO))


def cores(tree: Tree) -> Reading | Absent:
    """Physical cores that the kernel runs."""
    threads = _threads(tree)
    if isinstance(threads, Absent):
        return threads
    places = {
        (thread.get("physical id", ""), thread.get("core id", f"thread {thread['processor']}"))
        for thread in threads
    }
    return Reading(len(places), "", CPUINFO)


def _threads(tree: Tree) -> list[dict[str, str]] | Absent:
    text = tree.text(CPUINFO)
    if isinstance(text, Absent):
        return text
    paragraphs = [_members(block) for block in str(text.value).split("\n\n")]
    threads = [members for members in paragraphs if "processor" in members]
    return threads or Absent(Why.NOT_UNDERSTOOD, CPUINFO, str(text.value)[:80])


def _members(block: str) -> dict[str, str]:
    pairs = (line.partition(":") for line in block.splitlines())
    return {name.strip(): value.strip() for name, _, value in pairs}
