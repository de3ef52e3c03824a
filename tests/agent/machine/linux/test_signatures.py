"""What lies on a drive: blkid, mkfs and cryptsetup make and judge the volumes, and none is ever mounted."""

from __future__ import annotations

import base64
import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.machine.linux import sealed
from agent.machine.linux.blockread import Reader, Said, reader
from agent.machine.linux.signatures import layout, understood
from checks.machine import Use
from reports.model.evidence import Absent, Reading, Why
from tests.support.drives import disk_of, tree_with
from tests.support.tools import need, output

MIB = 1 << 20
GUID = bytes.fromhex("3bd66749292ed84a8399f6a339e3d001")


def file_of(path: Path, size: int) -> Path:
    with path.open("wb") as image:
        image.truncate(size)
    return path


@pytest.fixture
def drive(tmp_path):
    """A drive whose nodes are files: `drive(whole, *partitions)`, each a path or None for an empty one."""

    def made(whole: Path, *partitions: Path):
        tree = tree_with(tmp_path / "tree", "sdx", number="8:0")
        (tmp_path / "tree/dev/sdx").symlink_to(whole)
        for number, part in enumerate(partitions, 1):
            folder = tmp_path / f"tree/sys/class/block/sdx/sdx{number}"
            folder.mkdir()
            (folder / "partition").write_text(f"{number}\n")
            (folder / "start").write_text(f"{number * 2048}\n")
            (tmp_path / f"tree/dev/sdx{number}").symlink_to(part)
        return layout(tree, disk_of(tree))

    return made


@pytest.fixture
def gpt(tmp_path):
    image = file_of(tmp_path / "whole", 64 * MIB)
    table = "label: gpt\nsize=8M, type=uefi\nsize=16M\nsize=8M\n"
    subprocess.run([need("sfdisk"), "--quiet", image], input=table, text=True, check=True)
    return image


def made_by(tmp_path: Path, program: str, *options: str) -> Path:
    image = file_of(tmp_path / program, 16 * MIB)
    output(need(program), *options, image)
    return image


def test_a_table_and_what_lies_in_each_partition_are_found_by_name(drive, gpt, tmp_path):
    files = made_by(tmp_path, "mkfs.vfat"), made_by(tmp_path, "mkfs.ext4", "-q", "-L", "PRIVATE")

    found = drive(gpt, *files, file_of(tmp_path / "empty", MIB))

    assert found.table.value == "gpt"
    assert [volume.number for volume in found.volumes] == [1, 2, 3]
    assert [getattr(volume.signature, "value", None) for volume in found.volumes] == ["vfat", "ext4", None]
    assert found.volumes[0].use.value == Use.FILES.value
    assert found.volumes[2].signature.why is Why.NOT_THERE
    assert "PRIVATE" not in repr(found)


def test_a_blank_drive_holds_nothing(drive, tmp_path):
    found = drive(file_of(tmp_path / "whole", MIB))

    assert (found.table.why, found.volumes) == (Why.NOT_THERE, ())


def test_files_without_a_table_lie_on_the_whole_drive(drive, tmp_path):
    found = drive(made_by(tmp_path, "mkfs.ext4", "-q"))

    assert [(volume.number, volume.signature.value) for volume in found.volumes] == [(0, "ext4")]


def test_signatures_that_contradict_each_other_are_something(drive, tmp_path):
    image = made_by(tmp_path, "mkfs.ext4", "-q")
    with image.open("r+b") as both:  # the magic of another file system beside it: JFS, at 32768
        both.seek(32768)
        both.write(b"JFS1\x01\x00\x00\x00" + bytes(24))

    found = drive(image)

    assert found.volumes[0].signature.value in ("ext4", "several signatures")


def test_a_drive_that_cannot_be_probed_says_so(drive, tmp_path):
    found = drive(tmp_path / "gone")

    assert found.why is Why.DID_NOT_ANSWER


def test_a_partition_that_is_gone_is_no_empty_one(drive, gpt, tmp_path):
    """blkid itself says neither."""
    found = drive(gpt, tmp_path / "gone", file_of(tmp_path / "nothing", 0))

    assert [volume.signature.source.rpartition("/")[2] for volume in found.volumes] == ["sdx1", "sdx2"]
    assert all(volume.signature.why is Why.DID_NOT_ANSWER for volume in found.volumes)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (Said(2, b"", ""), {}),
        (Said(8, b"", ""), {"TYPE": "several signatures", "USAGE": "other"}),
        (Said(0, b"TYPE=ext4\nLABEL=a=b\nrubbish\n", ""), {"TYPE": "ext4", "LABEL": "a=b"}),
    ],
)
def test_what_blkid_leaves_with_is_understood(said, expected):
    assert understood(said) == expected


@pytest.mark.parametrize(
    ("complaint", "why"),
    [
        ("blkid: error: /dev/vda: Operation not permitted", Why.NOT_PERMITTED),
        ("blkid: error: /dev/sda: Input/output error", Why.DID_NOT_ANSWER),
    ],
)
def test_a_complaint_is_no_blank_drive(complaint, why):
    assert understood(Said(2, b"", complaint)).why is why


# -- what the board keeps -----------------------------------------------------------------------------------

TPM = {
    "type": "systemd-tpm2",
    "keyslots": ["0"],
    "tpm2-blob": "AAAA",
    "tpm2-pcrs": [7],
    "tpm2-pcr-bank": "sha256",
    "tpm2-primary-alg": "ecc",
    "tpm2-policy-hash": "00" * 32,
}
OTHER = {"type": "systemd-recovery", "keyslots": ["0"]}


def clevis(pin: str) -> dict[str, object]:
    header = base64.urlsafe_b64encode(json.dumps({"alg": "dir", "clevis": {"pin": pin}}).encode())
    return {"type": "clevis", "keyslots": ["0"], "jwe": {"protected": header.decode().rstrip("=")}}


def asked(image: Path, reads: Callable[[Reader, int], Reading | Absent], at: int = 0) -> Reading | Absent:
    descriptor = os.open(image, os.O_RDONLY)
    try:
        with reader(descriptor, "image") as it:
            return reads(it, at)
    finally:
        os.close(descriptor)


@pytest.fixture
def luks(tmp_path):
    """A real LUKS2 volume with tokens in it."""

    def made(*tokens: dict[str, object]) -> Path:
        cryptsetup, image = need("cryptsetup"), file_of(tmp_path / "luks", 20 * MIB)
        cheap = ("--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "--batch-mode", "--key-file", "-")
        output(cryptsetup, "luksFormat", "--type", "luks2", *cheap, image, stdin="a passphrase")
        for token in tokens:
            output(cryptsetup, "token", "import", "--json-file", "-", image, stdin=json.dumps(token))
        return image

    return made


@pytest.mark.parametrize(
    ("tokens", "bound"),
    [
        ((), False),
        ((TPM,), True),
        ((OTHER,), False),
        ((OTHER, TPM), True),
        ((clevis("tpm2"),), True),
        ((clevis("tang"),), False),
    ],
)
def test_a_luks_volume_says_whether_the_tpm_keeps_a_key(tokens, bound, luks, drive):
    image = luks(*tokens)

    assert asked(image, sealed.luks2).value is bound


def test_an_encrypted_volume_is_named_as_one(luks, drive, gpt):
    found = drive(gpt, luks())

    assert (found.volumes[0].signature.value, found.volumes[0].use.value) == (
        "crypto_LUKS",
        "encrypted volume",
    )


def bitlocker(path: Path, *protections: int) -> Path:
    """A volume made after the layout that libcryptsetup reads; its keys are nothing."""
    block = bytearray(1 << 16)
    keys = b"".join(
        b"\x24\x00\x02\x00\x08\x00\x01\x00" + bytes(24) + b"\0\0" + protection.to_bytes(2, "little")
        for protection in protections
    )
    volume_key = b"\x50\x00\x03\x00\x05\x00\x01\x00" + bytes(72)
    block[0:12] = b"-FVE-FS-\x40\x00\x02\x00"
    block[64:68] = (48 + len(keys) + len(volume_key)).to_bytes(4, "little")
    block[68:76] = b"\x01\0\0\0\x30\0\0\0"
    block[100:102] = (0x8004).to_bytes(2, "little")
    block[112 : 112 + len(keys) + len(volume_key)] = keys + volume_key
    image = bytearray(MIB)
    image[0:11] = b"\xeb\x58\x90-FVE-FS-"
    image[160:176] = GUID
    image[176:200] = b"".join(at.to_bytes(8, "little") for at in (0x10000, 0x20000, 0x30000))
    image[0x10000:0x20000] = block
    path.write_bytes(image)
    return path


@pytest.mark.parametrize(
    ("protections", "words", "bound"),
    [
        ((0x0800,), ("recovery passphrase",), False),
        ((0x2000, 0x0800), ("passphrase", "recovery passphrase"), False),
        ((0x0200,), ("startup key",), False),
        ((0x0100, 0x0800), ("TPM", "recovery passphrase"), True),
        ((0x0500,), ("TPM and PIN",), True),
    ],
)
def test_a_bitlocker_volume_says_whether_the_tpm_keeps_a_key(protections, words, bound, tmp_path):
    image = bitlocker(tmp_path / "volume", *protections)

    dump = output(need("cryptsetup"), "bitlkDump", image)

    said = [
        line.partition("protected with ")[2].strip() for line in dump.splitlines() if "protected with" in line
    ]
    assert said == list(words)
    assert "TYPE=BitLocker" in output(need("blkid"), "--probe", "--output", "export", image)
    assert asked(image, sealed.bitlocker).value is bound


@pytest.mark.parametrize("reads", [sealed.luks2, sealed.bitlocker])
def test_a_volume_that_begins_where_nothing_can_be_read_tells_nothing(reads, tmp_path):
    assert asked(file_of(tmp_path / "image", MIB), reads, 63 * 512).why is Why.NOT_SUPPORTED


@pytest.mark.parametrize("reads", [sealed.luks2, sealed.bitlocker])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(junk=st.binary(max_size=300), size=st.integers(0, 2**64 - 1))
def test_no_header_stops_us(reads, junk, size, tmp_path):
    image = tmp_path / "image"
    luks = b"LUKS\xba\xbe\x00\x02" + size.to_bytes(8, "big") + bytes(4080) + junk + bytes(MIB)
    boot = b"\xeb\x58\x90-FVE-FS-" + bytes(165) + (0x10000).to_bytes(8, "little")
    fve = (
        boot.ljust(0x10000, b"\0") + b"-FVE-FS-\x40\x00\x02\x00".ljust(64, b"\0") + size.to_bytes(8, "little")
    )
    image.write_bytes((luks if reads is sealed.luks2 else fve + junk).ljust(2 * MIB, b"\0"))

    assert isinstance(asked(image, reads), Reading | Absent)
