"""One module for each command of the `benchrig` program; each offers `command`, a click command."""
