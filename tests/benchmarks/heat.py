"""How hard the load works a processor, beside what its matrix library can do at most.

Billion operations a second over all cores, by processor time: another program on a core changes it little.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from contextlib import ExitStack
from typing import Final

from agent.machine.workers import renewed, worker
from tests.benchmarks.row import Row
from tests.support.tools import PROJECT

TURNS: Final = 3
SECONDS: Final = 3.0

_PRODUCT = """
import sys, time
import numpy as np
side = 2048
left = right = np.random.default_rng(0).standard_normal((side, side))
out, done = left @ right, 0
began, until = time.process_time(), time.monotonic() + float(sys.argv[1])
while time.monotonic() < until:
    np.matmul(left, right, out=out)
    done += 1
print(done * 2 * side**3 / (time.process_time() - began) / 1e9)
"""


def load_row() -> Row:
    cores = sorted(os.sched_getaffinity(0))
    turns = [(_ours(cores), _product() * len(cores)) for _ in range(TURNS)]
    ours, plain = map(statistics.median, zip(*turns, strict=True))
    return Row(
        "load on every core",
        ours,
        plain,
        "GFLOP/s",
        "one numpy matrix product of 2048 by 2048 on all cores",
        least=0.8,
        ratio=statistics.median(ours / plain for ours, plain in turns),
    )


def _ours(cores: list[int]) -> float:
    with ExitStack() as stack:
        workers = [stack.enter_context(worker("tests.benchmarks.counted_load", str(core))) for core in cores]
        with renewed(workers):
            time.sleep(SECONDS)
        said = []
        for each in workers:
            assert each.stdin is not None
            assert each.stdout is not None
            each.stdin.close()
            said.append(each.stdout.read())
    return sum(json.loads(it.lstrip(b"!")) for it in said)


def _product() -> float:
    done = subprocess.run(
        [sys.executable, "-c", _PRODUCT, str(SECONDS)],
        capture_output=True,
        text=True,
        check=True,
        cwd=PROJECT,
    )
    return float(done.stdout)
