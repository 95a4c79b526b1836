"""Somebody else's client on the served demo bench reads what the simulated unit truly has."""

import pytest
from benchrig.sim_instruments.launch import launch

pytestmark = pytest.mark.filterwarnings("ignore")  # the library's own


def test_pymeasure_reads_a_rail_of_the_simulated_unit():
    """PyMeasure HP34401A over TCP, against the chassis's own truth at A1 TP1."""
    hp = pytest.importorskip("pymeasure.instruments.hp", reason="pip install pymeasure to run this test")
    with launch("skerry14", 3) as doubles:
        meter = hp.HP34401A(
            doubles.addresses["meter"],
            visa_library="@py",
            read_termination="\n",
            write_termination="\n",
            timeout=10_000,
        )
        assert "34401A" in meter.id
        meter.function_ = "DCV"
        meter.autorange = True
        reading = meter.reading
        # The probe may load the rail by microvolts; the meter's data sheet allows half a millivolt here.
        assert reading == pytest.approx(doubles.hands.truth("A1 TP1"), abs=2e-3)
        meter.adapter.close()
