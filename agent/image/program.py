"""Our own layer over the Debian tree: the agent and its bytecode, its service, udev's rule, the masks.

A squashfs of its own: after a change of our code the large one need not be made again.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from importlib.resources import as_file
from pathlib import Path

from agent.image import pool, recipe
from agent.image.system import FILES, SITE, SQUASHED, install
from agent.image.tools import run
from agent.running.versions import IMAGE_FILE

# what writes to disks, firmware or clocks, looks for volumes, keeps settings, or opens a way in
MASKED_UNITS = (
    *(
        "systemd-pstore.service",
        "systemd-repart.service",
        "systemd-random-seed.service",
        "systemd-firstboot.service",
    ),
    *("fstrim.service", "fstrim.timer", "quotaon.service", "systemd-quotacheck.service"),
    *("systemd-fsck@.service", "systemd-fsck-root.service", "systemd-remount-fs.service"),
    *("systemd-machine-id-commit.service", "systemd-pcrphase.service", "systemd-pcrphase-sysinit.service"),
    *("hwclock.service", "systemd-timesyncd.service", "systemd-backlight@.service"),
    *("systemd-rfkill.service", "systemd-rfkill.socket", "smartmontools.service"),
    *("suspend.target", "sleep.target", "hibernate.target", "hybrid-sleep.target"),
    *(
        "systemd-logind.service",
        "systemd-networkd.service",
        "systemd-networkd.socket",
        "dpkg-db-backup.timer",
    ),
    *("getty.target", "getty@.service", "serial-getty@.service", "autovt@.service", "console-getty.service"),
    *(
        "ctrl-alt-del.target",
        "debug-shell.service",
        "systemd-update-utmp.service",
        "systemd-journal-flush.service",
    ),
    *("systemd-network-generator.service", "systemd-binfmt.service", "proc-sys-fs-binfmt_misc.automount"),
)
MASKED_GENERATORS = (
    *("systemd-gpt-auto-generator", "systemd-fstab-generator", "systemd-hibernate-resume-generator"),
    *("systemd-cryptsetup-generator", "systemd-veritysetup-generator", "systemd-integritysetup-generator"),
    *("systemd-getty-generator", "systemd-sysv-generator", "systemd-rc-local-generator"),
    *("systemd-run-generator", "systemd-debug-generator", "systemd-system-update-generator"),
)
MASKED_RULES = (
    "55-dm.rules",
    "64-btrfs.rules",
    "81-net-dhcp.rules",
    "85-hwclock.rules",
    "95-dm-notify.rules",
)
CONSOLES = ("tty1", "ttyS0")
_NOWHERE = Path("/dev/null")


def layer(work: Path, manifest: pool.Manifest, project: Path) -> Path:
    """Make `work`/agent.squashfs."""
    root, target = work / "agent", work / "agent.squashfs"
    shutil.rmtree(root, ignore_errors=True)
    with as_file(FILES / "root") as static:
        shutil.copytree(static, root)
    _install_agent(root / SITE, project, work)
    _mask(root / "etc/systemd/system", MASKED_UNITS)
    _mask(root / "etc/systemd/system-generators", MASKED_GENERATORS)
    _mask(root / "etc/udev/rules.d", MASKED_RULES)
    _enable(root / "etc/systemd/system")
    _name(root, work, manifest)
    _set_modes(root)
    _squash(root, target, manifest.fetched_s)
    return target


def _install_agent(site: Path, project: Path, work: Path) -> None:
    wheels = work / "wheel"
    shutil.rmtree(wheels, ignore_errors=True)
    command = [sys.executable, *["-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]]
    run(*command, "--wheel-dir", wheels, project)
    install(site, wheels, "--no-deps", "benchproof")
    shutil.rmtree(site / "agent" / "image")  # the builder writes; what runs on a unit must not


def _mask(folder: Path, names: Iterable[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        (folder / name).symlink_to(_NOWHERE)


def _enable(units: Path) -> None:
    wants = units / "multi-user.target.wants"
    wants.mkdir()
    for console in CONSOLES:
        (wants / f"benchproof@{console}.service").symlink_to("/etc/systemd/system/benchproof@.service")
    (units / "default.target").symlink_to("/lib/systemd/system/multi-user.target")


def _name(root: Path, work: Path, manifest: pool.Manifest) -> None:
    """What the agent says of the image, and what it is made of for anybody to look up."""
    made = datetime.fromtimestamp(manifest.fetched_s, UTC)
    line = f"Debian {recipe.RELEASE} image, packages of {made:%Y-%m-%d}\n"
    (root / IMAGE_FILE.relative_to("/")).write_text(line, encoding="utf-8")
    shutil.copyfile(work / "pool" / "manifest.json", root / "usr/lib/benchproof/packages.json")


def _set_modes(root: Path) -> None:
    """The same modes, whatever the umask of the checkout was."""
    for path in root.rglob("*"):
        if not path.is_symlink():
            runs = path.is_dir() or path.read_bytes()[:2] == b"#!"
            path.chmod(0o755 if runs else 0o644)
    root.chmod(0o755)


def _squash(root: Path, target: Path, fetched_s: int) -> None:
    made = target.with_suffix(".new")  # whoever copies the old one meanwhile keeps the old one whole
    made.unlink(missing_ok=True)
    times = ["-all-root", "-all-time", str(fetched_s), "-mkfs-time", str(fetched_s)]
    run("mksquashfs", root, made, *SQUASHED, *times)
    made.replace(target)
