"""Fewer moves: two coupled trimmers against turning them alternately, and counted turns.

    python benchmarks/trim_moves.py [--runs 500]

A move is one visit of the hand to one trimmer. Every trim ends with an error of sd 0.3 half windows about its aim; a
counted turn is off by sd 8 % and 1 degree. All numbers are medians and 90th percentiles over seeded runs.
"""

from __future__ import annotations

import argparse
import random
import statistics

import numpy as np

from benchrig.trim import counted, coupled
from benchrig.trim.types import Goal

MOST = 40
AIM_ERROR = 0.3  # half windows


def world(rng: random.Random, strength: float) -> np.ndarray:
    """Effects of two trimmers on two quantities; `strength` is how much each moves the other's."""
    first, second = (rng.choice((-1, 1)) * strength * rng.uniform(0.8, 1.2) for _ in range(2))
    return np.array([[1.0, first], [second, 1.0]])


def trim_to(rng: random.Random, effects: np.ndarray, values: np.ndarray, trimmer: int, quantity: int, aim: float):
    """All quantities after `trimmer` alone was turned until `quantity` reads `aim` (half windows)."""
    reached = aim + rng.gauss(0.0, AIM_ERROR)
    column = effects[:, trimmer]
    return values + column * (reached - values[quantity]) / column[quantity]


def alternately(rng: random.Random, effects: np.ndarray, values: np.ndarray) -> int:
    for moves in range(MOST):
        if np.all(np.abs(values) <= 1.0):
            return moves
        values = trim_to(rng, effects, values, moves % 2, moves % 2, 0.0)
    return MOST


def advised(rng: random.Random, effects: np.ndarray, values: np.ndarray) -> int:
    goals = (Goal(0.0, -1.0, 1.0, "V"), Goal(0.0, -1.0, 1.0, "V"))
    coupling, last, moves = coupled.start(goals), None, 0
    for _ in range(MOST):
        advice = coupled.advise(coupling, list(values), last)
        if advice is None:
            break
        moves += advice.trimmer != last
        before, last = values, advice.trimmer
        values = trim_to(rng, effects, values, advice.trimmer, advice.quantity, advice.goal.target)
        coupling = coupled.turned(coupling, last, list(before), list(values))
    return moves


# The scenario's drive timer in half windows (0.3 and 0.6 us) for each part of the travel: RV43 spans 6.93 us of on-time
# (10 kohm, 1 nF, ln 2), RV44 17.3 us of off-time (25 kohm), and the off-time takes 0.15 of the on-time with it.
TIMER = np.array([[6.93 / 0.3, 0.0], [0.15 * 6.93 / 0.6, 17.3 / 0.6]])
RIGHT = np.array([0.52, 0.53])  # parts of the travel at which both are right


def timer(rng: random.Random, first: int, plan: bool) -> int:
    """Settle both times from anywhere in the travel; the hand begins with RV43 (`first` 0) or RV44 (1)."""
    effects = TIMER
    values = TIMER @ (np.array([rng.random(), rng.random()]) - RIGHT)
    if first:
        effects, values = effects[::-1, ::-1].copy(), values[::-1].copy()
    return (advised if plan else alternately)(rng, effects, values)


def turns(seed: int, travel: float, play: tuple[float, float]) -> int:
    rng = random.Random(seed)
    goal = _window(rng, travel)
    gain = rng.choice((-1, 1)) / travel
    lost = rng.uniform(*play)
    shaft = rng.uniform(0.1, 0.9) * travel
    wiper = shaft
    state = counted.start(goal, play=statistics.mean(play), finest=5.0 if travel > 360.0 else 2.0)
    state = counted.settled(state, _value(gain, wiper, travel))
    while (degrees := counted.ask(state)) is not None and state.turns < MOST:
        shaft += degrees * rng.gauss(1.0, 0.08) + rng.gauss(0.0, 1.0)
        shaft = min(max(shaft, 0.0), travel)
        wiper = min(max(wiper, shaft - lost / 2.0), shaft + lost / 2.0)
        state = counted.settled(state, _value(gain, wiper, travel), degrees)
    return state.turns


def _window(rng: random.Random, travel: float) -> Goal:
    target = rng.uniform(0.25, 0.75)
    return Goal(target, target - 1 / 120, target + 1 / 120, "1", travel=travel)


def _value(gain: float, wiper: float, travel: float) -> float:
    return gain * wiper if gain > 0 else 1.0 + gain * wiper


def spread(values: list[int]) -> str:
    return f"{statistics.median(values):5.1f} {sorted(values)[int(0.9 * len(values))]:4d}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    args = parser.parse_args()
    print(f"{args.runs} runs a row: moves, median and 90th percentile")
    print(f"{'two trimmers':32} {'alternately':>12} {'advised':>12}")
    for strength in (0.3, 0.5, 0.7, 0.85):
        arms: tuple[list[int], list[int]] = ([], [])
        for seed in range(args.runs):
            for arm, way in zip(arms, (alternately, advised), strict=True):
                rng = random.Random(seed)
                effects = world(rng, strength)
                values = np.array([rng.choice((-1, 1)) * rng.uniform(5.0, 15.0) for _ in range(2)])
                arm.append(way(rng, effects, values))
        print(f"{f'each moves the other by {strength:.2f}':32} {spread(arms[0]):>12} {spread(arms[1]):>12}")
    for first, name in ((0, "drive timer, RV43 first"), (1, "drive timer, RV44 first")):
        arms = ([], [])
        for arm, plan in zip(arms, (False, True), strict=True):
            arm.extend(timer(random.Random(seed), first, plan) for seed in range(args.runs))
        print(f"{name:32} {spread(arms[0]):>12} {spread(arms[1]):>12}")
    print(f"{'counted turns, window 1/60':32}")
    for name, travel, play in (("270 degrees", 270.0, (0.5, 2.0)), ("20 turns", 7200.0, (7.2, 36.0))):
        print(f"  {name:30} {spread([turns(s, travel, play) for s in range(args.runs)]):>12}")


if __name__ == "__main__":
    main()
