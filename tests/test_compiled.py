"""The run that holds compiled C against Python and construct: each of its parts finds a fault planted for it."""

from pathlib import Path
from random import Random

import pytest
from compiled import judge, stack
from compiled.batch import Batch, foreign
from compiled.run import chosen, parsed, portions
from compiled.schemas import message
from compiled.shared import SharedHelpers
from compiled.targets import TARGETS, Target
from payload.c_library import needs_gcc

from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.message import Message

PLAIN = Target("gcc", "c99", ("-O0",))
OTHER = Target("gcc", "c99", ("-Os",))
LIBRARY = "#include <stdlib.h>\nvoid *taken(void);\nvoid *taken(void) { return malloc(1); }\n"


@needs_gcc
def test_a_fault_in_the_code_is_found_and_none_without(tmp_path: Path) -> None:
    """Planted: one format reads another bit than was sent, another calls for the heap."""
    batch = Batch(seed=3, first=0, count=2, folder=tmp_path)
    batch.prepare()
    made = batch.program(PLAIN)
    assert batch.compare(PLAIN, made) == []
    assert foreign(made / "formats.o") == set()
    source = tmp_path / "m1.c"
    right = source.read_text()
    wrong = right.replace("two = (uint32_t)octet[0] << 8;", "two = (uint32_t)octet[0] << 7;")
    wrong = wrong.replace("    two = octet[0];\n", "    two = octet[0] ^ 1u;\n")
    assert wrong != right
    source.write_text(LIBRARY + wrong)
    other = batch.program(OTHER)
    assert foreign(other / "formats.o") == {"malloc"}
    found = batch.compare(OTHER, other)
    assert found
    assert all("format 1 of seed 3" in fault for fault in found)


def test_functions_are_shared_only_where_all_that_they_call_is_the_same() -> None:
    low = "static int {p}_low_(int x)\n{{\n    return x + {n};\n}}\n\n"
    high = "/* It calls. */\nstatic int {p}_high_(int x)\n{{\n    return {p}_low_(x);\n}}\n"
    helpers = SharedHelpers()
    first = (low + high).format(p="m0", n=1)
    assert helpers.source(first, "m0") == first
    other = (low + high).format(p="m1", n=2)
    assert helpers.source(other, "m1") == other
    alike = helpers.source((low + high).format(p="m2", n=2), "m2")
    assert alike.split() == ["#define", "m2_low_", "m1_low_", "#define", "m2_high_", "m1_high_"]


def test_construct_and_python_must_agree() -> None:
    """Planted: the octets that construct is asked about are those of a format with another bit order."""
    ways = {"byte_order": "big", "layout": "bit-packed"}
    fields = (Boolean("a"), Boolean("b"))
    one, other = (
        Message("m", fields, **ways, bit_order=order) for order in ("msb-first", "lsb-first")
    )
    plan = judge.Plan(one, values=[({"a": True, "b": False}, other.pack({"a": True, "b": False}))])
    judge.ask_construct(plan, Random(1))
    assert len(plan.faults) == 1
    assert plan.faults[0].startswith("construct builds 80, Python 01")


def test_a_format_is_known_again_by_its_number() -> None:
    made = [message(4, number) for number in range(40)]
    assert made == [message(4, number) for number in range(40)]
    assert len(set(made)) > 35


def test_every_entry_gets_its_share_of_the_formats() -> None:
    """Each entry but the first gets 2,000 of 10,000, spread over the run; an entry that was asked for gets all."""
    options = parsed(["--schemas", "10000"])
    dealt = list(portions(options, list(TARGETS)))
    assert sum(count for _, count, _ in dealt) == 10_000
    assert sum(count for _, count, targets in dealt if len(targets) == len(TARGETS)) == 2_000
    options = parsed(["--schemas", "300", "--m32", "--compiler", "gcc"])
    asked = chosen(options)
    assert {target.processor for target in asked} == {"i386"}
    assert all(targets == tuple(asked) for _, _, targets in portions(options, asked))


def test_the_stack_is_that_of_the_deepest_way(tmp_path: Path) -> None:
    source = """\
static void low_(int x)
{
    x = 1;
}

static void high_(int x)
{
    low_(x);
}

int m_pack(int x)
{
    high_(x);
    low_(x);
}
"""
    file = tmp_path / "m.su"
    file.write_text(
        "m.c:1:1:low_\t10\tstatic\nm.c:6:1:high_.isra.0\t20\tstatic\nm.c:9:1:m_pack\t40\tstatic\n"
    )
    assert stack.deepest(source, "m_pack", stack.usage(file)) == 10 + 20 + 40
    with pytest.raises(ValueError, match="low_ calls itself"):
        stack.deepest(source.replace("x = 1", "high_(x)"), "low_", {})
    file.write_text("m.c:1:1:low_\t10\tdynamic\n")
    with pytest.raises(ValueError, match="as it runs"):
        stack.usage(file)
