"""Sound cards: what the unit itself can play and record, told from what ends in a display or a headset."""

import errno

import pytest

from agent.machine.linux import alsa
from reports.model.evidence import Absent, Reading, Why

HDA = "pci0000:00/0000:00:1f.3"
HEADSET = "pci0000:00/0000:00:14.0/usb1/1-3"


def card(unit, *streams, number=0, place=HDA, **files):
    """A card with streams such as `D0p`; `info` of one is written by `says`."""
    unit.device(place)
    folder = unit.device(f"{place}/sound/card{number}", "sound", parent=place, id="PCH", **files)
    for stream in streams:
        unit.device(f"{place}/sound/card{number}/pcmC{number}{stream}", "sound", pcm_class="generic")
    return folder


def says(unit, stream, id, number=0):
    unit.file(f"/proc/asound/card{number}/pcm{stream}/info", f"card: {number}\nid: {id}\nname: {id}")


def only(unit):
    (found,) = alsa.cards(unit.tree)
    return found


def test_a_card_is_named_by_its_bus_and_its_codec(unit):
    card(unit, "D0p", "D0c", **{"hwC0D0/chip_name": "TW255", "hwC0D2/chip_name": "TW-HDMI"})

    assert only(unit).id == "pci-0000:00:1f.3"
    assert only(unit).model == Reading("TW255", "", "/sys/class/sound/card0/hwC0D0/chip_name")


@pytest.mark.parametrize("codec", [{}, {"hwC0D0/vendor_name": "Tarnwick"}, {"hwC0D0/chip_name": ""}])
def test_without_a_codec_that_gives_its_name_the_card_has_its_own(unit, codec):
    card(unit, **codec)

    assert only(unit).model == Reading("PCH", "", "/sys/class/sound/card0/id")


def test_a_card_without_any_name_says_why(unit):
    unit.place(f"{card(unit)}/id").unlink()

    assert only(unit).model == Absent(Why.NOT_THERE, "/sys/class/sound/card0/id")


@pytest.mark.parametrize(
    ("streams", "plays", "records"),
    [
        (("D0p", "D0c"), True, True),
        (("D0p",), True, False),
        (("D2c",), False, True),
        ((), False, False),
    ],
)
def test_streams_of_the_card_say_what_it_plays_and_records(unit, streams, plays, records):
    card(unit, *streams)

    assert only(unit).plays == Reading(plays, "", "/sys/class/sound/card0")
    assert only(unit).records == Reading(records, "", "/sys/class/sound/card0")


@pytest.mark.parametrize("id", ["HDMI 0", "HDMI 1", "DP 0", "HDMI"])
def test_a_stream_that_ends_in_a_display_cable_is_none_of_the_units_speakers(unit, id):
    card(unit, "D3p", "D0c")
    says(unit, "3p", id)

    assert (only(unit).plays.value, only(unit).records.value) == (False, True)


def test_a_stream_of_the_codec_beside_that_of_a_display_still_plays(unit):
    card(unit, "D0p", "D3p")
    says(unit, "0p", "TW255 Analog")
    says(unit, "3p", "HDMI 0")

    assert only(unit).plays.value is True


def test_a_name_that_only_begins_like_a_display_cable_is_a_speaker(unit):
    card(unit, "D0p")
    says(unit, "0p", "DPX amplifier")

    assert only(unit).plays.value is True


def test_streams_of_card_1_are_not_those_of_card_10(unit):
    card(unit, "D0p", number=1)
    card(unit, number=10, place="pci0000:00/0000:01:00.1")

    assert [each.plays.value for each in alsa.cards(unit.tree)] == [True, False]


@pytest.mark.parametrize(("removable", "inside"), [("fixed", True), ("removable", False)])
def test_a_headset_at_a_socket_is_not_part_of_the_unit(unit, removable, inside):
    unit.device(HEADSET, bDeviceClass="00", devpath="3", removable=removable)
    card(unit, "D0p", place=f"{HEADSET}/1-3:1.0")

    assert only(unit).id == "pci-0000:00:14.0-usb-0:3:1.0"
    assert only(unit).inside.value is inside


def test_a_card_at_a_socket_that_nobody_described_is_neither(unit):
    unit.device(HEADSET, bDeviceClass="00", devpath="3", removable="unknown")
    card(unit, "D0p", place=f"{HEADSET}/1-3:1.0")

    assert only(unit).inside.why is Why.NOT_SUPPORTED


def test_a_card_without_a_device_is_virtual_and_not_unknown(unit):
    unit.device("virtual/sound/card0", "sound", id="Loopback")

    assert only(unit).id == "virtual-card0"


def test_a_sound_core_without_cards_looked_and_found_none(unit):
    unit.device("virtual/sound/timer", "sound")
    unit.device("virtual/sound/seq", "sound")

    assert alsa.cards(unit.tree) == ()


def test_without_a_sound_core_nobody_looked(unit):
    assert alsa.cards(unit.tree) == Absent(Why.NOT_THERE, alsa.CLASS)


def test_a_codec_that_does_not_answer_leaves_the_name_of_the_card(unit, refuse):
    card(unit, **{"hwC0D0/chip_name": "TW255"})
    refuse({"chip_name": errno.EIO})

    assert only(unit).model.value == "PCH"
