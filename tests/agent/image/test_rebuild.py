"""The same pool gives the same system, to the bit, wherever it is made: a stick can be compared."""

import hashlib
import shutil

import pytest

from agent.image import pool, program, system
from agent.image.build import build_parts
from tests.support.boots import stick_level
from tests.support.tools import PROJECT, need, output

pytestmark = [pytest.mark.heavy, pytest.mark.xdist_group("boot")]

WORK = PROJECT / "build" / "stick"


def digest(path):
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def test_a_second_build_from_the_same_pool_has_the_same_digests(tmp_path):
    for tool in ("mmdebstrap", "mksquashfs"):
        need(tool)
    WORK.mkdir(parents=True, exist_ok=True)
    first = build_parts(PROJECT, WORK, level=stick_level())
    shutil.copytree(WORK / "pool", tmp_path / "pool")  # not a link: its place must not show
    manifest = pool.verified(tmp_path / "pool")

    tree = system.tree(tmp_path, manifest, PROJECT)
    agent = program.layer(tmp_path, manifest, PROJECT)
    squashed = [
        system.squash(source, tmp_path / name, manifest, level=1)  # quick: the level makes no difference here
        for name, source in (("first", first.tree), ("second", tree))
    ]

    assert digest(tree) == digest(first.tree)
    assert digest(squashed[1]) == digest(squashed[0])
    assert digest(agent) == digest(first.agent)
    listed = output(need("unsquashfs"), "-lls", "-max-depth", "0", squashed[0])
    assert listed.startswith("drwxr-xr-x root/root")
