"""The stage that most tests of the camera share."""

from __future__ import annotations

import pytest
from stage import Stage, set_up


@pytest.fixture(scope="session")
def stage() -> Stage:
    """Set up once: a camera almost in front of a curved face."""
    return set_up()
