"""The house of the design: who may import whom, who may open files, which words stay out of which rooms."""

import ast
import io
import json
import re
import subprocess
import sys
import tokenize
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from house import MODULES, PACKAGE, docstrings, imports, name_of, nodes_of

import lowpanbudget

ORDER = (
    "hidden < shown < values < cites < errors < declared < arguments < bits < env < fields < layers < stack < "
    "payload < design < capture < room < deployment < findings < report < cli"
)
FLOORS = ORDER.split(" < ")
ABOVE_ALL = {
    "",
    "__main__",
    "public_names",
}  # the package itself, which imports names lazily, and the way in
ROOMS_OF_LAYERS = {
    "link": {"link"},
    "internet": {"internet"},
    "lowpan": {"lowpan", "internet"},
    # these name all tables for those who explain them
    "catalogue": {"link", "internet", "lowpan", "labels"},
    "labels": set[str](),
}
# Names of protocols, of their fields and mechanisms; words that any trade uses (header, frame, hop, mesh) are free.
BANNED = (
    "6lo 6lorh 6lowpan aes asn ccm coap cid dac dam dtls ecn dscp eid eui eui64 frag1 fragn ghc hc1 hlim icmp "
    "icmpv6 ieee iid iphc ipv6 lorh mac mhr mic nhc oscore pan psdu rfrag rpi rpl sac "
    "sam srh tcp tsch udp"
)
PROTOCOL_WORDS = set(BANNED.split())
WORD, SMALL_TO_CAPITAL = re.compile(r"[a-z0-9]+"), re.compile(r"(?<=[a-z])(?=[A-Z])")
WORDLESS = ("room", "deployment", "report")


def inner(full: str) -> str | None:
    """Return the name inside the package, or None for another package's."""
    if full == "lowpanbudget":
        return ""
    return full.removeprefix("lowpanbudget.") if full.startswith("lowpanbudget.") else None


def test_imports_go_left() -> None:
    for path in MODULES:
        here = name_of(path)
        floor = here.split(".")[0]
        if floor in ABOVE_ALL:
            continue
        assert floor in FLOORS, f"{here} stands on no floor: add it to the order or move it"
        for line, full in imports(path):
            there = inner(full)
            if there is None:
                continue
            other = there.split(".")[0]
            if other not in FLOORS:
                pytest.fail(f"{here}:{line} imports {full} from the package's front door")
            assert FLOORS.index(other) <= FLOORS.index(floor), f"{here}:{line} imports {full}"


def test_layers_link_and_internet_stand_alone() -> None:
    for path in MODULES:
        here = name_of(path)
        if not here.startswith("layers."):
            continue
        for line, full in imports(path):
            there = inner(full)
            if there is not None and there.startswith("layers."):
                rooms = ROOMS_OF_LAYERS[here.split(".")[1]]
                assert there.split(".")[1] in rooms, f"{here}:{line}: {full}"


def words_of(path: Path) -> Iterator[tuple[int, str]]:
    """Yield the words of a module's identifiers and texts in lower case, of one that may name a protocol.

    Comments and docstrings are exempt: a module may say in words why it knows no protocol.
    """
    source = path.read_text(encoding="utf-8")
    # its own words take long to tell from those of comments, and most modules have none of either
    if not PROTOCOL_WORDS.intersection(WORD.findall(SMALL_TO_CAPITAL.sub(" ", source).lower())):
        return
    exempt = {(text.lineno, text.col_offset) for text in docstrings(path)}
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.STRING and token.start in exempt:
            continue
        if token.type in (tokenize.NAME, tokenize.STRING) or tokenize.tok_name[
            token.type
        ].startswith("FSTRING"):
            yield from ((token.start[0], word) for word in split_words(token.string))


@cache
def split_words(text: str) -> list[str]:
    """Return ``text`` cut at everything that is no letter or digit, and at a capital after a small letter."""
    spaced = "".join(
        f" {sign}" if sign.isupper() and before.islower() else sign if sign.isalnum() else " "
        for before, sign in zip(" " + text, text, strict=False)
    )
    return spaced.lower().split()


def test_no_protocol_is_named() -> None:
    assert not [
        f"{name_of(path)}:{line} names {word}"
        for path in MODULES
        if name_of(path).split(".")[0] in WORDLESS
        for line, word in words_of(path)
        if word in PROTOCOL_WORDS
    ]


def test_what_a_program_may_read_names_no_option_of_the_command_line() -> None:
    """An error below the findings is raised for those who call functions too: its hint names what both have."""
    below = FLOORS[: FLOORS.index("findings")]
    assert not [
        f"{name_of(path)}:{node.lineno} has {node.value!r}"
        for path in MODULES
        if name_of(path).split(".")[0] in below
        for node in set(nodes_of(path, ast.Constant)).difference(docstrings(path))
        if isinstance(node.value, str) and re.search(r"(?<![\w-])--[a-z]", node.value)
    ]


def test_no_template_names_a_protocol() -> None:
    """What is no module is read whole: texts, templates, styles."""
    others = [
        path
        for room in WORDLESS
        for path in (PACKAGE / room).rglob("*")
        if path.is_file() and path.suffix not in {".py", ".pyc"}
    ]
    assert not [
        f"{path.name} names {word}"
        for path in others
        for word in split_words(path.read_text(encoding="utf-8"))
        if word in PROTOCOL_WORDS
    ]


def test_the_word_list_finds_what_it_should(tmp_path: Path) -> None:
    sample = tmp_path / "sample.py"
    sample.write_text(
        '"""Docstring with iphc."""\n# comment with udp\nmac_level = "coap ok"\nUdpThing = f"x {mac_level} mic"\n'
        "company = 'companion'\n"
    )
    assert {word for _, word in words_of(sample) if word in PROTOCOL_WORDS} == {
        "mac", "coap", "udp", "mic",
    }  # fmt: skip


OPENERS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "fdopen", "mkstemp"}
OPENERS |= {"NamedTemporaryFile", "TemporaryFile", "fromfile", "tofile", "savez", "loadtxt"}
BARE_OPENERS = {"open", "NamedTemporaryFile", "TemporaryFile"}
MAY_OPEN = ("design.load", "capture.files", "cli")


def test_only_the_edges_open_files() -> None:
    for path in MODULES:
        here = name_of(path)
        if any(here == edge or here.startswith(edge + ".") for edge in MAY_OPEN):
            continue
        for call in nodes_of(path, ast.Call):
            # a bare name other than open is a function of the package's own
            method = getattr(call.func, "attr", "")
            name = getattr(call.func, "id", "")
            assert method not in OPENERS, f"{here}:{call.lineno} calls {method}"
            assert name not in BARE_OPENERS, f"{here}:{call.lineno} opens a file"


def test_one_module_knows_the_library_for_tables() -> None:
    knowing = {
        name_of(path) for path in MODULES if any("pyarrow" in full for _, full in imports(path))
    }
    assert knowing == {"report.parquet"}


NUMBERS_IN_BULK = ("fields.lookup", "capture.columns", "room.sweep", "deployment")


def test_numpy_stays_where_numbers_come_in_bulk() -> None:
    for path in MODULES:
        here = name_of(path)
        for line, full in imports(path):
            if full.split(".")[0] == "numpy":
                assert here.startswith(NUMBERS_IN_BULK), f"{here}:{line} imports {full}"


def test_no_module_is_named_like_the_standard_library() -> None:
    names = {path.stem if path.stem != "__init__" else path.parent.name for path in MODULES}
    # words of this trade; nobody here imports the library's own modules of these names
    assert not names & sys.stdlib_module_names - {"__main__", "encodings"}


PROBE = """
import importlib, json, sys, traceback, types

def fault(names):
    for name in [one for one in sys.modules if one.partition(".")[0] == "lowpanbudget"]:
        del sys.modules[name]
    try:
        for name in names:
            importlib.import_module(name)
        import lowpanbudget
        for name in lowpanbudget.__all__:
            value = getattr(lowpanbudget, name)
            assert callable(value), name
            assert not isinstance(value, types.ModuleType), name
    except Exception:
        return traceback.format_exc()

names = sys.argv[1:]
print(json.dumps({"left to right": fault(names), "right to left": fault(names[::-1])}))
"""


@cache
def faults_of_imports() -> dict[str, str | None]:
    """Return what goes wrong in each order; one process tries both, each with the package not loaded."""
    names = [f"lowpanbudget.{name_of(path)}".rstrip(".") for path in MODULES]
    names = [name for name in names if not name.endswith("__main__")]
    command = [sys.executable, "-W", "error", "-c", PROBE, *names]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found: dict[str, str | None] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize("order", ["left to right", "right to left"])
def test_every_submodule_imports_and_then_every_public_name_works(order: str) -> None:
    """A submodule that is imported becomes an attribute of the package and could hide a public name."""
    assert faults_of_imports()[order] is None


def test_no_public_name_is_a_submodule() -> None:
    top = {name_of(path).split(".")[0] for path in MODULES}
    assert not top & set(lowpanbudget.__all__)


def test_importing_the_package_loads_nothing_heavy() -> None:
    probe = (
        "import sys, lowpanbudget; lowpanbudget.decode_frame; lowpanbudget.compress; lowpanbudget.Reassembler\n"
        "print(*{m.split('.')[0] for m in sys.modules} & "
        "{'numpy', 'scapy', 'pydantic', 'rich', 'jinja2', 'asn1tools', 'aiocoap', 'click', 'cryptography'})"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_a_budget_loads_nothing_that_receives() -> None:
    """Frames are made from header values, so a design needs half of the stack: the other half is not read either."""
    probe = (
        "import sys; from lowpanbudget import budget, fit, load_design\n"
        "design = load_design('examples/footbridge.toml'); budget(design); fit(design)\n"
        "print(*(name for name in sys.modules if name.startswith('lowpanbudget.stack.')))"
    )
    done = subprocess.run(
        [sys.executable, "-c", probe],
        capture_output=True,
        text=True,
        check=True,
        cwd=PACKAGE.parent,
    )
    loaded = {name.rpartition(".")[2] for name in done.stdout.split()}
    assert loaded >= {"outgoing", "packing", "split", "encoding"}
    assert not loaded & {
        "datagram",
        "upper",
        "routed",
        "incoming",
        "pieces",
        "collected",
        "reassembly",
        "frame",
    }
