"""What happens around a program: it is killed, disks fill, readers leave, names and surroundings are odd.

    PYTHONPATH=tests nice python -m disturbed.run [CASE ...] [--only WORD ...]
"""

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from disturbed import forks
from disturbed.result import Result


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("case", nargs="*")
    parser.add_argument("--only", nargs="*", default=[])
    chosen = parser.parse_args()
    if "INTERPOSED" not in os.environ:
        with tempfile.TemporaryDirectory() as place:
            env = os.environ | {"LD_PRELOAD": str(forks.built(Path(place))), "INTERPOSED": "1"}
            return subprocess.run([sys.executable, "-m", "disturbed.run", *sys.argv[1:]], env=env, check=False).returncode
    del os.environ["LD_PRELOAD"]
    from disturbed import kills

    result = Result()
    kills.main(result, chosen.only)
    print(result)
    return 1 if result.sentences else 0


if __name__ == "__main__":
    sys.exit(main())
