"""Wireless adapters, their switches, and what comes in through each antenna lead."""

import errno
import sys

import pytest

from agent.machine.linux import wireless
from agent.machine.linux.wireless import Chain, Heard, Network
from reports.model.evidence import Why
from tests.support.airwaves import UAPI, network, radio_of, station
from tests.support.tools import output
from tests.support.trees import Unit

CARD = "pci0000:00/0000:00:14.3"
A, B = "020000000001", "020000000002"


def card(unit: Unit, driver="tarnwifi", phy="phy0", up=True) -> None:
    unit.device(
        CARD, "pci", bus=True, driver=driver, **{"class": "0x028000", "vendor": "0x1d00", "device": "0x0007"}
    )
    if phy:
        unit.device(f"{CARD}/ieee80211/{phy}", "ieee80211", parent=CARD)
        unit.device(f"{CARD}/net/wlan0", "net", ifindex=3, flags="0x1003" if up else "0x1002")
        unit.link(f"/sys/devices/{CARD}/net/wlan0/phy80211", f"/sys/devices/{CARD}/ieee80211/{phy}")


def switch(unit: Unit, number: int, place: str, kind="wlan", soft=0, hard=0) -> None:
    unit.device(f"{place}/rfkill{number}", "rfkill", type=kind, soft=soft, hard=hard)


def only(unit: Unit) -> wireless.Adapter:
    (adapter,) = wireless.adapters(unit.tree)
    return adapter


def test_the_numbers_of_the_kernel_are_those_of_its_header():
    assert tuple(
        UAPI[f"NL80211_{name}"]
        for name in (
            "BSS_BSSID",
            "BSS_SIGNAL_MBM",
            "BSS_SEEN_MS_AGO",
            "BSS_CHAIN_SIGNAL",
            "STA_INFO_SIGNAL",
            "STA_INFO_CHAIN_SIGNAL",
            "BSS_FREQUENCY",
        )
    ) == (
        wireless._BSS_BSSID,
        wireless._BSS_SIGNAL_MBM,
        wireless._BSS_SEEN_MS_AGO,
        wireless._BSS_CHAIN_SIGNAL,
        wireless._STA_SIGNAL,
        wireless._STA_CHAIN,
        wireless._BSS_FREQUENCY,
    )


def test_an_adapter_has_its_driver_its_model_and_its_bus(unit):
    card(unit)
    adapter = only(unit)

    assert (adapter.id, adapter.driver.value, adapter.model.value) == (
        "pci-0000:00:14.3",
        "tarnwifi",
        "1d00:0007",
    )
    assert wireless.interfaces(unit.tree, adapter) == (("wlan0", 3),)


def test_a_module_that_no_driver_took_is_an_adapter_without_a_driver(unit):
    card(unit, driver="", phy="")

    assert only(unit).driver.why is Why.NOT_THERE


def test_an_adapter_on_usb_calls_itself_by_its_product(unit):
    unit.device("pci0000:00/0000:00:14.0/usb1/1-2", product="Tarnwick Wireless")
    interface = "pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0"
    unit.device(interface, driver="tarnusb")
    unit.device(f"{interface}/ieee80211/phy1", "ieee80211", parent=interface)

    assert (only(unit).id, only(unit).model.value) == ("pci-0000:00:14.0-usb-0:2:1.0", "Tarnwick Wireless")


def test_a_radio_listed_twice_among_the_switches_is_one_adapter_and_any_switch_silences_it(unit):
    card(unit)
    switch(unit, 0, f"{CARD}/ieee80211/phy0", soft=0)
    switch(unit, 3, f"{CARD}/ieee80211/phy0", soft=1)

    assert only(unit).soft_blocked.value is True
    assert only(unit).hard_blocked.value is False


def test_the_switch_of_the_unit_silences_its_radio(unit):
    card(unit)
    switch(unit, 0, f"{CARD}/ieee80211/phy0")
    switch(unit, 1, "platform/tarnkeys/rfkill", hard=1)

    assert only(unit).hard_blocked.value is True


def test_the_switch_of_another_radio_or_kind_does_not(unit):
    card(unit)
    switch(unit, 0, "pci0000:00/0000:00:1c.0/ieee80211/phy9", hard=1)
    switch(unit, 1, "platform/tarnkeys/rfkill", kind="bluetooth", hard=1)

    assert only(unit).hard_blocked.why is Why.NOT_THERE


def test_a_switch_that_says_neither_yes_nor_no_is_not_understood(unit):
    card(unit)
    switch(unit, 0, f"{CARD}/ieee80211/phy0", soft="maybe")

    assert only(unit).soft_blocked.why is Why.NOT_UNDERSTOOD


def test_no_adapter_is_told_from_no_way_to_look(unit):
    assert wireless.adapters(unit.tree).why is Why.NOT_SUPPORTED
    unit.place("/sys/bus/pci/devices").mkdir(parents=True)
    assert wireless.adapters(unit.tree) == ()


def test_the_chains_of_a_network_keep_their_numbers():
    heard = list(wireless.scanned([network(A, -42.5, {1: -45, 3: -60}), network(B, -70)]))

    assert heard == [Heard(A, -42.5, ((1, -45), (3, -60))), Heard(B, -70.0, ())]


def test_the_access_point_tells_its_chains_as_a_station():
    assert list(wireless.joined([station(A, -50, {0: -51, 1: -72})])) == [
        Heard(A, -50.0, ((0, -51), (1, -72)))
    ]


def test_a_network_heard_long_ago_is_left_out():
    assert list(wireless.scanned([network(A, -40, {0: -40}, seen_ms=60_000)])) == []


def rounds(*hearings):
    left = iter(hearings)
    return lambda index: next(left)


def test_the_answer_is_the_median_of_the_strongest_network(unit):
    card(unit)
    air = rounds(
        [Heard(A, -50, ((0, -50), (1, -70))), Heard(B, -30, ())],
        [Heard(A, -52, ((0, -53), (1, -90)))],
        [Heard(A, -51, ((0, -52), (1, -71))), Heard(B, -60, ((0, -60),))],
    )

    assert wireless.listen(unit.tree, only(unit), air) == (Chain(0, -52.0, 3), Chain(1, -71.0, 3))


def test_a_driver_that_does_not_tell_its_chains_is_not_supported(unit):
    card(unit)
    answer = wireless.listen(unit.tree, only(unit), lambda index: [Heard(A, -50, ())])

    assert answer.why is Why.NOT_SUPPORTED


def test_an_empty_air_did_not_answer(unit):
    card(unit)

    assert wireless.listen(unit.tree, only(unit), lambda index: []).why is Why.DID_NOT_ANSWER


def test_an_interface_that_is_down_is_switched_off_and_not_brought_up(unit):
    card(unit, up=False)

    assert wireless.listen(unit.tree, only(unit), lambda index: []).why is Why.SWITCHED_OFF


def test_an_adapter_whose_driver_made_no_radio_has_nothing_to_listen_with(unit):
    card(unit, phy="")

    assert wireless.listen(unit.tree, only(unit), lambda index: []).why is Why.NOT_THERE


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.EPERM, Why.NOT_PERMITTED),
        (errno.ENETDOWN, Why.SWITCHED_OFF),
        (errno.ENODEV, Why.NOT_THERE),
        (errno.EBUSY, Why.DID_NOT_ANSWER),
    ],
)
def test_a_scan_that_is_refused_says_why(unit, number, why):
    def air(index):
        raise OSError(number, "refused")

    card(unit)
    assert wireless.listen(unit.tree, only(unit), air).why is why


def test_a_network_tells_where_it_sends():
    assert list(wireless.scanned([network(A, -42.5, mhz=5180)])) == [Heard(A, -42.5, (), 5180)]


def test_a_frame_without_a_level_of_its_own_has_that_of_its_chains_together():
    """Two equal powers are 3 dB more than one."""
    (heard,) = wireless.scanned([network(A, None, {0: -50, 1: -50}, mhz=2437)])

    assert heard.signal == -47.0
    assert list(wireless.scanned([network(A, None)])) == []


def test_the_networks_in_range_are_medians_by_sender_and_one_without_a_frequency_is_none(unit):
    card(unit)
    air = rounds(
        [Heard(A, -50, (), 2437), Heard(B, -70, ())],
        [Heard(A, -90, (), 2437)],
        [Heard(A, -52, ()), Heard(B, -71, ())],
    )

    assert wireless.networks(unit.tree, only(unit), air, 3) == (Network(A, 2437, -52.0, 3),)


def test_an_empty_air_is_no_network_and_a_radio_that_is_down_heard_nothing_at_all(unit):
    card(unit)
    assert wireless.networks(unit.tree, only(unit), lambda index: [], 3) == ()

    unit.file(f"/sys/devices/{CARD}/net/wlan0/flags", "0x1002")
    assert wireless.networks(unit.tree, only(unit), lambda index: [], 3).why is Why.SWITCHED_OFF


def test_a_frequency_that_is_switched_off_by_the_rules_of_the_country_is_none():
    told = [
        radio_of(4, [[(2412, True), (2484, False)]]),
        radio_of(4, [[], [(5180, True)]]),
        radio_of(5, [[(5955, True)]]),
    ]

    assert list(wireless.enabled(told, 4)) == [2412, 5180]


def test_what_a_radio_may_listen_at_is_asked_by_its_number(unit):
    card(unit)
    unit.file(f"/sys/devices/{CARD}/ieee80211/phy0/index", "7")
    allowed = wireless.frequencies(unit.tree, only(unit), lambda phy: [5180, 2412, 2412] if phy == 7 else [])

    assert allowed == (2412, 5180)
    silent = wireless.frequencies(unit.tree, only(unit), lambda phy: [])
    assert silent.why is Why.NOT_SUPPORTED


ASK_THE_KERNEL = """
from agent.machine.linux.wireless import over_the_air
try:
    list(over_the_air(2**30))
except OSError as error:
    print("refused", error.errno)
"""


def test_the_kernel_of_this_computer_refuses_an_interface_that_it_does_not_have():
    """In a process of its own: pyroute2 leaves a socket behind where the kernel has no nl80211."""
    said, _, number = output(sys.executable, "-c", ASK_THE_KERNEL).partition(" ")

    assert said == "refused"
    assert int(number) in (errno.ENOENT, errno.ENODEV, errno.EPERM)
