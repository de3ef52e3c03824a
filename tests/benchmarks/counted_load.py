"""A load worker of the program that counts its bursts: `python -m tests.benchmarks.counted_load PROCESSOR`.

When its pipe closes it ends, and tells how many billion operations it did in a second of processor time.
"""

from __future__ import annotations

import json
import os
import sys
import time

from agent.machine import load
from agent.machine.load import MATRIX, PRODUCTS

if __name__ == "__main__":
    bursts, burst = 0, load._burst()

    def counted() -> None:
        global bursts
        burst()
        bursts += 1

    load._burst = lambda: counted
    began = time.process_time()
    load.work(int(sys.argv[1]))
    operations = bursts * PRODUCTS * 2 * MATRIX**3
    os.write(1, json.dumps(operations / (time.process_time() - began) / 1e9).encode())
