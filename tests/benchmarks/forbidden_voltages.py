"""Play 100,000 random plans against an emulated device and look for a forbidden voltage. One command, both cores.

    python tests/benchmarks/forbidden_voltages.py --plans 100000

The suite plays the first tenth of them. Nothing here is timed.
"""

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

BLOCK = 500
PMBUS_TESTS = Path(__file__).parents[1] / "bench" / "pmbus"


def play(first: int) -> tuple[list[str], int, int]:
    """Play one block of plans; return what was wrong, and how many moves were made and refused."""
    sys.path.insert(0, str(PMBUS_TESTS))
    from conftest import parts_of_random_plans
    from random_plans import judged

    played = [judged(seed, parts_of_random_plans()) for seed in range(first, first + BLOCK)]
    troubles = [trouble for found, _, _ in played for trouble in found]
    return troubles, sum(made for _, made, _ in played), sum(refused for _, _, refused in played)


def main() -> None:
    """Play all plans and print one line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plans", type=int, default=100_000)
    plans = parser.parse_args().plans
    made = refused = 0
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for troubles, some_made, some_refused in pool.map(play, range(0, plans, BLOCK)):
            made, refused = made + some_made, refused + some_refused
            for trouble in troubles:
                print(trouble)
    print(f"{plans} plans: {made} moves made, {refused} refused; what is wrong stands above, if anything")


if __name__ == "__main__":
    main()
