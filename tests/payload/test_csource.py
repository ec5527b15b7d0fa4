"""Generated C: it compiles without a warning, runs its own self-test, and its names are refused where C has none."""

import ctypes
import re
import shutil
import struct
import subprocess
from decimal import Decimal
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import pytest
from compiled import stack
from design.designs import DESIGN_FILES
from payload.c_library import STRICT, Library, compiled, needs_gcc, written

from lowpanbudget.design.load import load_design
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.payload.c.source import MARKER, Generated, generate
from lowpanbudget.payload.c.text import comment, literal
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.sampler import samples

EXAMPLES = tuple(message for path in DESIGN_FILES for message in load_design(path).messages)
SANITIZERS = (
    "-fsanitize=address,undefined",
    "-fno-sanitize-recover=all",
    "--param=asan-instrumentation-with-call-threshold=0",  # the same checks, sooner compiled
)


def message_of(*fields: Field, name: str = "m") -> Message:
    return Message(name, fields, byte_order="big", bit_order="msb-first", layout="bit-packed")


def number(name: str, **more: Any) -> Number:
    return Number(name, min=Decimal(0), max=Decimal(9), **more)


def library(message: Message, folder: Path, *, floats: bool = True) -> tuple[Library, ctypes.CDLL]:
    files = generate(message, floats=floats)
    source = written(files, folder)
    name = files.header.name[:-2]
    with source.open("a") as file:
        file.write(
            f"size_t {name}_size(void);\nsize_t {name}_size(void) {{ return sizeof(struct {name}); }}\n"
        )
    shared = ctypes.CDLL(str(compiled([source], folder / "one.so", "-shared", "-fPIC", "-O1")))
    return Library(message, files.header.text, shared), shared


@cache
def example(message: Message) -> Generated:
    """Return the files of an example, made once: no test changes them."""
    return generate(message)


def main_of(files: list[Generated]) -> str:
    """Return a program that runs the self-tests of all messages."""
    names = [made.header.name[:-2] for made in files]
    includes = "".join(f'#define {name.upper()}_SELF_TEST\n#include "{name}.c"\n' for name in names)
    calls = "".join(
        f"    if ({name}_self_test() != 0) return {k};\n" for k, name in enumerate(names, 1)
    )
    return f"{includes}int main(void)\n{{\n{calls}    return 0;\n}}\n"


def passed(files: list[Generated], folder: Path, *flags: str) -> None:
    """Compile the self-tests of all files as one program, and run it."""
    for made in files:
        written(made, folder)
    main = folder / "main.c"
    main.write_text(main_of(files))
    program = compiled([main], folder / "program", *flags)
    done = subprocess.run([program], capture_output=True, check=False, timeout=600)
    assert (done.returncode, done.stderr) == (0, b"")


@needs_gcc
def test_messages_of_the_examples_pass_their_self_test(tmp_path: Path) -> None:
    """Without floating point those are other files that have some, and all others are the same."""
    files = [example(message) for message in EXAMPLES]
    bits = [generate(message, floats=False) for message in EXAMPLES]
    others = [message for message, made in zip(EXAMPLES, bits, strict=True) if made not in files]
    assert len(others) > 2
    files += [generate(message, floats=False, prefix=f"{message.name}_bits") for message in others]
    passed(files, tmp_path, *SANITIZERS)


@needs_gcc
def test_optimized_they_pass_and_take_no_more_stack_than_their_headers_say(tmp_path: Path) -> None:
    """What the compiler says of each function (-fstack-usage), along the deepest way of calls, is the judge."""
    files = [example(message) for message in EXAMPLES]
    passed(files, tmp_path, "-Os", "-funsigned-char", "-fstack-usage")
    used = stack.usage(next(tmp_path.glob("*.su")))
    for made in files:
        name, bounds = made.header.name[:-2], stack.told(made.header.text)
        for what, bound in zip(("pack", "unpack"), bounds, strict=True):
            assert 0 < stack.deepest(made.source.text, f"{name}_{what}", used) <= bound


def test_the_memory_of_tables_is_told() -> None:
    """Three values up to 300 in steps of 1, as 16 bits with a sign: 6 octets; nothing else is constant."""
    table = Table("t", values=tuple(map(Decimal, ("-1", "0", "300"))))
    made = generate(message_of(table))
    assert (made.memory.structure, made.memory.constants) == (1, 6)
    assert "struct m 1 (fewer where the processor aligns less); constants 6;" in made.header.text
    assert generate(message_of(Boolean("b"))).memory.constants == 0


@needs_gcc
def test_a_self_test_is_a_program_of_its_own_and_can_fail(tmp_path: Path) -> None:
    made = example(EXAMPLES[0])
    source = written(made, tmp_path)
    name = made.header.name[:-2].upper()
    flags = (f"-D{name}_SELF_TEST", f"-D{name}_SELF_TEST_MAIN")
    assert (
        subprocess.run([compiled([source], tmp_path / "right", *flags)], check=False).returncode
        == 0
    )
    third = r"(octets_3_\[\] = \{\s*0x\w\w, 0x0)(\w)"
    wrong = re.sub(third, lambda found: f"{found[1]}{int(found[2], 16) ^ 1:x}", made.source.text)
    assert wrong != made.source.text
    source.write_text(wrong)
    assert (
        subprocess.run([compiled([source], tmp_path / "wrong", *flags)], check=False).returncode
        == 3
    )


@pytest.mark.skipif(shutil.which("g++") is None, reason="g++ is not installed")
def test_headers_are_read_by_cpp_as_well(tmp_path: Path) -> None:
    for message in EXAMPLES:
        written(example(message), tmp_path)
    names = "".join(f'#include "{message.name}.h"\n' for message in EXAMPLES)
    (tmp_path / "all.cpp").write_text(names)
    done = subprocess.run(
        ["g++", "-Wall", "-Wextra", "-pedantic", "-Werror", "-fsyntax-only", str(tmp_path / "all.cpp")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_without_floats_there_is_no_floating_point() -> None:
    message = message_of(*(Float(f"f{bits}", bits=bits, min=Decimal(0)) for bits in (16, 32, 64)))
    made = generate(message, floats=False)
    code = re.sub(r"/\*.*?\*/", "", made.header.text + made.source.text, flags=re.DOTALL)
    assert not re.search(r"\b(float|double)\b|\d\.\d|float\.h", code)
    assert re.search(r"\b(float|double)\b", generate(message).header.text)


def test_files_say_whose_they_are_and_never_change_by_themselves() -> None:
    for message in EXAMPLES:
        made = example(message)
        assert made == generate(message)
        for file in made[:2]:
            assert file.text.startswith(MARKER)
            assert "This code is your own" in " ".join(file.text.split())[:300]
            assert file.text.endswith("\n")
            assert not [line for line in file.text.splitlines() if line != line.rstrip()]


def test_no_allocation_and_only_headers_that_every_compiler_has() -> None:
    for message in EXAMPLES:
        made = example(message)
        text = made.header.text + made.source.text
        found = set(re.findall(r"#include <(\w+\.h)>", text))
        # of those that C99 section 4 promises where there is no library
        assert found <= {"stdbool.h", "stddef.h", "stdint.h", "float.h"}
        assert not re.search(r"\b(malloc|calloc|realloc|alloca|free)\b", text)


# --- floating point: the standard library's struct is the second implementation of IEEE 754 ------------


@needs_gcc
def test_every_half_is_read_as_struct_reads_it(tmp_path: Path) -> None:
    message = message_of(Array("x", element=Float("", bits=16), length=4096))
    made, _ = library(message, tmp_path)
    for start in range(0, 1 << 16, 4096):
        octets = struct.pack(">4096H", *range(start, start + 4096))
        result, values = made.unpack(octets)
        assert result == 0
        assert struct.pack(">4096d", *values["x"])[:8] == struct.pack(">d", values["x"][0])
        assert repr(values["x"]) == repr(list(struct.unpack(">4096e", octets)))


@needs_gcc
def test_floats_become_halves_as_struct_makes_them(tmp_path: Path) -> None:
    """Ties, subnormal numbers, the step to infinity at 65520, signs of zero (IEEE 754-2008 section 4.3.1)."""
    made, _ = library(message_of(Float("x", bits=16)), tmp_path)
    random = Random(3)
    halves = [
        struct.unpack(">e", random.randrange(0x7C00).to_bytes(2, "big"))[0] for _ in range(2000)
    ]
    wide = [struct.unpack(">f", random.randbytes(4))[0] for _ in range(2000)]
    near = [
        half * factor
        for half in halves
        for factor in (1 + 2**-11, 1 + 2**-12, 1 - 2**-12, -1 - 2**-11)
    ]
    edges = [
        0.0,
        -0.0,
        65504.0,
        65519.99,
        65520.0,
        -65520.0,
        2.0**-24,
        2.0**-25,
        2.0**-26,
        3 * 2.0**-25,
    ]
    edges += [float("inf"), float("-inf"), float("nan"), 2.0**-14, 2.0**-14 - 2.0**-25, 1e-45, 3e38]
    refused = 0
    for wish in [*edges, *near, *wide]:
        value = struct.unpack(">f", struct.pack(">f", wish))[0]
        structure = made.header.message(x=value)
        result, octets = made.pack_raw(structure)
        try:
            expected = struct.pack(">e", value)
        except OverflowError:
            assert made.told(result) == "x"
            refused += 1
        else:
            assert result == 0
            assert octets == expected or value != value  # noqa: PLR0124 - not a number
    assert refused > 100


@needs_gcc
@pytest.mark.parametrize("floats", [True, False])
def test_ranges_of_floats_are_exact(tmp_path: Path, floats: bool) -> None:
    """A range ends at the nearest numbers of the width, as sent; node and gateway judge it, sending and reading alike.

    The nearest to 0.1 is above it in 32 and 64 bits, below it in 16; -0 is not below 0.
    """
    fields = (
        Float("f", bits=32, min=Decimal("0.1"), max=Decimal("0.7")),
        Float("d", bits=64, min=Decimal("0.1"), max=Decimal("0.3")),
        Float("z", bits=32, min=Decimal(0)),
        Float("h", bits=16, min=Decimal("0.1"), max=Decimal("0.2")),
    )
    letters = {"f": "f", "d": "d", "z": "f", "h": "e"}
    message = message_of(*fields)
    made, _ = library(message, tmp_path, floats=floats)
    cases = {
        "f": [0x3DCCCCCC, 0x3DCCCCCD, 0x3F333333, 0x3F333334, 0x7FC00000, 0xBDCCCCCD],
        "d": [
            0x3FB9999999999999,
            0x3FB999999999999A,
            0x3FD3333333333333,
            0x3FD3333333333334,
            0x7FF0 << 48,
        ],
        "z": [0x80000000, 0x80000001, 0, 0x7F800000, 0x7F7FFFFF, 0xFF800000],
        "h": [0x2E65, 0x2E66, 0x3266, 0x3267, 0x7C00, 0xAE66],
    }
    right = {"f": 0x3E000000, "d": 0x3FC0000000000000, "z": 0, "h": 0x3000}
    inside = {True: 0, False: 0}
    for field in fields:
        for code in cases[field.name]:
            bits = {**right, field.name: code}
            sent = struct.pack(">IQIH", *bits.values())
            numbers = dict(
                zip(bits, struct.unpack(">" + "".join(letters.values()), sent), strict=True)
            )
            low, high = (
                struct.unpack(letters[field.name], struct.pack(letters[field.name], float(limit)))[
                    0
                ]
                for limit in (field.min or 0, field.max or "inf")
            )
            fits = low <= numbers[field.name] <= high
            inside[fits] += 1
            result, octets = made.pack_raw(made.header.message(**(numbers if floats else bits)))
            read, _ = made.unpack(sent)
            where = field.name, hex(code)
            assert (result == 0, read == 0) == (fits, fits), where
            if fits:
                assert octets == sent == message.pack(numbers)
                assert message.unpack(sent) == numbers
                continue
            assert made.told(result) == made.told(read) == field.name
            with pytest.raises(RequestError, match=f"field {field.name} .*outside"):
                message.pack(numbers)
            with pytest.raises(WireError, match=f"field {field.name} .*outside"):
                message.unpack(sent)
    assert min(inside.values()) > 3


# --- tables -------------------------------------------------------------------------------------------


@needs_gcc
def test_tables_round_as_the_gateway_does(tmp_path: Path) -> None:
    table = Table("t", values=tuple(map(Decimal, ("-7.25", "-0.5", "0", "1", "2.5", "1000"))))
    scale = Logarithmic("s", min=Decimal("0.001"), max=Decimal(20), steps=254)
    message = message_of(table, scale)
    made, shared = library(message, tmp_path)
    index_of = shared.m_t_index
    index_of.argtypes, index_of.restype = [ctypes.c_int32], ctypes.c_uint8
    last = made.header.constant(("t",), "LAST")
    unit = Decimal(made.header.constant(("t",), "SCALE_NUMERATOR")) / made.header.constant(
        ("t",), "SCALE_DENOMINATOR"
    )
    for scaled in range(-800, 400):
        value = scaled * unit
        if value < table.values[0]:
            assert index_of(scaled) == last + 1
        else:
            octets = message.pack({"t": value, "s": Decimal(20)})
            assert index_of(scaled) == octets[0] >> 5
    assert index_of(100_001) == last + 1
    value_of = shared.m_s_value
    value_of.argtypes, value_of.restype = [ctypes.c_uint8], ctypes.c_uint32
    unit = Decimal(made.header.constant(("s",), "SCALE_NUMERATOR")) / made.header.constant(
        ("s",), "SCALE_DENOMINATOR"
    )
    assert [value_of(k) * unit for k in range(255)] == list(scale.entries())
    assert value_of(255) == 0


def test_tables_beyond_integers_are_left_out() -> None:
    scale = Logarithmic("s", min=Decimal("1e-29"), max=Decimal("1e29"), steps=20)
    made = generate(message_of(scale))
    assert "there is no table" in made.header.text
    assert "m_s_value" not in made.header.text


# --- names --------------------------------------------------------------------------------------------

TAG = Enumeration("tag", names=("default", "other"))


@pytest.mark.parametrize(
    ("message", "says"),
    [
        (message_of(Boolean("int")), r"field int .* keyword of C"),
        (message_of(Boolean("_Bool"[1:].lower())), r"field bool .* keyword of C"),
        (message_of(Group("g", fields=(Boolean("class"),))), r"field g\.class .* keyword of C\+\+"),
        (message_of(Boolean("uint8_t")), r"field uint8_t .* headers or compilers define"),
        (message_of(Boolean("linux")), r"field linux .* headers or compilers define"),
        (message_of(Boolean("a-b"), Boolean("a_b")), r"fields a-b and a_b would both have a member a_b"),
        (message_of(Boolean("a", optional=True), Boolean("has_a")), r"fields a and has_a .* member has_a"),
        (
            message_of(Octets("x", max_length=3), Boolean("x_length")),
            r"fields x and x_length .* member x_length",
        ),
        (
            message_of(Array("x", element=Boolean(""), max_length=3), Boolean("x_count")),
            r"fields x and x_count .* member x_count",
        ),
        (message_of(number("t"), number("T")), r"field t and field T .* the same name in C, M_T_MIN"),
        (message_of(number("t", special=(("min", None),))), r"two parts of field t .* M_T_MIN"),
        (
            message_of(Constant("a-b", value=1, bits=8), Constant("a_b", value=1, bits=8)),
            r"field a-b and field a_b .* M_A_B_VALUE",
        ),
        (
            message_of(Group("a", fields=(number("b"),)), number("a_b")),
            r"field a\.b and field a_b .* M_A_B_MIN",
        ),
        (message_of(Flags("f", names=("a-b", "a_b"))), r"two parts of field f .* M_F_A_B"),
        (message_of(Group("result", fields=(Boolean("b"),))), r"the function or type result and field result"),
        (
            message_of(TAG, Union("u", tag="tag", options=(Option("default", (Boolean("b"),)), Option("other", ())))),
            r"field u\(default\) cannot be named default .* keyword of C",
        ),
        (
            message_of(Group("g" * 60, fields=(number("a"), number("b")))),
            r"names alike in 63 characters",
        ),
    ],
)  # fmt: skip
def test_names_that_c_cannot_have_are_refused(message: Message, says: str) -> None:
    with pytest.raises(RequestError, match=says) as fault:
        generate(message)
    assert "octets stay the same" in fault.value.hint


def test_all_names_that_c_cannot_have_are_told_at_once() -> None:
    """Who renames one field after the other would ask as often as there are such fields."""
    fields = (Boolean("int"), Boolean("linux"), number("t"), number("T"), Boolean("plain"))
    with pytest.raises(RequestError) as fault:
        generate(message_of(*fields))
    text = str(fault.value)
    assert all(
        one in text for one in ("3 names", "field int ", "field linux ", "field t and field T")
    )
    assert "plain" not in text
    assert "names are not sent" in fault.value.hint


@needs_gcc
def test_macros_of_all_headers_of_c_are_refused_as_members(tmp_path: Path) -> None:
    """Against the compiler's own headers: what they define without arguments would replace a member.

    Error numbers beyond the three of C99 section 7.5 are the system's own and not looked at.
    """
    headers = (
        "assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal stdarg stdbool "
        "stddef stdint stdio stdlib string time wchar wctype"
    )
    source = tmp_path / "all.c"
    source.write_text("".join(f"#include <{name}.h>\n" for name in headers.split()))
    done = subprocess.run(
        ["gcc", "-std=c99", "-dM", "-E", str(source)], capture_output=True, text=True, check=True
    )
    macros = set(re.findall(r"^#define ([A-Za-z]\w*) ", done.stdout, re.MULTILINE))
    macros = {
        name
        for name in macros
        if name in ("EOF", "EDOM", "ERANGE", "EILSEQ") or not re.match("E[A-Z0-9]+$", name)
    }
    assert {"EOF", "I", "NAN", "INT_MAX", "PRIx32", "SIGINT", "EDOM", "stdin"} <= macros
    for name in macros:
        with pytest.raises(RequestError, match="in C"):
            generate(message_of(Boolean(name)))
    for name in ("INT", "EC", "MIN", "FLT", "SIZE", "energy"):
        assert generate(message_of(Boolean(name)))


@pytest.mark.parametrize(
    ("name", "prefix", "says"),
    [
        ("time", None, r"time\.h is a header of C itself"),
        ("int", None, "its name is a keyword of C"),
        ("new", None, r"a keyword of C\+\+"),
        ("a" * 40, None, "too long to begin every name"),
        ("m", "1x", "the prefix '1x' is no name in C"),
        ("m", "", "the prefix '' is no name in C"),
        ("m", "_x", "the prefix '_x' is no name in C"),
        ("m", "../x", "the prefix '../x' is no name in C"),
        ("m", "é", "is no name in C"),
        ("m", "x\n", "is no name in C"),
        ("m", "String", r"String\.h is a header of C itself"),
    ],
)
def test_prefixes_that_c_cannot_have_are_refused(name: str, prefix: str | None, says: str) -> None:
    with pytest.raises(RequestError, match=says) as fault:
        generate(message_of(Boolean("b"), name=name), prefix=prefix)
    assert fault.value.hint


def test_a_prefix_makes_another_name() -> None:
    made = generate(message_of(Boolean("b"), name="time"), prefix="node_time")
    assert (made.header.name, made.source.name) == ("node_time.h", "node_time.c")
    assert "int node_time_self_test(void)" in made.source.text


def test_results_name_the_fields_in_the_order_of_the_message() -> None:
    inner = Group("", fields=(number("a"), number("b")))
    message = message_of(
        Constant("magic", value=1, bits=8),
        Array("list", element=inner, max_length=5),
        Enumeration("e", names=("x", "y", "z")),
    )
    text = generate(message).header.text
    found = re.findall(r"^    (M_\w+) = (\d+)", text, re.MULTILINE)
    assert [name for name, _ in found] == [
        "M_OK", "M_TOO_SHORT", "M_TOO_LONG", "M_NO_ROOM",
        "M_BAD_MAGIC", "M_BAD_LIST", "M_BAD_LIST_A", "M_BAD_LIST_B", "M_BAD_E",
    ]  # fmt: skip
    assert [int(number) for _, number in found] == list(range(len(found)))


# --- text ---------------------------------------------------------------------------------------------


@needs_gcc
def test_no_note_and_no_unit_gets_out_of_its_comment(tmp_path: Path) -> None:
    nasty = "*\\ int y; */ int x; /* \\ ??/ \n#error\u202e \x1b[2J // ?" + "?/" * 3
    fields = (
        number("a", unit=nasty, note=nasty),
        Time("t", epoch=nasty),
        Group("g", fields=(Boolean("b"),), note=nasty),
    )
    message = Message(
        "m", fields, byte_order="big", bit_order="lsb-first", layout="bit-packed", note=nasty
    )
    made = generate(message)
    source = written(made, tmp_path)
    compiled([source], tmp_path / "m.o", "-c")
    assert comment("a */ b *\\ c /*/") == "a * / b * / c / * /"
    assert comment("???/") == "? ? ?/"


@needs_gcc
def test_constants_keep_their_value_and_their_sign(tmp_path: Path) -> None:
    powers = [side * (1 << bits) for bits in (7, 15, 16, 31, 32, 63) for side in (-1, 1)]
    edges = {power + more for power in powers for more in (-1, 0, 1)}
    tests = "".join(
        f"    if ((uint64_t){literal(edge)} != UINT64_C({edge % (1 << 64)})) return 1;\n"
        f"    if ({'!' if edge < 0 else ''}({literal(edge)} < 0)) return 2;\n"
        for edge in sorted(edges)
        if -(1 << 63) <= edge < 1 << 63
    )
    source = tmp_path / "edges.c"
    source.write_text(f"#include <stdint.h>\nint main(void)\n{{\n{tests}    return 0;\n}}\n")
    flags = [
        flag for flag in STRICT if flag not in ("-Wextra", "-Werror")
    ]  # comparisons that are always true
    subprocess.run(["gcc", *flags, "-o", str(tmp_path / "edges"), str(source)], check=True)
    assert subprocess.run([str(tmp_path / "edges")], check=False).returncode == 0


# --- odd formats ----------------------------------------------------------------------------------------


@needs_gcc
def test_messages_without_any_member(tmp_path: Path) -> None:
    empty = (Option("default", ()), Option("other", ()))
    plain_ = message_of(Constant("only", value=3, bits=3), name="constant")
    hollow = message_of(
        TAG, Array("u", element=Union("", tag="tag", options=empty), max_length=3),
        Group("g", fields=(Constant("c", value=1, bits=1),)), Union("v", tag="tag", options=empty, optional=True),
        name="hollow",
    )  # fmt: skip
    files = [generate(plain_), generate(hollow)]
    for made in files:
        written(made, tmp_path)
    main = tmp_path / "main.c"
    main.write_text(main_of(files))
    program = compiled([main], tmp_path / "program", *SANITIZERS)
    assert subprocess.run([program], check=False).returncode == 0


@needs_gcc
def test_a_tag_of_the_same_name_further_in_hides_the_outer_one(tmp_path: Path) -> None:
    outer = Enumeration("tag", names=("usual", "other"))
    inner = Enumeration("tag", names=("other", "usual"))
    number_or_not = (Option("usual", (number("x"),)), Option("other", ()))
    truth_or_not = (Option("usual", ()), Option("other", (Boolean("y"),)))
    message = message_of(
        outer,
        Group("g", fields=(inner, Union("u", tag="tag", options=number_or_not))),
        Union("u", tag="tag", options=truth_or_not),
    )
    made, _ = library(message, tmp_path)
    values = {"tag": "other", "g": {"tag": "usual", "u": {"x": 7}}, "u": {"y": True}}
    assert made.pack(values) == (0, message.pack(values))
    assert made.unpack(message.pack(values)) == (0, values)


@needs_gcc
def test_numbers_at_the_ends_of_64_bits(tmp_path: Path) -> None:
    low, high, top = Decimal(-(1 << 63)), Decimal((1 << 63) - 1), (1 << 64) - 1
    fields = (
        Number("s", min=low, max=high, coding="twos-complement"),
        Number("u", min=Decimal(0), max=Decimal(top - 1), special=(("na", None),)),
        Number("negative", min=low, max=low + 6, offset=low - 1, special=(("na", None),)),
        Series("v", min=low, max=high, deltas="variable", max_length=9, coding="twos-complement"),
        Series("w", min=low, max=high, deltas="variable", group_bits=31, max_length=9),
        Series("f", min=low, max=high, deltas="fixed", delta_bits=32, escape=True, max_length=9),
        Sequence("n", bits=64),
    )
    message = message_of(*fields)
    made, _ = library(message, tmp_path)
    ends = [int(low), int(high), int(low), 0, -1, 1, int(high), int(high) - 1]
    some = {"s": low, "u": top - 1, "negative": low + 6, "v": ends, "w": ends, "f": ends, "n": top}
    others = {"s": high, "u": "na", "negative": "na", "v": [], "w": [], "f": [], "n": 0}
    for values in (some, others, *samples(message, 50)):
        octets = message.pack(values)
        assert made.pack(values) == (0, octets)
        assert made.unpack(octets) == (0, message.unpack(octets))


@needs_gcc
def test_numbers_too_far_from_0_are_counted_from_the_least(tmp_path: Path) -> None:
    """No member holds 10^25 steps: 3 stands for 10^25 + 3, as on the wire, and the header says so."""
    far = Number("far", min=Decimal(10**25), max=Decimal(10**25 + 5), special=(("na", 7),))
    message = message_of(far)
    made, _ = library(message, tmp_path)
    assert [made.header.constant(("far",), name) for name in ("MIN", "MAX", "na")] == [0, 5, 7]
    assert "from 10000000000000000000000000" in generate(message).header.text
    assert made.pack_raw(made.header.message(far=3)) == (0, message.pack({"far": 10**25 + 3}))
    assert made.told(made.pack_raw(made.header.message(far=6))[0]) == "far"
