"""How much faster than time the simulated bench runs, physics alone: two 21 W lamps, each mechanism, in processor time.

python reports/sim_speed.py
"""

from __future__ import annotations

import time
from statistics import median

from bench.simboard.units import MECHANISMS, nominal
from bench.simboard.world import World

SECONDS = 20.0
STEP_S = 0.04  # as the simulated board asks for it


def speed(kind: str, seed: int) -> float:
    world = World(nominal(kind), seed=seed)
    world.switch(loads=frozenset({1, 2}), master=True)
    began = time.process_time()
    for n in range(1, round(SECONDS / STEP_S) + 1):
        world.advance(n * STEP_S)
    return SECONDS / (time.process_time() - began)


def main() -> None:
    for kind in MECHANISMS:
        print(f"{kind:4} {median(speed(kind, seed) for seed in range(3)):5.0f} times real time")
    world = World(nominal("NC"))
    began = time.process_time()
    world.rest(300.0)
    print(f"a rest of 300 s takes {1000.0 * (time.process_time() - began):.0f} ms")


if __name__ == "__main__":
    main()
