"""`python -m agent.image`: make the image for one stick."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from agent.image.build import build_image, build_parts
from agent.image.tools import BuildFailed

PROJECT = Path(__file__).parents[2]


def main() -> int:
    """Build what was asked for; what goes wrong is said in one sentence."""
    parser = argparse.ArgumentParser(prog="python -m agent.image", description=__doc__)
    parser.add_argument(
        "--work", type=Path, default=PROJECT / "build" / "stick", help="where packages and parts lie"
    )
    parser.add_argument("--out", type=Path, help="the image (else benchproof.img in the work folder)")
    parser.add_argument("--parts", action="store_true", help="kernel, initramfs and squashfs alone, no image")
    parser.add_argument("--level", type=int, default=19, help="zstd level of the squashfs (3 is quick)")
    options = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    target = options.out or options.work / "benchproof.img"
    try:
        if options.parts:
            build_parts(PROJECT, options.work, level=options.level)
        else:
            build_image(PROJECT, options.work, target, level=options.level)
    except BuildFailed as error:
        print(f"The image was not made: {error}.", file=sys.stderr)
        return 1
    if not options.parts:
        print(f"{target}: {target.stat().st_size / 1e6:.0f} MB. Writing it to a stick erases the stick.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
