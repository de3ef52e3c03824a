"""The rehearsal unit's heat obeys the laws that a real one would."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import load_unit
from agent.machine.rehearsal.physics import Heat, steady_die_celsius, truth
from agent.machine.rehearsal.unit import Unit
from reports.model.order import Form

DEMO = load_unit(Path(__file__).parents[4] / "agent" / "demo" / "unit.json")


def steady(unit: Unit = DEMO, **package: float) -> Unit:
    """`unit` without fluctuation, boost and drift."""
    calm = replace(unit.package, wander=0.0, boost_s=0.0, **package)
    return replace(unit, package=calm, cooling=replace(unit.cooling, drift_k_per_s=0.0))


def settled(unit: Unit, cores: int, seconds: float = 2000.0) -> Heat:
    heat = Heat(unit, 1)
    heat.busy = cores
    heat.advance(seconds)
    return heat


def test_steady_state_is_the_analytic_one():
    """Power through contact and cooler in series, at the fan speed that the end state has."""
    unit = steady()
    heat = settled(unit, unit.package.cores)

    cooling = unit.cooling
    given_off = cooling.still_w_per_k + cooling.forced_w_per_k * heat.rpm[0] / unit.blowers[0].full_rpm
    rise = unit.package.sustained_w * (cooling.contact_k_per_w + 1 / given_off)
    assert heat.die - cooling.room_celsius == pytest.approx(rise, rel=1e-4)
    assert heat.die == pytest.approx(steady_die_celsius(unit, unit.package.sustained_w), abs=0.01)


def test_what_goes_in_is_stored_or_given_off():
    """Energy in = heat in both nodes + heat given off, with the fan unplugged so that the loss is known."""
    unit = steady(replace(DEMO, blowers=()))
    heat = Heat(unit, 1)
    start_die, start_cooler, given_off = heat.die, heat.cooler, 0.0
    heat.busy = unit.package.cores
    for _ in range(3000):
        before = heat.cooler
        heat.advance(0.1)
        middle = (before + heat.cooler) / 2 - unit.cooling.room_celsius
        given_off += 0.1 * unit.cooling.still_w_per_k * middle

    stored = unit.cooling.die_j_per_k * (heat.die - start_die)
    stored += unit.cooling.cooler_j_per_k * (heat.cooler - start_cooler)
    assert heat.joules == pytest.approx(stored + given_off, rel=1e-3)


@settings(max_examples=50, deadline=None)
@given(st.sampled_from(Form), st.integers(0, 10_000), st.floats(1.0, 150.0), st.floats(0.1, 50.0))
def test_more_power_never_cools(form, seed, power, more):
    unit = random_good_unit(seed, form)

    assert steady_die_celsius(unit, power + more) > steady_die_celsius(unit, power)


def test_the_power_limit_steps_down_after_the_boost():
    unit = replace(DEMO, package=replace(DEMO.package, wander=0.0))
    heat = Heat(unit, 1)
    heat.busy = unit.package.cores
    heat.advance(10.0)
    boosted = heat.joules / 10.0
    heat.advance(30.0)
    before = heat.joules
    heat.advance(10.0)

    assert boosted == pytest.approx(unit.package.boost_w, rel=1e-3)
    assert (heat.joules - before) / 10.0 == pytest.approx(unit.package.sustained_w, rel=1e-3)


def test_a_unit_at_idle_stays_where_it_starts():
    heat = settled(steady(), 0, 600.0)

    assert heat.die == pytest.approx(Heat(steady(), 1).die, abs=0.01)


def test_the_room_drifts_and_the_unit_with_it():
    drifting = replace(steady(), cooling=replace(DEMO.cooling, drift_k_per_s=0.005))
    heat = Heat(drifting, 1)
    before = heat.die
    heat.advance(2000.0)

    # within what the fan, faster by then, takes away
    assert 8.0 < heat.die - before < 10.0


def test_the_processor_gives_way_before_it_melts():
    hot = replace(steady(), cooling=replace(DEMO.cooling, contact_k_per_w=4.0))
    heat = settled(hot, hot.package.cores)

    assert heat.die < hot.package.throttle_celsius + 11.0
    assert steady_die_celsius(hot, hot.package.sustained_w) > 180.0


def test_the_true_resistance_is_the_true_rise_per_watt():
    known = truth(DEMO)

    assert known.resistance_k_per_w == pytest.approx(known.steady_rise_k / (known.load_w - known.idle_w))
    assert 20.0 < known.steady_rise_k < 45.0
