"""A medium that can be watched, cut, filled and replayed: it stands in for `os` in `reports.files`."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

CHANGES = ("mkdir", "open", "write", "fsync", "rename", "unlink", "close")
"""What `reports.files` does to a medium."""


@dataclass(frozen=True)
class Call:
    """One call, the `number`th from 0: its name, and what it was given (descriptors as paths)."""

    number: int
    name: str
    given: tuple[Any, ...]


class Medium:
    """`os`, but `before(call)` is asked first: it may raise, or end the process.

    A write that `before` wants cut short it answers with the number of bytes that still arrive.
    """

    def __init__(self, before: Callable[[Call], int | None] = lambda call: None) -> None:
        self.calls: list[Call] = []
        self._before = before
        self._paths: dict[int, str] = {}

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def _ask(self, name: str, *given: Any) -> int | None:
        self.calls.append(call := Call(len(self.calls), name, given))
        return self._before(call)

    def mkdir(self, path: Path) -> None:
        self._ask("mkdir", str(path))
        os.mkdir(path)

    def open(self, path: Path, flags: int, mode: int = 0o777) -> int:
        self._ask("open", str(path), bool(flags & os.O_CREAT))
        descriptor = os.open(path, flags, mode)
        self._paths[descriptor] = str(path)
        return descriptor

    def write(self, descriptor: int, data: memoryview) -> int:
        taken = self._ask("write", self._paths[descriptor], bytes(data))
        return os.write(descriptor, data if taken is None else data[:taken])

    def fsync(self, descriptor: int) -> None:
        self._ask("fsync", self._paths[descriptor])
        # not asked of the real disk: what reaches it when is replayed from the list of calls

    def rename(self, source: Path, target: Path) -> None:
        self._ask("rename", str(source), str(target))
        os.rename(source, target)
        for descriptor, path in self._paths.items():
            if path == str(source):
                self._paths[descriptor] = str(target)

    def unlink(self, path: Path) -> None:
        self._ask("unlink", str(path))
        os.unlink(path)

    def close(self, descriptor: int) -> None:
        self._paths.pop(descriptor, None)
        os.close(descriptor)


@dataclass
class File:
    """What was written, and what of it was made to last."""

    data: bytes = b""
    lasting: bytes = b""
    unnamed: bool = False
    """Renamed, and not synced since: on FAT the new name has neither place nor length."""


@dataclass
class Folder:
    """What it holds, and what was in it when it was last made to last."""

    names: dict[str, File | Folder] = field(default_factory=dict)
    lasting: dict[str, File | Folder] = field(default_factory=dict)


def after_power_loss(calls: Sequence[Call], base: Path, start: Folder, loss: str) -> Folder:
    """The tree `start` below `base` after `calls`, as one of `LOSSES` would find it. `start` is changed."""
    for call in calls:
        _replay(call, base, start)
    return LOSSES[loss](start)


def _at(path: str, base: Path, root: Folder) -> File | Folder:
    node: File | Folder = root
    for step in Path(path).relative_to(base).parts:
        assert isinstance(node, Folder)
        node = node.names[step]
    return node


def _replay(call: Call, base: Path, root: Folder) -> None:
    path = Path(call.given[0])
    above = _at(str(path.parent), base, root) if path != base else Folder()
    assert isinstance(above, Folder)
    if call.name == "mkdir":
        above.names[path.name] = Folder()
    elif call.name == "open" and call.given[1]:
        above.names[path.name] = File()
    elif call.name == "write":
        above.names[path.name].data += call.given[1]  # type: ignore[union-attr]
    elif call.name == "rename":
        above.names[Path(call.given[1]).name] = moved = above.names.pop(path.name)
        if isinstance(moved, File):
            moved.unnamed = True
    elif call.name == "unlink":
        above.names.pop(path.name, None)
    elif call.name == "fsync":
        node = _at(call.given[0], base, root)
        if isinstance(node, Folder):
            node.lasting = dict(node.names)
        else:
            node.lasting, node.unnamed = node.data, False


def _as(node: File | Folder, names: str, data: Callable[[File], bytes]) -> Any:
    if isinstance(node, File):
        return File(data(node))
    held: Mapping[str, File | Folder] = getattr(node, names)
    return Folder({name: _as(each, names, data) for name, each in held.items()})


def _fat(file: File) -> bytes:
    return b"" if file.unnamed else file.lasting


def _torn(file: File) -> bytes:
    """Of what was not made to last, half arrives; the rest of its block is what lay there before."""
    loose = file.data[len(file.lasting) :]
    return file.lasting + loose[: len(loose) // 2]


def _rotten(file: File) -> bytes:
    """The length arrived, what was to stand there did not."""
    return file.lasting + bytes(len(file.data) - len(file.lasting))


LOSSES: Mapping[str, Callable[[Folder], Folder]] = {
    "everything arrived": lambda root: _as(root, "names", lambda file: file.data),
    "only what was made to last": lambda root: _as(root, "lasting", lambda file: file.lasting),
    "names but not data": lambda root: _as(root, "names", lambda file: file.lasting),
    "names, on FAT": lambda root: _as(root, "names", _fat),
    "names and half of the data": lambda root: _as(root, "names", _torn),
    "names and lengths": lambda root: _as(root, "names", _rotten),
}
"""What of it all a medium may hold when power comes back: file systems differ."""


def lay_out(folder: Folder, at: Path) -> None:
    """Make the tree `folder` at the path `at`, which is new."""
    at.mkdir()
    for name, node in folder.names.items():
        if isinstance(node, Folder):
            lay_out(node, at / name)
        else:
            (at / name).write_bytes(node.data)


def taken_in(at: Path) -> Folder:
    """The tree at the path `at`; all of it lasts."""
    nodes = {
        child.name: taken_in(child) if child.is_dir() else File(child.read_bytes(), child.read_bytes())
        for child in at.iterdir()
    }
    return Folder(dict(nodes), dict(nodes))
