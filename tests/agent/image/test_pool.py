"""The pool: what goes into an image is what was fetched, and is recorded."""

import json
import subprocess

import pytest

from agent.image import pool, recipe
from agent.image.tools import BuildFailed, run
from tests.support.tools import need


@pytest.fixture
def fetched(tmp_path):
    """A pool with one package, built here, and one wheel."""
    need("dpkg-deb")
    for folder in ("installed", "unpacked", "wheels", "package/DEBIAN"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "package/DEBIAN/control").write_text(
        "Package: invented\nVersion: 1:2.5-1\nArchitecture: all\n"
        "Maintainer: nobody <n@example.org>\nDescription: x\n"
    )
    deb = tmp_path / "installed/invented_1%3a2.5-1_all.deb"
    subprocess.run(["dpkg-deb", "-b", tmp_path / "package", deb], check=True, capture_output=True)
    (tmp_path / "wheels/some_thing-3.1-py3-none-any.whl").write_bytes(b"wheel")
    return pool.record(tmp_path, fetched_s=1_795_000_000), tmp_path


def test_versions_and_digests_are_recorded(fetched):
    manifest, folder = fetched

    assert [(file.name, file.version) for file in manifest.files] == [
        ("invented", "1:2.5-1"),
        ("some_thing", "3.1"),
    ]
    assert pool.verified(folder) == manifest
    assert json.loads((folder / "manifest.json").read_text())["fetched_s"] == 1_795_000_000


@pytest.mark.parametrize("damage", [lambda path: path.write_bytes(b"other"), lambda path: path.unlink()])
def test_a_file_that_is_not_what_was_fetched_stops_the_build(fetched, damage):
    _, folder = fetched
    damage(folder / "wheels/some_thing-3.1-py3-none-any.whl")

    with pytest.raises(BuildFailed, match="is not what was fetched"):
        pool.verified(folder)


def test_a_package_that_was_never_recorded_stops_the_build(fetched):
    _, folder = fetched
    (folder / "installed/stray_1_all.deb").write_bytes(b"")

    with pytest.raises(BuildFailed, match="stray"):
        pool.verified(folder)


def test_the_pool_is_a_repository_with_places_and_digests(fetched):
    _, folder = fetched
    pool.make_repository(folder / "installed")

    said = (folder / "installed" / "Packages").read_text()
    assert "Filename: ./invented_1%3a2.5-1_all.deb\n" in said
    digest = next(file.sha256 for file in pool.verified(folder).files if file.name == "invented")
    assert f"SHA256: {digest}\n" in said


def test_a_missing_program_and_a_failing_one_are_told_in_a_sentence():
    with pytest.raises(BuildFailed, match="no-such-program is not installed"):
        run("no-such-program")
    with pytest.raises(BuildFailed, match=r"sh failed \(3\): because"):
        run("sh", "-c", "echo because >&2; exit 3")


def test_a_pool_serves_what_it_was_fetched_by_and_nothing_else(fetched, tmp_path, monkeypatch):
    _, folder = fetched
    lock = tmp_path / "requirements.lock"
    lock.write_text("wheel==1 --hash=sha256:00")
    pool.record(folder, 1_795_000_000, pool.wanted(lock))

    assert pool.serves(folder, lock)
    with monkeypatch.context() as context:
        context.setattr(recipe, "INSTALLED", (*recipe.INSTALLED, "another"))
        assert not pool.serves(folder, lock)
    lock.write_text("wheel==2 --hash=sha256:00")
    assert not pool.serves(folder, lock)
    assert not pool.serves(tmp_path / "none", lock)
