"""Graphics chips that draw: cards that get too hot, pads that are missing, chips that nothing can load."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.cooling.series import contact_of
from checks.graphics.heat import HEAT, HOT, WARM
from checks.machine import TemperatureSensor
from reports.model.baseline import SCHEMA, Baseline, Intake, ThermalContact
from reports.model.evidence import Reading, Series, Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import (
    Bench,
    Warming,
    absent,
    drawn,
    graphics_chip,
    identity,
    judged,
    laptop,
    part,
    said,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

CRITICAL = (
    TemperatureSensor("card", "gfx_test", "edge", said(100.0, "celsius")),
    TemperatureSensor("card memory", "gfx_test", "mem", said(90.0, "celsius")),
)
OWN = graphics_chip(id="pci-0000:00:02.0", on_card=said(False), sensors=())


def heated(rise_k=30.0, *, person=None, about=None, cools=True, **facts):
    plain = {"temperature": Warming(rise_k, cools=cools), "temperature_sensors": CRITICAL}
    return judged(HEAT, laptop(**plain | facts), about or subject(PartKind.GRAPHICS), person)


def by_map(name, value, unit):
    limit = Limit(name, value, unit, Origin.SERVICE_MAP)
    return subject(PartKind.GRAPHICS, about=part(PartKind.GRAPHICS, limits=(limit,)))


@shows("graphics.heat", PASSES)
def test_a_card_that_warms_stays_safe_and_cools_passes_and_is_named():
    judgement, evidence = heated()

    assert judgement.verdict is Verdict.PASS
    assert judgement.way is Way.INFERRED
    assert judgement.reason.startswith("HG card at pci-0000:01:00.0 was heated by 30 K to 65 celsius")
    assert isinstance(evidence.felt.why, Why)


@shows("graphics.heat", FAILS)
def test_a_card_that_reaches_the_safe_temperature_is_stopped_and_its_cooler_is_looked_at():
    judgement, evidence = heated(90.0)

    assert judgement.verdict is Verdict.FAIL
    assert "95 is safe" in judgement.reason
    assert "cooler" in judgement.advice
    assert judgement.limit.value == 95.0
    assert max(evidence.chips[0].load.temperature.taken) < 100.0


@shows("graphics.heat", FAILS)
def test_memory_that_gets_too_hot_ends_the_load_and_the_pads_come_first():
    warming = Warming(20.0)

    def temperature(machine, sensor):
        celsius = warming(machine, sensor)
        return said(celsius.value + 45.0 * machine.draws, "celsius") if sensor == "card memory" else celsius

    chip = graphics_chip(sensors=("card", "card memory"))
    judgement, evidence = heated(temperature=temperature, graphics_chips=(chip,))

    assert judgement.verdict is Verdict.FAIL
    assert "mem" in judgement.reason
    assert "pads on its memory" in judgement.advice
    assert judgement.limit.value == 85.0
    assert evidence.chips[0].spots[0].hottest.value >= 85.0


@shows("graphics.heat", FAILS)
def test_a_chip_that_draws_wrong_is_a_fault_though_it_stays_cool():
    judgement, _ = heated(drawn=drawn(wrong=said(3)))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "HG card at pci-0000:01:00.0 draws wrong under load"


@shows("graphics.heat", FAILS)
def test_a_chip_that_does_not_cool_again_fails():
    judgement, _ = heated(cools=False)

    assert judgement.verdict is Verdict.FAIL
    assert "lost 0% of its rise" in judgement.reason
    assert judgement.advice.startswith("look at the card's fan")


@shows("graphics.heat", BOUNDARY)
@pytest.mark.parametrize(("rise_k", "verdict"), [(4.9, Verdict.INCONCLUSIVE), (5.1, Verdict.PASS)])
def test_a_chip_has_to_warm_by_5_k_for_its_cooling_to_be_tried(rise_k, verdict):
    assert heated(rise_k)[0].verdict is verdict


@shows("graphics.heat", CANNOT)
@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"drawn": drawn(driver=absent(Why.NOT_SUPPORTED, "no open driver draws"))}, "no open driver draws"),
        ({"drawn": drawn(by_processor=said(True))}, "the processor draws in its place"),
        ({"graphics_chips": (graphics_chip(sensors=()),)}, "no sensor tells how hot it is"),
        ({"temperature": absent(Why.DID_NOT_ANSWER, "asleep")}, "asleep"),
    ],
)
def test_what_cannot_be_loaded_or_watched_is_never_heated_and_says_why(facts, words):
    machine = laptop(temperature_sensors=CRITICAL, **{"temperature": Warming(), **facts})
    judgement = judged(HEAT, machine, subject(PartKind.GRAPHICS))[0]

    assert not machine.drew
    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert words in judgement.reason
    assert "feel its heat" in judgement.advice


@pytest.mark.parametrize(("words", "verdict"), [(WARM, Verdict.PASS), (HOT, Verdict.FAIL)])
def test_a_person_feels_where_no_load_is_to_be_had(words, verdict):
    person = Bench({"graphics.heat.felt": words})
    judgement, _ = heated(drawn=drawn(by_processor=said(True)), person=person)

    assert person.asked == ["graphics.heat.felt"]
    assert judgement.verdict is verdict
    assert judgement.way is Way.OBSERVED
    assert judgement.measured.source == "felt by t7"


def test_evidence_of_the_processors_drawing_never_passes_as_the_chips():
    _, evidence = heated()
    chip = replace(evidence.chips[0], drawn=drawn(by_processor=said(True)))

    judgement = HEAT.judge(replace(evidence, chips=(chip,)), HEAT.limits(subject(PartKind.GRAPHICS)))

    assert judgement.verdict is Verdict.INCONCLUSIVE


def test_nobody_is_asked_about_a_chip_that_was_heated():
    person = Bench()
    heated(person=person)

    assert person.asked == []


def test_nobody_feels_a_card_that_does_not_answer():
    person = Bench({"graphics.heat.felt": WARM})

    judgement, _ = heated(graphics_chips=(), person=person)

    assert person.asked == []
    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert "reseat the card" in judgement.advice


def test_a_fault_that_was_measured_outweighs_what_a_hand_felt():
    good = graphics_chip(id="pci-0000:02:00.0", sensors=())
    person = Bench({"graphics.heat.felt": WARM})

    judgement, _ = heated(90.0, graphics_chips=(graphics_chip(), good), person=person)

    assert judgement.verdict is Verdict.FAIL


def test_a_chip_that_gave_out_is_not_passed():
    judgement, _ = heated(drawn=drawn(ended=said("its process ended")))

    assert judgement.cannot is Cannot.DID_NOT_ANSWER
    assert "gave out under load" in judgement.reason


def test_beside_a_card_the_chip_of_the_processor_is_left_alone():
    _, evidence = heated(graphics_chips=(OWN, graphics_chip()))

    assert [chip.id.value for chip in evidence.chips] == ["pci-0000:01:00.0"]


def test_without_a_card_the_processors_chip_is_heated_and_watched_by_the_processors_sensor():
    cpu = TemperatureSensor("cpu", "coretemp", "Package", said(100.0, "celsius"))
    facts = {"graphics_chips": (OWN,), "temperature_sensors": (cpu,)}

    assert heated(**facts)[0].verdict is Verdict.PASS
    hot, evidence = heated(90.0, **facts)
    assert hot.verdict is Verdict.FAIL
    assert "shares the processor's cooler" in hot.advice
    assert evidence.chips[0].load.safe.value == 95.0


def test_every_card_that_was_heated_is_named():
    judgement, _ = heated(graphics_chips=(graphics_chip(), graphics_chip(id="pci-0000:02:00.0")))

    assert "at pci-0000:01:00.0 was heated" in judgement.reason
    assert "at pci-0000:02:00.0 was heated" in judgement.reason


@pytest.mark.parametrize(("most_k", "verdict"), [(20.0, Verdict.FAIL), (45.0, Verdict.PASS)])
def test_the_map_may_know_how_far_a_sound_card_rises(most_k, verdict):
    assert heated(about=by_map("steady_rise", most_k, "K"))[0].verdict is verdict


def test_the_map_may_know_a_lower_safe_temperature():
    judgement, _ = heated(about=by_map("safe_temperature", 50.0, "celsius"))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.limit.origin is Origin.SERVICE_MAP


class Metered:
    """A card of two nodes whose energy is counted: 10 W at rest, 100 W while it draws."""

    def __init__(self, contact: float = 0.12) -> None:
        self.contact, self.die, self.cooler, self.joules, self.until_s = contact, 0.0, 0.0, 0.0, 0.0
        self.die, self.cooler = 10.0 * (contact + 0.25), 2.5

    def pass_to(self, machine) -> None:
        left = machine.clock.seconds - self.until_s
        power = 100.0 if machine.draws else 10.0
        while left > 1e-9:
            step = min(left, 0.05)
            across = (self.die - self.cooler) / self.contact
            self.die += step * (power - across) / (3.0 / 0.12)
            self.cooler += step * (across - self.cooler / 0.25) / (60.0 / 0.25)
            self.joules += step * power
            left -= step
        self.until_s = machine.clock.seconds

    def temperature(self, machine, sensor):
        self.pass_to(machine)
        return said(round(25.0 + self.die, 1), "celsius")

    def energy(self, machine):
        self.pass_to(machine)
        return said(self.joules, "joules")


def metered(contact=0.12, about=None):
    card = Metered(contact)
    return heated(temperature=card.temperature, graphics_energy=card.energy, about=about)


def at_intake(evidence):
    """The baseline that `evidence` was recorded for."""
    contact = contact_of(evidence.chips[0].load)
    return Baseline(
        schema=SCHEMA,
        order_number="LM-2093",
        intake=Intake.RAN,
        label_serial="",
        taken="2026-03-01T08:00:00Z",
        unit=identity(),
        complaint_shows="not asked",
        noted=(),
        thermal_resistance_k_per_w=absent(),
        graphics_contact=ThermalContact(said(contact.resistance, "K/W"), said(contact.time_constant_s, "s")),
    )


def test_with_its_power_known_the_contact_is_compared_with_that_at_intake():
    before, evidence = metered()
    about = subject(PartKind.GRAPHICS, baseline=at_intake(evidence))

    same, _ = metered(about=about)
    worse, _ = metered(0.3, about=about)

    assert before.verdict is same.verdict is Verdict.PASS
    assert same.way is Way.INSTRUMENT
    assert worse.verdict is Verdict.FAIL
    assert worse.limit.origin is Origin.BASELINE
    assert "compound" in worse.advice


@pytest.mark.parametrize(("most", "verdict"), [(0.3, Verdict.FAIL), (0.5, Verdict.PASS)])
def test_with_its_power_known_the_map_may_limit_its_resistance(most, verdict):
    judgement, evidence = metered(about=by_map("thermal_resistance", most, "K/W"))

    assert isinstance(evidence.chips[0].load.power, Series)
    assert judgement.verdict is verdict
    if verdict is Verdict.FAIL:
        assert isinstance(judgement.measured, Reading)
        assert judgement.measured.value == pytest.approx(0.37, rel=0.1)
