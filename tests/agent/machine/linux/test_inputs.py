"""Keyboards, pointers, touch screens, lid and keys of the case: told by what they can send."""

import errno
import re
import subprocess

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from agent.machine.linux import inputs
from agent.machine.linux.inputs import KEYBOARD, LID, POINTER, POWER, TOUCH
from reports.model.evidence import Absent, Reading, Why
from tests.support.tools import need
from tests.support.trees import Unit

AT_KEYS = "402000000 3803078f800d001 feffffdfffefffff fffffffffffffffe"
"""The keys of an AT keyboard as Linux shows them (drivers/input/keyboard/atkbd.c)."""


def device(
    unit, place="platform/i8042/serio0", number=3, bus="0011", name="Keys", properties=0, **capabilities
):
    unit.device(place)
    masks = {f"capabilities/{sort}": mask for sort, mask in capabilities.items()}
    return unit.device(
        f"{place}/input/input{number}",
        "input",
        name=name,
        properties=properties,
        **{"id/bustype": bus, **masks},
    )


def only(unit):
    (found,) = inputs.devices(unit.tree)
    return found


@pytest.mark.parametrize(
    ("sorts", "capabilities"),
    [
        ((KEYBOARD,), {"key": AT_KEYS}),
        ((KEYBOARD,), {"key": "fffffffe"}),
        ((POWER,), {"key": "10000000000000 0"}),
        ((LID,), {"sw": "1"}),
        ((POINTER,), {"key": "ff0000 0 0 0 0", "rel": "903"}),
        ((POINTER,), {"key": "e520 10000 0 0 0 0", "abs": "2e0800000000003", "properties": "5"}),
        ((POINTER,), {"key": "70000 0 0 0 0", "abs": "3"}),
        ((TOUCH,), {"key": "400 0 0 0 0 0", "abs": "260800000000003", "properties": "2"}),
        ((TOUCH,), {"key": "400 0 0 0 0 0", "abs": "3"}),
    ],
)
def test_what_a_device_can_send_says_what_it_is(unit, sorts, capabilities):
    device(unit, **capabilities)

    assert only(unit).sorts == sorts


def test_the_power_key_that_a_keyboards_driver_claims_is_not_the_button_of_the_case(unit):
    device(unit, key=AT_KEYS)

    assert inputs.bits(unit.tree, "/sys/class/input/input3/capabilities/key") >= {116}  # KEY_POWER
    assert only(unit).sorts == (KEYBOARD,)


@pytest.mark.parametrize(
    "capabilities",
    [
        {"key": "fffffffc"},
        {"key": "8000000000 0"},
        {"key": "1c03 0 0 0 0 0", "abs": "1000003", "properties": "2"},
        {"sw": "2"},
        {"snd": "6"},
        {},
    ],
)
def test_headphone_jacks_pens_speakers_and_volume_keys_are_none_of_our_sorts(unit, capabilities):
    device(unit, **capabilities)

    assert inputs.devices(unit.tree) == ()


def test_a_device_has_its_bus_its_name_and_its_place(unit):
    device(unit, key=AT_KEYS, name="AT Translated Set 2 keyboard")

    assert only(unit).id == "platform-i8042-serio-0"
    assert only(unit).name == Reading("AT Translated Set 2 keyboard", "", "/sys/class/input/input3/name")
    assert only(unit).inside.value is True


def test_a_device_with_a_blank_name_has_none(unit):
    device(unit, key=AT_KEYS, name="")

    assert only(unit).name.why is Why.NOT_THERE


@pytest.mark.parametrize("bus", ["0005", "0006"])
def test_a_wireless_or_virtual_keyboard_is_no_part_of_the_unit(unit, bus):
    device(unit, "virtual/misc/uhid/0005:1D00:0001.0003", bus=bus, key=AT_KEYS)

    assert only(unit).inside == Reading(False, "", "/sys/class/input/input3/id/bustype")


@pytest.mark.parametrize(("removable", "inside"), [("fixed", True), ("removable", False)])
def test_a_keyboard_on_usb_is_inside_where_its_port_is(unit, removable, inside):
    port = "pci0000:00/0000:00:14.0/usb1/1-2"
    unit.device(port, bDeviceClass="00", devpath="2", removable=removable)
    device(unit, f"{port}/1-2:1.0/0003:1D00:0021.0002", bus="0003", key=AT_KEYS)

    assert (only(unit).id, only(unit).inside.value) == ("pci-0000:00:14.0-usb-0:2:1.0", inside)


@pytest.mark.parametrize(
    ("number", "why"), [(errno.EACCES, Why.NOT_PERMITTED), (errno.EIO, Why.DID_NOT_ANSWER)]
)
def test_a_name_that_cannot_be_read_says_why(unit, refuse, number, why):
    device(unit, key=AT_KEYS)
    refuse({"/name": number})

    assert only(unit).name.why is why


@pytest.mark.parametrize("file", ["capabilities/key", "capabilities/sw", "properties"])
@pytest.mark.parametrize(
    ("number", "why"), [(errno.EACCES, Why.NOT_PERMITTED), (errno.EIO, Why.DID_NOT_ANSWER)]
)
def test_a_device_that_cannot_be_asked_what_it_sends_is_not_taken_for_none(unit, refuse, file, number, why):
    device(unit, key=AT_KEYS, sw=0)
    device(unit, "platform/other", number=4, sw=1)
    refuse({f"input3/{file}": number})

    assert inputs.devices(unit.tree) == Absent(
        why, f"/sys/class/input/input3/{file}", "" if why is Why.NOT_PERMITTED else "Input/output error"
    )


def test_a_device_that_left_meanwhile_is_none(unit, refuse):
    device(unit, key=AT_KEYS)
    device(unit, "platform/other", number=4, sw=1)
    refuse({f"input3/capabilities/{file}": errno.ENODEV for file in ("key", "rel", "abs", "sw")})

    assert only(unit).sorts == (LID,)


def test_a_mask_that_is_none_is_not_understood(unit):
    device(unit, key="no mask at all")

    assert inputs.devices(unit.tree) == Absent(
        Why.NOT_UNDERSTOOD, "/sys/class/input/input3/capabilities/key", "no mask at all"
    )


def test_events_and_mice_of_the_old_interface_are_no_second_device(unit):
    place = device(unit, key=AT_KEYS)
    for name in ("event3", "mouse0", "mice"):
        unit.device(f"{place.removeprefix('/sys/devices/')}/{name}", "input")

    assert only(unit).sorts == (KEYBOARD,)


def test_no_input_device_is_told_from_no_way_to_look(unit):
    assert inputs.devices(unit.tree) == Absent(Why.NOT_THERE, inputs.CLASS)
    unit.place(inputs.CLASS).mkdir()
    assert inputs.devices(unit.tree) == ()


@given(st.sets(st.integers(0, 0x2FF)))
def test_a_mask_in_words_of_the_kernel_keeps_every_bit(tmp_path_factory, numbers):
    unit = Unit(tmp_path_factory.getbasetemp() / "mask")
    unit.file("/sys/mask", mask(numbers))

    assert inputs.bits(unit.tree, "/sys/mask") == numbers


def mask(numbers) -> str:
    """Hexadecimal words of 64 bits, highest first, leading ones left out (drivers/input/input.c)."""
    whole = sum(1 << number for number in numbers)
    words = [whole >> 64 * place & (1 << 64) - 1 for place in range(12)]
    while len(words) > 1 and not words[-1]:
        words.pop()
    return " ".join(f"{word:x}" for word in reversed(words))


def several(*choices):
    return st.sets(st.sampled_from(choices)).map(lambda groups: set().union(*groups))


def group(*codes):
    return frozenset(codes)


MADE = st.fixed_dictionaries(
    {
        "key": several(
            group(*range(1, 32)), group(*range(1, 31)), group(116), group(0x110), group(0x110, 0x111, 0x112),
            group(0x14A), group(0x145), group(0x14B), group(0x140),
        ),
        "rel": several(group(0), group(0, 1), group(8)),
        "abs": several(group(0), group(0, 1), group(0x2F), group(0x2E), group(0x35), group(0x35, 0x36)),
        "sw": several(group(0), group(2)),
        "properties": several(group(0), group(1)),
    }
)  # fmt: skip
"""Masks of what tells the sorts apart: keys, buttons, pens, fingers; axes; switches; pointer, direct."""

EVERY_AXIS_AND_A_PEN = {"key": frozenset({0x110, 0x14B}), "rel": frozenset(), "sw": frozenset(),
                        "abs": frozenset({0x2E, 0x2F, 0x35, 0x36}), "properties": frozenset()}  # fmt: skip

NOTED = {"ID_INPUT_KEYBOARD": KEYBOARD, "ID_INPUT_MOUSE": POINTER, "ID_INPUT_TOUCHPAD": POINTER,
         "ID_INPUT_TOUCHSCREEN": TOUCH}  # fmt: skip


def block(number, masks) -> str:
    every = {"ev": "2b", **{name: mask(bits) for name, bits in masks.items()}}
    lines = [f"P: /devices/virtual/input/input{number}", "E: SUBSYSTEM=input", "A: name=made\\n"]
    for name, bits in every.items():
        lines.append(f"A: {'' if name == 'properties' else 'capabilities/'}{name}={bits}\\n")
    return "\n".join(lines)


def by_udev(description, count) -> list[set[str]]:
    """What `udevadm test-builtin input_id` says of each device, in our words."""
    udevadm, umockdev = need("udevadm"), need("umockdev-run")
    each = f'"{udevadm}" test-builtin input_id /sys/class/input/input$n 2>/dev/null || true'
    script = f"for n in $(seq 0 {count - 1}); do echo device $n; {each}; done"
    text = subprocess.run(
        [umockdev, "--device", description, "--", "sh", "-c", script],
        capture_output=True, text=True, check=True, timeout=120,
    ).stdout  # fmt: skip
    said = re.split(r"^device \d+$", text, flags=re.MULTILINE)[1:]
    return [
        {NOTED[name] for name in re.findall(r"^(\w+)=1$", part, re.MULTILINE) if name in NOTED}
        for part in said
    ]


def sorts(unit, folder):
    found = inputs._device(unit.tree, folder)
    return set(found.sorts)


def test_udev_sorts_made_devices_as_we_do(tmp_path):
    made = []

    @settings(max_examples=60, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(MADE)
    @example(EVERY_AXIS_AND_A_PEN)
    def collect(masks):
        made.append(masks)

    collect()
    unit = Unit(tmp_path / "unit")
    text = "\n\n".join(block(number, masks) for number, masks in enumerate(made))
    (tmp_path / "made.umockdev").write_text(text)
    for number, masks in enumerate(made):
        device(unit, "virtual/input", number, bus="0000",
               **{name: mask(bits) for name, bits in masks.items()})  # fmt: skip
    folder = "/sys/devices/virtual/input/input/input"
    ours = [sorts(unit, f"{folder}{n}") - {LID, POWER} for n in range(len(made))]

    assert ours == by_udev(tmp_path / "made.umockdev", len(made))
    assert {sort for each in ours for sort in each} == {KEYBOARD, POINTER, TOUCH}
