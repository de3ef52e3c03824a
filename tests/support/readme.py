"""The parts of the README that are made, not written: `make readme` renews them, a test compares them."""

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from checks.registry import CHECKS
from tests.unit.table import planned

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"


def checks_table() -> str:
    """Every check of the registry: what it asks, how it is answered, what it catches."""
    rows = (
        f"| `{check.id}` | {check.asks} | {', '.join(way.value for way in check.ways)} | {check.catches} |"
        for check in CHECKS
    )
    return "\n".join(("| check | asks | ways, best first | catches |", "| --- | --- | --- | --- |", *rows))


def held() -> str:
    """What the demonstration prints of the held unit: from its verdict to the rest."""
    with tempfile.TemporaryDirectory() as out:
        command = [sys.executable, "-m", "agent.cli", "demo", "--out", out]
        printed = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT).stdout
    return "```\n" + printed[printed.index("VERDICT: HOLD") : printed.index("VERIFIED")].strip() + "\n```"


def bench() -> str:
    """What `bench check` prints of the demonstration's unit, but for the day and the place of its file."""
    with tempfile.TemporaryDirectory() as out:
        unit = ("--rehearse", "agent/demo/unit.json", "--ambient", "21.5", "--technician", "t4")
        command = [sys.executable, "-m", "agent.cli", "bench", "check", "--bench", out, *unit]
        printed = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT).stdout
    return "```\n" + printed[printed.index("This bench") : printed.index("  good for")].rstrip() + "\n```"


def renewed(text: str) -> str:
    """`text` with every made part as it is today."""
    for name, made in (
        ("checks", checks_table),
        ("demo: hold", held),
        ("bench check", bench),
        ("units", planned),
    ):
        pattern = re.compile(rf"(<!-- {name} -->\n).*?\n?(<!-- end -->)", re.DOTALL)
        assert pattern.search(text), f"no part {name} in the README"
        part = made().replace("\\", r"\\")
        text = pattern.sub(rf"\g<1>{part}\n\g<2>", text)
    return text


if __name__ == "__main__":
    README.write_text(renewed(README.read_text()))
