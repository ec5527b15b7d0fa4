"""Ten thousand settings of sweeps, drawn at random over all kinds of headers, each put in real frames. On demand:

PYTHONPATH=tests python tests/bench/prove_sweeps.py [SEED [SETTINGS]]
"""

import random
import sys

from room.sweep_proof import Settings, differs, kinds


def main(seed: int = 1, settings: int = 10_000) -> int:
    """Print each kind with what was judged; return 1 where a room that was added up is not that of the frames."""
    draw, every = random.Random(seed), kinds()
    wrong = judged = 0
    for number, kind in enumerate(every):
        counted = Settings(kind)
        count = settings * (number + 1) // len(every) - settings * number // len(every)
        refused = 0
        for places, room in counted.drawn(draw, count):
            judged += 1
            refused += room is None
            difference = differs(counted, places, room)
            if difference:
                wrong += 1
                values = [axis.values[at] for axis, at in zip(counted.axes, places, strict=True)]
                print(f"{kind.name}: {difference}: {', '.join(values)}")
        print(f"{kind.name}: {count} settings, {refused} of them refused")
    print(f"seed {seed}: {judged} settings judged by frames, {wrong} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
