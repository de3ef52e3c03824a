"""March tests over the memory that is free, on all processors.

Each worker (`agent.machine.workers`) takes a region of its own (`agent.machine.region`) and marches over it
round by round; the parent hears of bad words as they are found. A region is as large as memory allows and
never smaller than eight times the last-level cache, as long as fewer workers help: in a smaller one the
cache would answer for the memory. A worker ends its trial in order when

- its rounds are done, or its time is;
- it is told to stop (a hot unit, say), or has found enough;
- the system has less memory left than the floor, or the region was swapped.

It then tells how far it came. One that ends without a word was ended by the kernel; its rounds do not count.
"""

from __future__ import annotations

import json
import os
import select
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from typing import Any, Final

from agent.machine import region
from agent.machine.linux import cpucache, meminfo, pagemap
from agent.machine.linux.files import Tree
from agent.machine.workers import PATIENCE_S, START_S, STOP, Lease, Worker, renewed, say, settle, worker
from checks.measures.march import MARCH_C_MINUS, ROUNDS, Round, Runs, Wrong, march, passes, table
from reports.model.evidence import Absent, Reading, Why

CACHES: Final = 8
"""A region holds so many times what the last-level cache does: at most an eighth is answered by it."""

OVERHEAD: Final = 32 << 20
"""Bytes of a worker beside its region (measured: 19 MB of its own, and 12 MB that workers share)."""

LEAST_LEFT: Final = 96 << 20
"""Bytes that the system keeps in any case; the floor of a small machine (no source)."""

LOOK_S: Final = 0.1
KEPT: Final = 16
"""Bad words that a worker names; how many there are it counts on."""
ENOUGH: Final = 100_000
"""Wrong readings after which more would tell nothing new."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How much is tried: the share of what is free, how many of `ROUNDS`, for how long at most."""

    share: float
    rounds: int
    seconds: float


@dataclass(frozen=True, slots=True)
class BadWord:
    """A word that read wrong: byte `offset` in its region and `physical` address, then 64 bits each."""

    offset: int
    physical: Reading | Absent
    expected: int
    read: int


@dataclass(frozen=True, slots=True)
class Trial:
    """How far the trial came. `rounds` were done by every worker; `ended` is why not all were, or ""."""

    available: Reading
    cache: Reading | Absent
    regions: tuple[int, ...]
    locked: bool
    rounds: int
    wrong: int
    words: tuple[BadWord, ...]
    ended: str


Watch = Callable[[float], bool]
"""Told about once a second what share of the trial is done; False ends it."""


def trial(tree: Tree, asked: Asked, watch: Watch, processors: tuple[int, ...] = ()) -> Trial | Absent:
    """Try the memory that is free; Absent where the kernel does not say how much that is."""
    available, cache = meminfo.available(tree), cpucache.last_level(tree)
    if isinstance(available, Absent):
        return available
    processors = processors or tuple(sorted(os.sched_getaffinity(0)))
    size, helpers = divided(int(available.value), asked.share, len(processors), cache)
    floor = max(LEAST_LEFT, int(available.value) // 20)
    with ExitStack() as stack:
        workers = tuple(
            stack.enter_context(worker("agent.machine.pattern", *_arguments(processor, size, floor, asked)))
            for processor in processors[:helpers]
        )
        stack.enter_context(renewed(workers))
        heard = _followed(workers, watch, asked.seconds)
    return _told(available, cache, heard)


def divided(available: int, share: float, processors: int, cache: Reading | Absent) -> tuple[int, int]:
    """Bytes of each region, and how many there are."""
    least = CACHES * int(cache.value) if isinstance(cache, Reading) else available
    helpers = min(processors, max(1, (int(available * share) - LEAST_LEFT) // (least + OVERHEAD)))
    budget = min(int(available * share), available - LEAST_LEFT - helpers * OVERHEAD)
    return max(budget // helpers, 1 << 20), helpers


def _arguments(processor: int, size: int, floor: int, asked: Asked) -> tuple[str, ...]:
    return tuple(map(str, (processor, size, floor, asked.rounds, asked.seconds)))


# -- the parent ----------------------------------------------------------------------------------------


@dataclass
class _Heard:
    """What one worker said so far; `ended` None: it still works."""

    buffer: bytes = b""
    region: int = 0
    locked: bool = False
    rounds: int = 0
    done: float = 0.0
    wrong: int = 0
    words: list[BadWord] = field(default_factory=list)
    ended: str | None = None

    def take(self, data: bytes) -> None:
        if not data:
            self.ended = self.ended if self.ended is not None else "a worker was ended by the system"
            return
        *lines, self.buffer = (self.buffer + data).split(b"\n")
        for line in lines:
            self._understand(json.loads(line))

    def _understand(self, said: Mapping[str, Any]) -> None:
        if "word" in said:
            offset, where, expected, read = said["word"]
            self.words.append(BadWord(offset, _physical(where), expected, read))
            return
        for name, value in said.items():
            setattr(self, name, value)


def _physical(told: int | str) -> Reading | Absent:
    if isinstance(told, str):
        return Absent(Why(told), pagemap.PAGEMAP)
    return Reading(told, "bytes", pagemap.PAGEMAP)


def _followed(workers: tuple[Worker, ...], watch: Watch, seconds: float) -> tuple[_Heard, ...]:
    heard = {_pipe(each): _Heard() for each in workers}
    began, next_look, stopping_until = time.monotonic(), 0.0, float("inf")
    while working := [pipe for pipe, each in heard.items() if each.ended is None]:
        now = time.monotonic()
        if now > stopping_until:
            break
        if now >= next_look:
            next_look = now + 1.0
            going = watch(min(1.0, sum(each.done for each in heard.values()) / len(heard)))
            if stopping_until == float("inf") and (not going or now > began + seconds + START_S):
                say(workers, STOP)
                stopping_until = now + PATIENCE_S + START_S
        ready, _, _ = select.select(working, [], [], max(next_look - time.monotonic(), 0.0))
        for pipe in ready:
            heard[pipe].take(os.read(pipe, 1 << 16))
    return tuple(heard.values())


def _pipe(it: Worker) -> int:
    assert it.stdout is not None
    return it.stdout.fileno()


def _told(available: Reading, cache: Reading | Absent, heard: tuple[_Heard, ...]) -> Trial:
    reasons = [each.ended if each.ended is not None else "a worker did not answer" for each in heard]
    return Trial(
        available=available,
        cache=cache,
        regions=tuple(each.region for each in heard),
        locked=all(each.locked for each in heard),
        rounds=min(each.rounds for each in heard),
        wrong=sum(each.wrong for each in heard),
        words=tuple(word for each in heard for word in each.words)[:KEPT],
        ended=next(filter(None, reasons), ""),
    )


# -- the worker ----------------------------------------------------------------------------------------


class Ended(Exception):
    """The trial ends here, in order."""


class LeaseLost(Exception):
    """The parent is gone, or was late for long."""


@dataclass
class Tried:
    """A worker's trial of its table; `tell` takes what the parent should know."""

    table: Runs
    tell: Callable[[Mapping[str, Any]], None]
    look: Callable[[], None]
    """Called every `LOOK_S`; raises `Ended` or `LeaseLost`."""
    tree: Tree = field(default_factory=Tree)
    wrong: int = 0
    named: set[int] = field(default_factory=set)
    swept: int = 0
    _next_look: float = 0.0

    def run(self, rounds: tuple[Round, ...]) -> None:
        """Every round, whole; `Ended` in between says why not."""
        plan = passes(MARCH_C_MINUS, rounds)
        whole = max(1, self.table.nbytes // 8 * len(plan))

        def went(words: int) -> None:
            self.swept += words
            self._look_when_due(self.swept / whole)

        march(self.table, plan, self._report, went, self._rest, lambda done: self.tell({"rounds": done}))

    def _look_when_due(self, done: float) -> None:
        if time.monotonic() >= self._next_look:
            self._next_look = time.monotonic() + LOOK_S
            self.look()
            self.tell({"done": round(done, 4), "wrong": self.wrong})
            if self.wrong >= ENOUGH:
                raise Ended("enough bad words were found")

    def _rest(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            self.look()
            time.sleep(min(left, LOOK_S))

    def _report(self, wrong: Wrong) -> None:
        self.wrong += max(1, len(wrong.places))
        for place, expected, read in zip(wrong.places, wrong.expected, wrong.read, strict=True):
            if len(self.named) >= KEPT:
                return
            if int(place) not in self.named:
                self.named.add(int(place))
                self.tell({"word": self._word(int(place), int(expected), int(read))})

    def _word(self, place: int, expected: int, read: int) -> tuple[Any, ...]:
        where = pagemap.physical(int(self.table.ctypes.data) + place * 8, self.tree)
        told = int(where.value) if isinstance(where, Reading) else where.why.value
        return place * 8, told, expected, read


def work(processor: int, size: int, floor: int, rounds: int, seconds: float) -> None:
    """The worker's life: take a region, try it, tell how far it came."""
    settle(processor)
    region.prepare(size)
    tree, lease, until = Tree(), Lease(), time.monotonic() + seconds

    def look() -> None:
        if not lease.holds():
            raise LeaseLost
        if lease.stop:
            raise Ended("it was told to stop")
        if time.monotonic() >= until:
            raise Ended("its time was up")
        if not region.enough(tree, floor // 2):
            raise Ended("the system ran short of memory")
        if region.swapped(tree):
            raise Ended("the memory under trial was swapped out")

    try:
        held = region.taken(size, floor, tree, look)
        tried = Tried(table(held.words), _tell, look)
        _tell({"region": tried.table.nbytes, "locked": held.locked})
        tried.run(ROUNDS[:rounds])
        _tell({"wrong": tried.wrong, "ended": ""})
    except Ended as end:
        _tell({"ended": str(end)})
    except MemoryError:
        _tell({"ended": "no memory was to be had"})
    except LeaseLost:
        with suppress(BrokenPipeError):
            _tell({"ended": "the program did not renew it in time"})


def _tell(said: Mapping[str, Any]) -> None:
    os.write(1, json.dumps(said).encode() + b"\n")


if __name__ == "__main__":
    _processor, _size, _floor, _rounds = map(int, sys.argv[1:5])
    work(_processor, _size, _floor, _rounds, float(sys.argv[5]))
