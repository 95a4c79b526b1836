"""Closing a record, and what the person should know then."""

from __future__ import annotations

import click

from ..records import Store


def close(store: Store) -> None:
    """Close it; what still waits for the shop's server is told on stderr."""
    if words := store.close():
        click.echo(f"benchrig: {words}", err=True)
