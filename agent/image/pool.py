"""The pool: every package and wheel that goes into the image, with its version and digest.

Fetched once from Debian's mirrors by apt, which checks the archive's signatures, and from the wheel index by
pip, which checks the digests of our lock file. `manifest.json` records what came. A build reads the pool
alone: the same pool gives the same image, with or without a network.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from agent.image import recipe
from agent.image.tools import BuildFailed, run


@dataclass(frozen=True)
class Fetched:
    """One file of the pool: its place in the pool, what it is, SHA-256 of its bytes in hexadecimal."""

    path: str
    name: str
    version: str
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """What a pool holds, and when it was fetched: the date of everything built of it (UTC, Unix time).

    `wanted_sha256` is of what it was fetched by (`wanted`).
    """

    fetched_s: int
    files: tuple[Fetched, ...]
    wanted_sha256: str = ""


def serves(pool: Path, lock: Path) -> bool:
    """Whether `pool` was fetched by this very lock file and recipe."""
    manifest = pool / "manifest.json"
    return manifest.exists() and json.loads(manifest.read_text()).get("wanted_sha256") == wanted(lock)


def wanted(lock: Path) -> str:
    """Digest of the lock file and of the names of all packages: what a pool is fetched by."""
    names = (*recipe.INSTALLED, recipe.KERNEL, *recipe.DRAWING, *recipe.FIRMWARE, *recipe.BOOT)
    return hashlib.sha256(lock.read_bytes() + "\n".join(names).encode()).hexdigest()


def fetch(pool: Path, lock: Path, kernel_release: str = recipe.KERNEL_RELEASE) -> Manifest:
    """Fill `pool` from the network and record it; what is there already is not fetched again."""
    apt = _apt(pool / "apt", kernel_release)
    _apt_get(apt, "update")
    installed, unpacked = _folder(pool / "installed"), _folder(pool / "unpacked")
    _download(installed, ["?essential", *recipe.INSTALLED], apt)
    _apt_get(apt, "download", _kernel(apt), *recipe.FIRMWARE, *recipe.BOOT, cwd=unpacked)
    shutil.rmtree(pool / "wheels", ignore_errors=True)  # another lock may have wanted other versions
    _wheels(_folder(pool / "wheels"), lock)
    return record(pool, int(datetime.now(UTC).timestamp()), wanted(lock))


def record(pool: Path, fetched_s: int, wanted_sha256: str = "") -> Manifest:
    """Write down what lies in `pool`, as fetched at `fetched_s` by what has that digest."""
    manifest = Manifest(fetched_s, tuple(_described(pool)), wanted_sha256)
    (pool / "manifest.json").write_text(json.dumps(asdict(manifest), indent=1) + "\n", encoding="utf-8")
    return manifest


def verified(pool: Path) -> Manifest:
    """The manifest of `pool`, after each of its files was found to be what it says. Raises `BuildFailed`."""
    told = json.loads((pool / "manifest.json").read_text(encoding="utf-8"))
    manifest = Manifest(
        told["fetched_s"], tuple(Fetched(**file) for file in told["files"]), told["wanted_sha256"]
    )
    for file in manifest.files:
        path = pool / file.path
        if not path.is_file() or _sha256(path) != file.sha256:
            raise BuildFailed(f"{path} is not what was fetched; remove {pool} and fetch it again")
    if strays := {str(path.relative_to(pool)) for path in _files(pool)} - {
        file.path for file in manifest.files
    }:
        raise BuildFailed(f"{min(strays)} lies in {pool} and was never recorded; remove it")
    return manifest


def _apt(state: Path, kernel_release: str) -> Path:
    """The configuration of an apt of its own: it leaves this machine's alone and knows nothing installed."""
    home = state.resolve()
    for folder in (
        "etc/apt/apt.conf.d",
        "etc/apt/preferences.d",
        "var/lib/apt/lists/partial",
        "var/lib/dpkg",
    ):
        _folder(home / folder)
    (home / "var/lib/dpkg/status").touch()
    (home / "etc/apt/sources.list").write_text("".join(f"{_source(*source)}\n" for source in recipe.SOURCES))
    (home / "etc/apt/preferences").write_text(
        f"Package: linux-image-* firmware-* {' '.join(recipe.DRAWING)}\n"
        f"Pin: release n={kernel_release}\nPin-Priority: 990\n"
    )
    settings = _APT | {"Dir": str(home), "Dir::State::status": str(home / "var/lib/dpkg/status")}
    configuration = home / "apt.conf"
    configuration.write_text("".join(f'{name} "{value}";\n' for name, value in settings.items()))
    return configuration


_APT = {
    "APT::Architecture": "amd64",
    "APT::Install-Recommends": "false",
    "APT::Sandbox::User": "",
    "Acquire::Languages": "none",
    "Acquire::Retries": "3",
    "Debug::NoLocking": "true",
    "Dir::Cache::pkgcache": "",
    "Dir::Cache::srcpkgcache": "",
}


def _source(mirror: str, release: str) -> str:
    return f"deb [arch=amd64 signed-by={recipe.KEYRING}] {mirror} {release} {recipe.COMPONENTS}"


def _apt_get(apt: Path, *words: str, cwd: Path | None = None) -> None:
    run("apt-get", "-q", "-y", *words, environment={"APT_CONFIG": str(apt)}, cwd=cwd)


def _download(folder: Path, names: Sequence[str], apt: Path) -> None:
    _folder(folder / "partial")
    _apt_get(apt, "-o", f"Dir::Cache::archives={folder.resolve()}", "--download-only", "install", *names)
    shutil.rmtree(folder / "partial")
    (folder / "lock").unlink(missing_ok=True)


def _kernel(apt: Path) -> str:
    """The package of the signed kernel itself: what `linux-image-amd64` depends on."""
    command = ("apt-cache", "show", "--no-all-versions", recipe.KERNEL)
    said = run(*command, environment={"APT_CONFIG": str(apt)})
    return next(line for line in said.splitlines() if line.startswith("Depends: ")).split()[1]


def _wheels(folder: Path, lock: Path) -> None:
    fitting = [*["--only-binary", ":all:", "--implementation", "cp", "--python-version"], recipe.PYTHON]
    for platform in ("manylinux_2_28_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64"):
        fitting += ["--platform", platform]
    command = [sys.executable, *["-m", "pip", "download", "--quiet", "--require-hashes", "--no-deps"]]
    run(*command, *fitting, "--dest", folder, "-r", lock)


def _described(pool: Path) -> Iterator[Fetched]:
    for path in _files(pool):
        name, version = (
            path.stem.split("-")[:2] if path.suffix == ".whl" else _fields(path, "Package", "Version")
        )
        yield Fetched(str(path.relative_to(pool)), name, version, _sha256(path))


def _files(pool: Path) -> list[Path]:
    return sorted([*pool.glob("*/*.deb"), *pool.glob("wheels/*.whl")])


def _fields(deb: Path, *fields: str) -> list[str]:
    return [run("dpkg-deb", "-f", deb, field).strip() for field in fields]


def make_repository(folder: Path) -> None:
    """Make the packages in `folder` a flat repository of our release (Debian repository format)."""
    packages = folder / "Packages"
    packages.write_text("\n".join(map(_paragraph, sorted(folder.glob("*.deb")))), encoding="utf-8")
    listed = f"SHA256:\n {_sha256(packages)} {packages.stat().st_size} Packages\n"
    (folder / "Release").write_text(f"Suite: {recipe.RELEASE}\nCodename: {recipe.RELEASE}\n{listed}")


def _paragraph(deb: Path) -> str:
    place = f"Filename: ./{deb.name}\nSize: {deb.stat().st_size}\nSHA256: {_sha256(deb)}\n"
    return run("dpkg-deb", "-f", deb) + place


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _folder(path: Path) -> Path:
    path.mkdir(parents=True, exist_ok=True)
    return path
