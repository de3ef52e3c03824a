"""The Debian tree: systemd, kernel modules, firmware, Python and the agent's libraries; and its squashfs.

Made of the pool alone. No file is younger than the pool, owners are as Debian has them, and nothing is
random: the same pool gives the same squashfs, bit for bit.
"""

from __future__ import annotations

import shutil
import sys
import tomllib
from importlib.resources import as_file, files
from pathlib import Path

from agent.image import pool, recipe
from agent.image.tools import BuildFailed, run

FILES = files("agent.image") / "files"
SITE = f"usr/local/lib/python{recipe.PYTHON}/dist-packages"  # where Debian's Python looks for what is local
_DPKG = (
    "force-unsafe-io",  # a tree that is thrown away if the power fails need not be synced file by file
    # documentation and other languages stay out, licences stay in
    "path-exclude=/usr/share/doc/*",
    "path-include=/usr/share/doc/*/copyright",
    "path-exclude=/usr/share/man/*",
    "path-exclude=/usr/share/info/*",
    "path-exclude=/usr/share/locale/*",
    "path-exclude=/usr/share/i18n/*",
)
_MMDEBSTRAP = ("--quiet", "--format=tar", "--variant=essential", f"--include={','.join(recipe.INSTALLED)}")
# one processor: with more, one squash in dozens differed on a busy machine
SQUASHED = ("-quiet", "-no-progress", "-comp", "zstd", "-b", "262144", "-no-xattrs", "-processors", "1")


def tree(work: Path, manifest: pool.Manifest, project: Path) -> Path:
    """Make `work`/system.tar, the whole Debian tree, from the packages in `work`/pool."""
    installed, tar = work / "pool" / "installed", work / "system.tar"
    pool.make_repository(installed)
    site = libraries(work, project)
    tar.unlink(missing_ok=True)  # whoever has a link to the last one keeps it whole
    given = {
        "SOURCE_DATE_EPOCH": str(manifest.fetched_s),
        "UNPACKED": str((work / "pool" / "unpacked").resolve()),
        "SITE": str(site.resolve()),
    }
    with as_file(FILES / "customize.sh") as script:
        hooks = ["--hook-dir=/usr/share/mmdebstrap/hooks/merged-usr", f'--customize-hook=sh {script} "$1"']
        options = [*_MMDEBSTRAP, *(f"--dpkgopt={option}" for option in _DPKG), *hooks]
        repository = f"deb [trusted=yes] copy:{installed.resolve()} ./"
        run("mmdebstrap", *options, recipe.RELEASE, tar, repository, environment=given)
    return tar


def libraries(work: Path, project: Path) -> Path:
    """What the agent imports, from the pool's wheels, with bytecode."""
    site = work / "site"
    shutil.rmtree(site, ignore_errors=True)
    with (project / "pyproject.toml").open("rb") as file:
        needed = tomllib.load(file)["project"]["dependencies"]
    install(site, work / "pool" / "wheels", *needed)
    return site


def install(site: Path, wheels: Path, *names: str) -> None:
    """Put the wheels of `names` and what they need into `site`, compiled for the image's Python."""
    python = _python()
    quiet = ["-m", "pip", "install", "--quiet", "--no-index", "--no-compile", "--no-warn-script-location"]
    run(python, *quiet, "--find-links", wheels, "--target", site, *names, environment={"PIP_FIND_LINKS": ""})
    for left_out in (site / "bin", *site.rglob("tests")):
        shutil.rmtree(left_out, ignore_errors=True)
    for record in site.glob("*.dist-info/RECORD"):  # programs hold the path of the Python that installed them
        lines = record.read_text().splitlines(keepends=True)
        record.write_text("".join(line for line in lines if "/bin/" not in line.partition(",")[0]))
    # by hash and not by time: file times differ from build to build
    compiling = ["-m", "compileall", "-q", "--invalidation-mode", "unchecked-hash"]
    run(python, *compiling, "-s", site, "-p", f"/{SITE}", site)


def _python() -> str:
    """An interpreter of the image's version, with pip: this one, if it is."""
    if f"{sys.version_info.major}.{sys.version_info.minor}" == recipe.PYTHON:
        return sys.executable
    found = shutil.which(f"python{recipe.PYTHON}")
    if not found:
        raise BuildFailed(f"python{recipe.PYTHON} is not installed; the image's bytecode is made with it")
    return found


def squash(tar: Path, target: Path, manifest: pool.Manifest, level: int = 19) -> Path:
    """Make the squashfs of `tar` (a new file, in the order of the archive)."""
    target.unlink(missing_ok=True)
    options = [*SQUASHED, "-Xcompression-level", str(level)]
    # The archive has no entry for its root, which would be of now and writable by all. Its time is held
    # by SOURCE_DATE_EPOCH: mksquashfs 4.5 forgets -root-time where it reads an archive.
    options += ["-root-mode", "755", "-root-uid", "0", "-root-gid", "0"]
    dated = {"SOURCE_DATE_EPOCH": str(manifest.fetched_s)}
    with tar.open("rb") as archive:
        run("mksquashfs", "-", target, "-tar", *options, stdin=archive, environment=dated)
    return target
