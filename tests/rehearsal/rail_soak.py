"""A soak of one rail of the demo bench, served: its procedure, its bench file, and waiting for what it does."""

import time

from benchrig.commands.options import locate

RIGHT, WRONG = ("11.4 V", "12.6 V"), ("12.9 V", "13.1 V")  # windows: the rail stands at 12 V
SOAK = """
[procedure]
id = "rail"
title = "A rail"
unit = "Skerry 14"

[[step]]
id = "watch"
kind = "soak"
title = "Rail"
lasts = "{lasts}"

[[step.channels]]
name = "+12 V"
instrument = "meter"
function = "dc voltage"
point = "A1 TP1"
expected = "12 V"
window = ["{low}", "{high}"]
interval = "0.1 s"
"""


def write_soak(place, lasts="10 min", window=RIGHT):
    """The procedure file."""
    place.write_text(SOAK.format(lasts=lasts, low=window[0], high=window[1]))


def write_bench(place, doubles, more=""):
    """The demo bench with its instruments where they are served; `more` tables at its end."""
    text = locate("skerry14/bench").read_text()
    for name, address in doubles.addresses.items():
        text = text.replace(f'"sim://{name}"', f'"{address}"')
    place.write_text(text.replace('world = "skerry14"', "") + more)


def wait_for(condition, seconds=30.0):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it did not come to pass"
        time.sleep(0.05)
