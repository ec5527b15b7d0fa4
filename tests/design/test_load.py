"""Files and texts that are no design: one message each, no traceback, nothing endless."""

import os
import tracemalloc
from contextlib import suppress
from functools import partial
from pathlib import Path

import pytest
from design.designs import EXAMPLE_TEXTS, SMALL, fault_of, faults_of, place
from hypothesis import given, settings
from hypothesis import strategies as st
from work import calls

from lowpanbudget import load_design
from lowpanbudget.design.load import MOST_FAULTS, MOST_OCTETS, parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import DesignError, Fault, RequestError


def test_a_file_is_read_and_named(tmp_path: Path) -> None:
    file = tmp_path / "store.toml"
    file.write_text(SMALL, encoding="utf-8")
    design = load_design(file)
    assert (design.title, design.file) == ("A cold store", str(file))
    assert load_design(str(file)) == design
    assert [flow.name for flow in design.flows] == ["up", "out"]


def test_a_byte_order_mark_and_dos_line_ends_are_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "store.toml"
    file.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert load_design(file).title == "A cold store"
    file.write_bytes(SMALL.replace("hops = 3", "hopz = 3").replace("\n", "\r\n").encode())
    with pytest.raises(DesignError) as caught:
        load_design(file)
    (fault,) = caught.value.faults
    assert (fault.line, fault.column) == place(SMALL, "hops = 3")


def test_missing_file_and_directory(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path, tmp_path / "none" / "x.toml", "a" * 5000, "\0"):
        with pytest.raises(DesignError) as caught:
            load_design(path)
        assert caught.value.exit_code == 2
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize("path", [None, 3, b"\xff", ["x"]])
def test_what_is_no_file_name(path: object) -> None:
    with pytest.raises(DesignError):
        load_design(path)  # type: ignore[arg-type]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_unreadable_file(tmp_path: Path) -> None:
    file = tmp_path / "store.toml"
    file.write_text(SMALL, encoding="utf-8")
    file.chmod(0)
    with pytest.raises(DesignError, match="cannot be read"):
        load_design(file)


def test_other_encodings_are_named_with_their_place(tmp_path: Path) -> None:
    file = tmp_path / "store.toml"
    file.write_bytes("title = 'K\xe4lte'".encode("latin-1"))
    with pytest.raises(DesignError, match="octet 10 is 0xe4"):
        load_design(file)
    file.write_bytes(SMALL.encode("utf-16"))
    with pytest.raises(DesignError, match="UTF-8"):
        load_design(file)


def test_huge_and_endless_files_are_refused_soon(tmp_path: Path) -> None:
    file = tmp_path / "store.toml"
    file.write_bytes(b"#" * (MOST_OCTETS + 1))
    tracemalloc.start()
    for path in (file, Path("/dev/zero")):
        if path.exists():
            with pytest.raises(DesignError, match="has over"):
                load_design(path)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 3 * MOST_OCTETS  # no more is read than shows that it is too much


def test_syntax_faults_have_line_and_column() -> None:
    fault = fault_of(SMALL.replace("level = 5", "level = = 5"))
    assert (fault.line, fault.column) == (place(SMALL, "level = 5")[0], 9)
    assert fault.key == "TOML"
    assert fault.hint
    repeated = fault_of(SMALL.replace("level = 5", "level = 5\nlevel = 5"))
    assert repeated.line == place(SMALL, "level = 5")[0] + 1
    unfinished = fault_of(SMALL + 'x = "')
    assert unfinished.line >= SMALL.count("\n")
    # TOML 1.0.0: "Newline means LF (0x0A) or CRLF (0x0D 0x0A)"; what parts lines elsewhere does not
    for sign in ("\x0b", "\x0c", "\x85", "\u2028"):
        elsewhere = fault_of(f'title = """{sign * 9}')
        assert elsewhere.line == 1


@pytest.mark.parametrize(
    ("old", "new", "message", "hint"),
    [
        # TOML 1.0.0: "A float consists of an integer part [...] followed by a fractional part", which has a point
        ("max = 60", "max = 60,5", "60,5 is no number", "Write 60.5"),
        ("max = 60", "max = 60,0005", "60,0005 is no number", "Write 60.0005"),
        ("max = 60", "max = 0,125", "0,125 is no number", "Write 0.125"),
        # a comma before three digits parts thousands for some, decimals for others; two of them, or a point, tell which
        (
            "max = 60",
            "max = 1,000",
            "1,000 is no number",
            "Write 1000 where the comma parts thousands, and 1.000 where",
        ),
        ("max = 60", "max = -12,500", "-12,500 is no number", "Write -12500 where"),
        ("max = 60", "max = 1,000,000", "1,000,000 is no number", "Write 1000000"),
        ("max = 60", "max = 1,000.5", "1,000.5 is no number", "Write 1000.5"),
        ("pan_id = 0x1a2b", "pan_id = 1.000.000", "1.000.000 is no number", "without points"),
        # "Hexadecimal [...] prefixed 0x", in small letters; "Leading zeros are not allowed"
        ("pan_id = 0x1a2b", "pan_id = 0X1A2B", "0X1A2B is no number", "a small x"),
        ("pan_id = 0x1a2b", "pan_id = 06699", "does not begin with 0", "Write 6699"),
        ("pan_id = 0x1a2b", "pan_id = 6699;", "; ends no line", "Leave it out"),
        ("pan_id = 0x1a2b", "pan_id = 6699 s", "s stands behind a number", "the number alone"),
        ("pan_id = 0x1a2b", "pan_id = 6699 // ours", "// begins no comment", "begin with #"),
        (
            "[network]",
            "[link]\nphy = 'x'\n[network]",
            "table link is there already",
            "It stands once",
        ),
        ("[[flow]]", "[flow]", "table flow is there already", "is written [[flow]], each time"),
        # "Hexadecimal [...] integers [...] prefixed 0x"
        ("pan_id = 0x1a2b", "pan_id = 7a11", "7a11 is no number", "Write 0x7a11"),
        # "A hash symbol marks the rest of the line as a comment"
        ("[network]", "// network\n[network]", "// begins no comment", "begin with #"),
        ("[network]", '{"network": {}}\n[network]', "as in JSON", "[its name]"),
        # "key/value pairs": key, equals sign, value, on one line
        ("pan_id = 0x1a2b", "pan_id: 0x1a2b", "a colon stands behind a key", "key = value"),
        # "Basic strings are surrounded by quotation marks", in one line
        ('name = "sink"', 'name = "sink', "not closed in its line", 'Write the " that ends it'),
        ('name = "sink"', 'name = "sink\r', "not closed in its line", 'Write the " that ends it'),
        ('name = "sink"', "name = \u201csink\u201d", "\u201c is no quote", '"a text"'),
        # "Control characters other than tab are not permitted"
        ('name = "sink"', 'name = "si\7nk"', "U+0007", "\\u0007"),
        # "Newline means LF (0x0A) or CRLF (0x0D 0x0A)", "A TOML file must be a valid UTF-8 encoded Unicode document"
        ("[network]", "a = 1\rb = 2\n[network]", "carriage return alone", "line feeds"),
        ("[network]", "\0a\0 \0=\0 \x001\n[network]", "as in UTF-16", "UTF-8"),
        ("[network]", "a\0=\x001\0\n[network]", "as in UTF-16", "UTF-8"),
    ],
)
def test_slips_of_syntax_are_told_with_what_is_right(
    old: str, new: str, message: str, hint: str
) -> None:
    head, mark, rest = SMALL.rpartition(old)
    fault = fault_of(head + new + rest)
    assert mark
    assert message in fault.message
    assert hint in fault.hint


def test_a_decimal_comma_in_a_table_within_a_line_is_told() -> None:
    """The reader takes 0 for the value and 05 for the next key, and asks for its equals sign."""
    fault = fault_of("field = [\n{ min = 1, step = 0,05, unit = 'm/s' },\n]\n")
    assert (fault.line, fault.message) == (2, "0,05 is no number: a point stands before decimals")
    assert fault.hint == "Write 0.05"


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('"gate"', '"probe"', "station[3].name"),
        ("00:00:07", "00:00:05", "station[3].extended"),
    ],
)
def test_two_stations_that_are_one_are_told_once_and_not_by_their_flows(
    old: str, new: str, key: str
) -> None:
    """A flow to the host outside goes by the border router, which then has the name or the address of its sender."""
    assert fault_of(SMALL.replace(old, new)).key == key


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 100_000,
        "a = " + "{a = " * 100_000,
        "a" + ".a" * 100_000 + " = 1",
        "pan_id = " + "9" * 5000,
        "\x00",
        "\ud800",
        "a = 1e999999999999999999999",
        "",
    ],
    ids=["arrays", "tables", "dots", "digits", "zero", "surrogate", "exponent", "empty"],
)
def test_odd_texts(text: str) -> None:
    assert faults_of(text)


@pytest.mark.parametrize("digits", ["9" * 5000, "0x" + "f" * 5000, "-" + "1_" * 5000 + "1"])
def test_numbers_that_nobody_can_show_are_located(digits: str) -> None:
    """TOML 1.0.0 wants 64 bits: in decimal and in hex a number of thousands of digits is refused, where it stands."""
    fault = fault_of(SMALL.replace("hops = 3", f"hops = {digits}"))
    line, _ = place(SMALL, "hops = 3")
    assert (fault.line, fault.key) == (line, "TOML")
    assert fault.column > len("hops")
    assert "digits" in fault.message


def test_fields_nested_too_deep() -> None:
    for depth in (30, 90, 200):
        nested = '{kind="group",name="g",field=[' * depth + "]}" * depth
        text = SMALL.replace("element = {", f"x = {nested}\nelement = {{")
        assert faults_of(text)
        text = SMALL.replace(
            'element = { kind = "number", min = 0, max = 9 }', f"element = {nested}"
        )
        with suppress(RequestError):  # deeper than messages may be, or a message
            parse_design(text)


def test_thousands_of_faults_are_counted_and_the_first_listed() -> None:
    extra = "".join(f"flowlabel{number} = 1\n" for number in range(2_000))
    with pytest.raises(DesignError) as caught:
        parse_design(extra + SMALL)
    assert caught.value.message.endswith("2000 faults")
    assert len(caught.value.faults) == MOST_FAULTS + 1
    assert f"{2_000 - MOST_FAULTS} faults more" in caught.value.faults[-1].message
    lines = extra.splitlines(keepends=True)
    few, many = (calls(partial(faults_of, "".join(lines[:count]) + SMALL)) for count in (300, 600))
    assert many < 2.1 * few


LINES = [line for text in (SMALL, *EXAMPLE_TEXTS) for line in text.splitlines() if line.strip()]
VALUES = st.one_of(
    st.sampled_from(
        ["true", "-1", "0", "70000", "1.5", "nan", "-inf", "[]", "{}", '""', '"x"', "[1]", '["a", 2]',
         "1979-05-27", "07:32:00", "0xffff", "999999999999999999999999", "1e400", '"::"', '"ff02::1"',
         '"fe80::1"', '"2001:db8::/64"', '"node"', '"outside"', "256", "2", "5", '"0xfffe"']
    ),
    st.integers().map(str),
    st.text(max_size=8).map(lambda text: '"' + text.replace("\\", "").replace('"', "") + '"'),
)  # fmt: skip


TEXTS = st.sampled_from([tuple(text.splitlines()) for text in (SMALL, *EXAMPLE_TEXTS)])
COUNTS = st.integers(1, 3)
WAYS = st.sampled_from(["value", "value", "value", "key", "drop", "double", "other", "cut"])
SIGNS = st.sampled_from("abz_.-[]{}\"'=#1")
OTHERS = st.sampled_from(LINES)


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """A design text with a few lines changed: values, keys, deletions, doublings, lines from elsewhere."""
    lines = list(draw(TEXTS))
    for _ in range(draw(COUNTS)):
        at = draw(st.integers(0, len(lines) - 1))
        line = lines[at]
        how = draw(WAYS)
        if how == "value" and "=" in line:
            lines[at] = line.split("=")[0] + "= " + draw(VALUES)
        elif how == "key" and line:
            where = draw(st.integers(0, len(line) - 1))
            lines[at] = line[:where] + draw(SIGNS) + line[where + 1 :]
        elif how == "drop":
            lines[at] = ""
        elif how == "double":
            lines.insert(at, line)
        elif how == "other":
            lines.insert(at, draw(OTHERS))
        elif how == "cut":
            lines = lines[: at + 1]
    return "\n".join(lines)


@pytest.mark.long
@settings(max_examples=250)
@given(mutated())
def test_any_change_gives_a_design_or_located_faults(text: str) -> None:
    faults: tuple[Fault, ...] = ()
    try:
        assert isinstance(parse_design(text, "x.toml"), Design)
    except DesignError as error:
        faults = error.faults or pytest.fail("a fault without a place")
    lines = text.split("\n")
    for fault in faults:
        assert 1 <= fault.line <= max(len(lines), 1)
        assert 1 <= fault.column <= len(lines[fault.line - 1]) + 2
        assert fault.key
        assert fault.message
        assert "\n" not in str(fault)
