"""How sure a number is, what it means against its window, and whether it stands still. Pure: no clock, no I/O."""
