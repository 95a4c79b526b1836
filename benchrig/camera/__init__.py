"""Pictures as measurements: from a camera's frame to millimetres on the glass, with uncertainties. No I/O, no clock."""
