"""Trimmers that move each other's quantities: which one to turn next, and to what reading.

The engine never sees how far a screw was turned, only what the turning did. So the effect of a trimmer is kept as a
direction: how all quantities changed together while it alone was turned. Directions are enough to solve for the
turn of each that brings every quantity to its target, and that turn is told as a reading to aim at: "turn RV43 until
the on-time reads 13.2 us", after which the other trimmer finishes both.

Rules it keeps:
- The first trimmer is turned to its own target; that teaches its direction, and often is all it takes.
- Any other unknown trimmer is first turned a part of the way to its own target, to learn its direction.
- Directions that are too nearly alike to be solved for are not: then each trimmer is turned to its own target.
- Quantities are compared in half windows, so that volts and microseconds weigh alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .types import Goal

Vector = NDArray[np.float64]
PROBE = 2.0  # half windows that a trimmer is turned to learn what it does, where its own value is in already
INSIDE = 0.9  # of half the window: what is aimed for; more precision costs a turn and rarely saves one
WORST_CONDITION = 50.0  # of the matrix of directions (unit columns); above it they are too nearly alike


@dataclass(frozen=True, slots=True)
class Coupling:
    """The goals of all quantities, and the direction of each trimmer as far as it is known.

    `goals[i]` is the quantity that trimmer i is meant for; `directions[i]` how all quantities move with it, in half
    windows, shape (n,), of length 1.
    """

    goals: tuple[Goal, ...]
    directions: tuple[tuple[float, ...] | None, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """Turn `trimmer` until `quantity` reads `goal.target`; indices as in `Coupling.goals`."""

    trimmer: int
    quantity: int
    goal: Goal
    learning: bool


def start(goals: Sequence[Goal]) -> Coupling:
    """Nothing is known of the trimmers yet."""
    return Coupling(tuple(goals), (None,) * len(goals))


def turned(coupling: Coupling, trimmer: int, before: Sequence[float], after: Sequence[float]) -> Coupling:
    """What is known after `trimmer` alone was turned: all quantities `before` and `after`.

    A change of less than half a window teaches nothing and is forgotten.
    """
    change = _scaled(coupling, after) - _scaled(coupling, before)
    size = float(np.linalg.norm(change))
    if size < 1.0:
        return coupling
    direction = tuple(float(c) for c in change / size)
    directions = [direction if i == trimmer else d for i, d in enumerate(coupling.directions)]
    return replace(coupling, directions=tuple(directions))


def advise(coupling: Coupling, values: Sequence[float], last: int | None = None) -> Advice | None:
    """What to turn next; None if all quantities are inside. `last` is the trimmer that the hand is on."""
    error = _scaled(coupling, values)
    if bool(np.all(np.abs(error) <= 1.0)):
        return None
    turns = _solve(coupling, error)
    if turns is None:
        return _learn(coupling, values, error)
    trimmer = last if last is not None and abs(turns[last]) > INSIDE else int(np.argmax(np.abs(turns)))
    column = _column(coupling, trimmer)
    quantity = int(np.argmax(np.abs(column)))
    goal = coupling.goals[quantity]
    half = (goal.high - goal.low) / 2.0
    target = values[quantity] + turns[trimmer] * column[quantity] * half
    return Advice(trimmer, quantity, _around(goal, target, INSIDE * half), learning=False)


def _learn(coupling: Coupling, values: Sequence[float], error: Vector) -> Advice:
    """Turn an unknown trimmer part of the way, or, where all are known and alike, the worst one all the way."""
    unknown = [i for i, direction in enumerate(coupling.directions) if direction is None]
    if not unknown:
        worst = int(np.argmax(np.abs(error)))
        return Advice(worst, worst, coupling.goals[worst], learning=False)
    trimmer = next((i for i in unknown if abs(error[i]) > 1.0), unknown[0])
    goal = coupling.goals[trimmer]
    half = (goal.high - goal.low) / 2.0
    if abs(error[trimmer]) > 1.0:
        return Advice(trimmer, trimmer, _around(goal, goal.target, INSIDE * half), learning=True)
    way = -1.0 if error[trimmer] > 0.0 else 1.0
    step = PROBE * half
    return Advice(trimmer, trimmer, _around(goal, values[trimmer] + way * step, 0.3 * step), learning=True)


def _solve(coupling: Coupling, error: Vector) -> Vector | None:
    """Turns in half windows along each direction that take the error away; None where that cannot be said."""
    known = [np.array(d) for d in coupling.directions if d is not None]
    if len(known) < len(coupling.goals):
        return None
    matrix = np.column_stack(known)
    if np.linalg.cond(matrix) > WORST_CONDITION:
        return None
    return np.asarray(np.linalg.solve(matrix, -error), np.float64)


def _scaled(coupling: Coupling, values: Sequence[float]) -> Vector:
    """How far each value is above its target, in half windows."""
    return np.array([(v - g.target) / ((g.high - g.low) / 2.0) for v, g in zip(values, coupling.goals, strict=True)])


def _column(coupling: Coupling, trimmer: int) -> Vector:
    return np.array(coupling.directions[trimmer], np.float64)


def _around(goal: Goal, target: float, half: float) -> Goal:
    return replace(goal, target=target, low=target - half, high=target + half)
