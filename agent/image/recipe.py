"""What goes into the image: which Debian, which packages, and what is left out of them."""

from __future__ import annotations

MIRROR = "http://deb.debian.org/debian"
SECURITY = "http://deb.debian.org/debian-security"
KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"
COMPONENTS = "main non-free-firmware"
RELEASE = "bookworm"
PYTHON = "3.11"  # of this release; wheels and bytecode are made for it

SOURCES = (
    (MIRROR, RELEASE),
    (MIRROR, f"{RELEASE}-updates"),
    (MIRROR, f"{RELEASE}-backports"),
    (SECURITY, f"{RELEASE}-security"),
)

# installed with all they depend on; nothing of this mounts, assembles or repairs anything by itself
INSTALLED = (
    "usr-is-merged",
    "systemd",
    "systemd-sysv",
    "udev",
    "kmod",
    "mount",
    "kbd",
    "python3",
    "smartmontools",
    "alsa-utils",
    "iw",
    "rfkill",
    # what has graphics chips draw off screen
    "libegl1",
    "libgles2",
    "libegl-mesa0",
    "libgl1-mesa-dri",
)

# Only unpacked. Their scripts would build a general initramfs, install a boot loader on the build machine or
# register themselves in firmware; their files are all we want.
KERNEL = "linux-image-amd64"  # stands for the newest signed kernel, which it names in its dependencies
KERNEL_RELEASE = f"{RELEASE}-backports"  # why: see "Decisions" in DEVELOPERS.md
DRAWING = ("src:mesa", "src:libdrm")  # from the same release: drivers that are as new as the kernel's
FIRMWARE = (
    "firmware-amd-graphics",
    "firmware-atheros",
    "firmware-brcm80211",
    "firmware-cirrus",
    "firmware-intel-graphics",
    "firmware-intel-misc",
    "firmware-intel-sound",
    "firmware-iwlwifi",
    "firmware-mediatek",
    "firmware-misc-nonfree",
    "firmware-nvidia-graphics",
    "firmware-realtek",
    "firmware-sof-signed",
)
BOOT = ("shim-signed", "grub-efi-amd64-signed", "grub-pc-bin", "busybox-static")
