"""Makes the helpers in this folder (`far_ends`) importable from the test folders below it."""
