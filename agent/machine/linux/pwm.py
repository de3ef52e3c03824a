"""Fan speed by command: `pwm*` and `pwm*_enable` (Linux, Documentation/hwmon/sysfs-interface.rst).

`pwm*` is 0 to 255; `pwm*_enable` 0 is full speed without control, 1 is by command, 2 and more are the chip's
own control. Upwards only: what a command can do is full speed, and what stood there before is put back by the
guard, speed before mode.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree
from agent.machine.linux.hwmon import CLASS, Channel
from agent.running.guard import Original, UnsafeTarget, change, guarded
from reports.model.evidence import Absent, Reading, Why

FULL: Final = 255
BY_COMMAND: Final = 1


@dataclass(frozen=True, slots=True)
class Control:
    """The files of one fan's control, by the class folder that the guard knows, and what stands in them."""

    duty_file: str
    mode_file: str
    duty: int
    mode: int

    @property
    def originals(self) -> tuple[Original, ...]:
        return Original(self.duty_file, str(self.duty)), Original(self.mode_file, str(self.mode))


def control_of(tree: Tree, fan: Channel) -> Control | Absent:
    """The control with the fan's own number; absent where there is none or it could ask for no more."""
    folder = _class_folder(tree, fan)
    if folder is None:
        return Absent(Why.NOT_THERE, fan.id, "its chip is gone")
    files = f"{folder}/pwm{fan.number}", f"{folder}/pwm{fan.number}_enable"
    duty, mode = (tree.integer(file) for file in files)
    if isinstance(duty, Absent):
        return Absent(Why.NOT_SUPPORTED, files[0], "the chip drives this fan by no command")
    if isinstance(mode, Absent):
        return Absent(Why.NOT_SUPPORTED, files[1], "the chip does not tell who drives this fan")
    if int(mode.value) == 0 or int(duty.value) >= FULL:
        return Absent(Why.NOT_SUPPORTED, files[0], "the fan is at full speed already")
    return Control(*files, int(duty.value), int(mode.value))


def _class_folder(tree: Tree, fan: Channel) -> str | None:
    chips = tree.names(CLASS)
    names = () if isinstance(chips, Absent) else chips
    return next((f"{CLASS}/{name}" for name in names if tree.resolved(f"{CLASS}/{name}") == fan.folder), None)


@contextmanager
def full_speed(tree: Tree, fan: Channel) -> Iterator[Reading | Absent]:
    """Full speed while the context is open; gives the duty commanded, or why nothing was."""
    control = control_of(tree, fan)
    if isinstance(control, Absent):
        yield control
        return
    with ExitStack() as held:
        try:
            held.enter_context(guarded(control.originals, tree.root))
            change(Original(control.mode_file, str(BY_COMMAND)), tree.root)
            change(Original(control.duty_file, str(FULL)), tree.root)
        except (OSError, RuntimeError, UnsafeTarget) as error:
            allowed: Reading | Absent = Absent(Why.NOT_PERMITTED, control.duty_file, str(error)[:200])
        else:
            allowed = Reading(FULL, "", control.duty_file)
        yield allowed
