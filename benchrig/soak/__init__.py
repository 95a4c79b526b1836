"""Watching a unit for hours or days: channels, findings, phases, verdict. Pure; `session.soaking` runs it."""
