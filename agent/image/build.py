"""From packages to an image: each step is taken again only when what it is made of has changed."""

from __future__ import annotations

import fcntl
import hashlib
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from agent.image import disk, pool, program, recipe, system
from agent.image.initramfs import Tree, initramfs, member
from agent.image.tools import run

Say = Callable[[str], None]


@dataclass(frozen=True)
class Parts:
    """What a computer, virtual or not, boots: kernel, initramfs and the two squashfs with their digests."""

    kernel: Path
    initrd: Path
    system: Path
    agent: Path
    digests: Path
    tree: Path  # the Debian tree as a tar archive


def build_parts(project: Path, work: Path, say: Say = print, level: int = 19) -> Parts:
    """Make whatever of the parts in `work` is missing or older than what it is made of."""
    with _alone(work):
        return _build_parts(project, work, say, level)


def _build_parts(project: Path, work: Path, say: Say, level: int) -> Parts:
    lock = project / "requirements.lock"
    if not pool.serves(work / "pool", lock):
        say("fetching packages")
        pool.fetch(work / "pool", lock)
    manifest = pool.verified(work / "pool")
    tree, squashed = work / "system.tar", work / "system.squashfs"
    made_of = _digest(
        (work / "pool" / "manifest.json").read_bytes(), _words("customize.sh"), _source(recipe, system)
    )
    if _stale(squashed, f"{made_of} {level}"):
        say("making the Debian tree (about a minute and a half)")
        system.tree(work, manifest, project)
        say("compressing it (some minutes)")
        system.squash(tree, squashed, manifest, level)
        _mark(squashed, f"{made_of} {level}")
    say("making the agent's layer")
    agent = program.layer(work, manifest, project)
    kernel, initrd = _kernel_and_initrd(work, tree)
    return Parts(kernel, initrd, squashed, agent, write_digests(work, squashed, agent), tree)


def build_image(project: Path, work: Path, target: Path, say: Say = print, level: int = 19) -> disk.Layout:
    """Make the image for one stick, with partition numbers of its own."""
    parts = build_parts(project, work, say, level)
    say("assembling the image")
    return assemble(parts, work, target)


def assemble(parts: Parts, work: Path, target: Path) -> disk.Layout:
    """Put `parts` and the boot loaders of the pool in `work` into an image with fresh numbers."""
    with _alone(work):
        return _assemble(parts, work, target)


def _assemble(parts: Parts, work: Path, target: Path) -> disk.Layout:
    boot = _unpack_boot(work)
    grub = boot / "usr/lib/grub/i386-pc"
    numbers = disk.Numbers()
    menu = work / "grub.cfg"
    menu.write_text(disk.menu(numbers), encoding="utf-8")
    payload = {
        # No MokManager and no fallback program beside shim: both would write firmware variables.
        "EFI/BOOT/BOOTX64.EFI": boot / "usr/lib/shim/shimx64.efi.signed",
        "EFI/BOOT/grubx64.efi": boot / "usr/lib/grub/x86_64-efi-signed/grubx64.efi.signed",
        "EFI/debian/grub.cfg": menu,
        "benchproof/vmlinuz": parts.kernel,
        "benchproof/initrd.img": parts.initrd,
        "benchproof/system.squashfs": parts.system,
        "benchproof/agent.squashfs": parts.agent,
        "benchproof/digests": parts.digests,
    }
    core = disk.core_image(work / "core.img", grub)
    return disk.assemble(target, payload, grub, core, numbers)


@contextmanager
def _alone(work: Path) -> Iterator[None]:
    """Two builds in one folder wait for each other; the kernel gives the lock back on every way out."""
    with (work / "lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _kernel_and_initrd(work: Path, tree: Path) -> tuple[Path, Path]:
    kernel, initrd = work / "vmlinuz", work / "initrd.img"
    made_of = _digest(str(tree.stat().st_mtime_ns).encode(), _words("init"))
    if _stale(kernel, made_of) or not initrd.exists():
        kernel.write_bytes(member(_package(work, "linux-image-*"), "/vmlinuz-*"))
        with Tree(tree) as debian:
            initramfs(debian, member(_package(work, "busybox-static_*"), "/bin/busybox"), initrd)
        _mark(kernel, made_of)
    return kernel, initrd


def _unpack_boot(work: Path) -> Path:
    boot = work / "boot"
    shutil.rmtree(boot, ignore_errors=True)
    for name in recipe.BOOT:
        run("dpkg-deb", "-x", _package(work, f"{name}_*"), boot)
    return boot


def _package(work: Path, pattern: str) -> Path:
    return next((work / "pool" / "unpacked").glob(f"{pattern}.deb"))


def write_digests(folder: Path, *files: Path) -> Path:
    """Write SHA-256 of `files` into `folder`/digests, one line each, as sha256sum prints and reads them."""
    digests = folder / "digests"
    lines = []
    for path in files:
        with path.open("rb") as file:
            lines.append(f"{hashlib.file_digest(file, 'sha256').hexdigest()}  {path.name}\n")
    digests.write_text("".join(lines))
    return digests


def _stale(made: Path, made_of: str) -> bool:
    mark = made.with_suffix(made.suffix + ".made-of")
    return not (made.exists() and mark.exists() and mark.read_text() == made_of)


def _mark(made: Path, made_of: str) -> None:
    made.with_suffix(made.suffix + ".made-of").write_text(made_of)


def _digest(*parts: bytes) -> str:
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _words(name: str) -> bytes:
    return (system.FILES / name).read_bytes()


def _source(*modules: object) -> bytes:
    return b"".join(Path(str(module.__file__)).read_bytes() for module in modules)  # type: ignore[attr-defined]
