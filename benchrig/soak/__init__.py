"""Watching a unit for hours or days: channels, findings, phases, verdict. Pure; `session.soak_run` runs it."""
