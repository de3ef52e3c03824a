"""Documents are written so that they last: what is synced, under which name, and when."""

import os
from pathlib import Path

from reports.files import write_new


def test_a_new_document_is_synced_under_its_own_name_and_then_its_folder(tmp_path, monkeypatch):
    """FAT writes the new name of a renamed file without its length (Linux, fs/fat/namei_vfat.c: vfat_rename
    adds the entry with cluster and size 0 and leaves the rest to the writing of the file itself)."""
    synced, sync = [], os.fsync

    def noted(descriptor):
        synced.append(Path(os.readlink(f"/proc/self/fd/{descriptor}")).name)
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", noted)
    write_new(tmp_path / "report.json", b"{}")

    assert synced == [".report.json.part", "report.json", tmp_path.name]
    assert (tmp_path / "report.json").read_bytes() == b"{}"
