"""State models at length: rules in random order against the package, each step compared with the model.

    nice -n 15 env PYTHONPATH=tests python -m trust.state_models --examples 5000

The usual suite runs a few examples of each (``tests/stack/test_state_models.py``).
"""

import argparse
import time
import traceback

from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import RuleBasedStateMachine, run_state_machine_as_test
from trust.models.lessons import Lessons
from trust.models.link_fragments import LinkFragments
from trust.models.recoverable_fragments import RecoverableFragments
from trust.report import Report, Row, write

RULES = 40  # in one example
MODELS: dict[str, type[LinkFragments | RecoverableFragments | Lessons]] = {
    "fragments put together (RFC 4944)": LinkFragments,
    "recoverable fragments put together (RFC 8931)": RecoverableFragments,
    "what a trace learns (RFC 6775, RFC 6550, RFC 9008)": Lessons,
}
REMARKS = [
    "A frame counts as tried; after each, events, octets held and all that was learned are compared with the model.",
    "The package's own, in the model too: the oldest datagrams go where too much is open, contradictions start afresh.",
    "And recoverable fragments that come again within 2 s of a whole datagram are absorbed: RFC 8931 names no time.",
    "Not in a model: mesh forwarding of fragments, windows and retransmission timers of a sender (there is none).",
]


def run(machine: type[RuleBasedStateMachine], examples: int, *, shrink: bool = True) -> None:
    """Run the machine; raises what the first example that fails raises, with ``shrink`` in the least steps."""
    how = settings(
        max_examples=examples,
        stateful_step_count=RULES,
        deadline=None,
        database=None,
        report_multiple_bugs=False,
        phases=(Phase.generate, Phase.shrink) if shrink else (Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(machine, settings=how)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=5000, help="of each model")
    asked = parser.parse_args()
    started, rows = time.process_time(), []
    for name, machine in MODELS.items():
        wrong = 0
        machine.steps = 0
        try:
            run(machine, asked.examples)
        except AssertionError:
            traceback.print_exc()
            wrong = 1
        rows.append(Row(name, machine.steps, "frames", wrong, {"examples": asked.examples}))
        print(
            f"{name}: {machine.steps} frames in {asked.examples} examples, {wrong} wrong",
            flush=True,
        )
    command = f"PYTHONPATH=tests python -m trust.state_models --examples {asked.examples}"
    write(Report("state-models", command, rows, REMARKS, round(time.process_time() - started, 1)))


if __name__ == "__main__":
    main()
