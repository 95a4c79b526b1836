"""What the last user left set on a scope is not in the first reading."""

import pytest
from small_bench import DOUBLES, small_bench

from benchrig.bench.model import InstrumentSpec, Probe
from benchrig.clock import SimClock
from benchrig.instruments import load_driver
from benchrig.links import open_link
from benchrig.procedure.quantities import Measurement, ScopeSource
from benchrig.session.scope_reader import ScopeReader


@pytest.mark.parametrize("name", [name for name, (driver, _, _) in DOUBLES.items() if driver.startswith("scope")])
def test_a_step_begins_with_full_bandwidth_coupled_dc_and_the_right_probe(name: str) -> None:
    clock = SimClock()
    world = small_bench(clock, name)
    channel = world.double(name).double.front.channels[1]
    channel.limited, channel.coupling, channel.attenuation = True, "AC", 1.0
    scope = load_driver(DOUBLES[name][0])(open_link(f"sim://{name}", clock, world=world), clock, {})
    source = ScopeSource("scope", 1, Measurement.MEAN, probe="x10")
    probe = Probe("x10", 10.0, resistance=10e6, made_for=1e6)
    reader = ScopeReader(source, None, InstrumentSpec("scope", "d", "a", input_resistance=1e6), probe, 50.0, clock)
    reader(scope, clock.now() + 10.0)
    assert (channel.limited, channel.coupling, channel.attenuation) == (False, "DC", 10.0)
