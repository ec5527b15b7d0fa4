"""What faults say: what is wrong, where, which clause, and what to write; to programs the same as JSON."""

import ast
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from contract import shelf
from house import MODULES, name_of, nodes_of

Invoke = Callable[..., Result]
DESIGN = Path("examples/archive.toml")
PYTHON = re.compile(
    r"\b(None|True|False|Traceback|[A-Z]\w+Error|dict|bytes|tuple|repr)\b|\w=\{|'[a-z_]+',\)"
)

# text of the design, what stands instead, what is said, what to write
WRONG = [
    ('title = "Saltmoor records archive, climate"', "", "title: this key is missing",
     'Write title = "a text in quotes": What is designed here.'),
    ("pan_id = 0x2c41", 'pan_id = "2c41"', "link.pan_id: should be a whole number, not '2c41'",
     "Write pan_id = a whole number from 0 to 65535: PAN ID of the nodes."),
    ('addresses = "short"', "addresses = 2", "link.addresses",
     'Write addresses = "short" or "extended": Link addresses of data frames.'),
    ("short = 0x0104", 'short = "01"', "station[1].short: 2 octets are wanted", "Write short = 0x0017: Short link"),
    ("level = 6", "level = 6\nframe_counter = 0",
     "link.security.frame_counter",
     'Write frame_counter = "carried" or "suppressed"'),
    ("hops = 3", 'hops = 3\nmessages = "climate"', "messages is there already", "Leave one of the two out"),
    ("every_s = 1800", "every_s = -1", "flow[1].every_s: should be 0.001 or more, not -1", "31536000 s are a year"),
    ("min = -40\nmax = 60", "min = 60\nmax = -40",
     "max -40 is not above min 60", "Exchange them: min = -40, max = 60"),
    ("min = 0\nmax = 100\n", "min = 0\nmax = 0\n", "max 0 is not above min 0", "use kind 'constant'"),
    ('deltas = "variable"\ngroup_bits = 4', 'deltas = "fixed"', "differences of fixed width need their width",
     "Write delta_bits = 2 to 32"),
    ('[[flow]]\nname = "climate"', '[flow]\nname = "climate"',
     "the table flow is there already", "[[flow]], each time"),
    ("pan_id = 0x2c41", "pan_id = 0x2c41\npan_id = 1", "pan_id is there already in this table", "Leave one"),
    ("pan_id = 0x2c41", "pan_id = 2c41", "TOML", "Write 0x2c41"),
    ('addresses = "short"', "addresses = short", "TOML: 'short' is no value", "in quotes"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "says", "write"), WRONG, ids=[row[1][:30] for row in WRONG])
def test_a_wrong_design(
    invoke: Invoke, tmp_path: Path, old: str, new: str, says: str, write: str
) -> None:
    text = DESIGN.read_text("utf-8")
    assert old in text
    file = tmp_path / "wrong.toml"
    file.write_text(text.replace(old, new, 1), "utf-8")
    done = invoke("fit", file, "--json")
    assert done.exit_code == 2
    assert says in done.stderr
    assert f"try: {write}" in done.stderr or write in done.stderr
    assert not PYTHON.search(done.stderr)
    (fault, *_) = json.loads(done.stdout)["fault"]["faults"]
    assert fault["file"] == str(file)
    assert fault["line"] >= 1
    assert fault["message"] in done.stderr


# RFC 8200 section 3: an IPv6 header has 40 octets and begins with version 6; section 3 also has the payload length
IPV6 = "6000000000081140" + "20010db8" + "00" * 11 + "01" + "20010db8" + "00" * 11 + "02"
UDP = "f0b1f0b20008ed7d"
CASES = [
    (("compress", "60"), 3, "40 octets, 1 octet left", "all octets of one datagram"),
    (("compress", IPV6[:-2]), 3, "16 octets, 15 octets left", "all octets of one datagram"),
    (("compress", "45" + IPV6[2:] + UDP), 3, "version", "all octets of one datagram"),
    (("compress", IPV6 + UDP[:-2]), 2, "payload length says 8 octets, 7 are there", "length"),
    (("annotate", "6198"), 3, "", "octets are the FCS: fcs none where it has none"),
    (("decompress", "7b3311"), 3, "", "link addresses of the hop: source"),
    (("decompress", "7ef7010203"), 3, "", "as a context, such as 0="),
    (("fit", "none.toml"), 2, "none.toml cannot be read", "init none.toml"),
    (("fit", DESIGN, "--mesage", "x"), 2, "--mesage", "fit --help"),
    (("fit", DESIGN, "--message", "x"), 2, "no message 'x'", "climate"),
]


@pytest.mark.parametrize(
    ("args", "code", "says", "write"), CASES, ids=[str(case[0][:2]) for case in CASES]
)
def test_a_wrong_request(
    invoke: Invoke, args: tuple[object, ...], code: int, says: str, write: str
) -> None:
    done = invoke(*args)
    assert done.exit_code == code
    said = done.stderr + done.stdout
    assert says in said
    assert write in said
    assert not PYTHON.search(said)
    told = json.loads(invoke(*args, "--json").stdout)
    if args[0] == "annotate":  # what could be read is shown all the same
        assert write in told["frames"][0]["fault"]["hint"]
        return
    assert told["version"] == 1
    assert told["fault"]["exit_code"] == code
    assert says in told["fault"]["message"]
    assert write in told["fault"]["message"] + told["fault"]["hint"]


SECRETS = (
    "00112233445566778899aabbccddeeff", "0x00112233445566778899AABBCCDDEEFF", "00:11:22:33:44:55:66:77:88:99:aa:bb",
    "ABEiM0RVZneImaq7zN3u/w==",
)  # fmt: skip


@pytest.mark.parametrize("secret", SECRETS)
def test_a_key_in_place_of_its_file_is_not_shown(
    invoke: Invoke, tmp_path: Path, secret: str
) -> None:
    capture = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"x"))
    for command in (("annotate", capture), ("audit", capture), ("survey", capture)):
        done = invoke(*command, "--keys", secret, "--json")
        assert done.exit_code == 2
        assert "key file" in done.stderr
        assert secret not in done.output
        assert secret.lower()[-6:] not in done.output.lower()


def test_the_name_of_a_key_file_is_shown(invoke: Invoke, tmp_path: Path) -> None:
    capture = shelf.written(tmp_path / "a.pcap", shelf.sealed(b"x"))
    assert "'mesh.keys.toml'" in invoke("audit", capture, "--keys", "mesh.keys.toml").stderr


def test_a_unit_that_is_advised_against_has_another(invoke: Invoke, tmp_path: Path) -> None:
    """RFC 8428 section 12.1: "%" is NOT RECOMMENDED; "/" is the ratio beside it, %RH and %EL are units of their own."""
    file = tmp_path / "percent.toml"
    text = DESIGN.read_text("utf-8")
    file.write_text(text.replace('unit = "%EL"', 'unit = "%"', 1), "utf-8")
    told = json.loads(invoke("fit", file, "--message", "climate", "--json").stdout)["findings"]
    (found,) = (one for one in told if one["subject"] == "message climate, battery")
    assert 'Write unit = "/"' in found["advice"]


# asked of Python alone: the command line gives these a file, a text or a design
OF_PYTHON = {"design.knobs", "design.addresses", "capture.files.writing", "capture.files.reading"}


def test_every_fault_says_what_to_do() -> None:
    """What is wrong with a design or a file has a way out where it is raised."""
    mute = []
    for path in MODULES:
        name = name_of(path)
        if name.split(".")[0] not in {"design", "cli", "capture"} or name in OF_PYTHON:
            continue
        for node in nodes_of(path, ast.Call):
            if getattr(node.func, "id", "") not in {"Flaw", "RequestError", "DesignError"}:
                continue
            given = {keyword.arg for keyword in node.keywords}
            asked_wrong = "type(" in ast.unparse(node)  # Python alone can give what is no text
            if not asked_wrong and len(node.args) < 3 and not given & {"hint", "faults"}:
                mute.append(f"{name}:{node.lineno}")
    assert not mute


def test_a_key_file_in_the_place_of_a_capture_is_not_shown(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "keys.toml"
    file.write_text(
        '[[key]]\noctets = "00112233445566778899aabbccddeeff"\nnote = "a secret word"\n'
    )
    for command in (("audit",), ("survey",), ("annotate",), ("annotate", "--list")):
        done = invoke(*command, file)
        assert "00112233" not in done.stdout + done.stderr
        assert "a secret word" not in done.stdout + done.stderr


def test_decompress_says_which_options_give_the_link_addresses(invoke: Invoke) -> None:
    """RFC 6282 section 3.2.2: with SAM 11 the address comes from the encapsulating header, which HEX has not."""
    done = invoke("decompress", "7a333a")
    assert done.exit_code == 3
    assert "--source and --destination" in done.stderr


def test_what_stands_at_another_place_or_under_another_name_is_told_so(
    invoke: Invoke, tmp_path: Path
) -> None:
    design, keys = tmp_path / "design.toml", tmp_path / "keys.toml"
    design.write_text('title = "a"\n[security]\nlevel = 5\n')
    assert "It is a key of [link]: link.security" in " ".join(
        invoke("budget", design).stderr.split()
    )
    keys.write_text('[[key]]\nkey = "00112233445566778899aabbccddeeff"\n')
    keys.chmod(0o600)
    told = invoke("annotate", "--keys", keys, "0102").stderr
    assert "unknown entry, key" in told
    assert "Did you mean octets?" in told
    assert "0011" not in told
    keys.write_text('[[key]]\noctets = "00"\nqqzzy = "00"\n')
    assert "unknown entry, number 2" in " ".join(
        invoke("annotate", "--keys", keys, "0102").stderr.split()
    )
    broadcast = invoke("annotate", "418807412cffff0004017cf7", "--fcs", "none").stdout
    assert (
        "destination address: 16 bits, broadcast: all who hear it" in broadcast
    )  # 802.15.4, from memory: 0xffff


@pytest.mark.parametrize(
    "args",
    [
        ("fit", DESIGN, "--mesage", "x"),
        ("fit", DESIGN, "--flow"),
        ("pack",),
        ("nothing",),
        (),
        ("fit", DESIGN, "--message", "x"),
    ],
)
def test_each_fault_has_all_names_and_null_for_what_is_not_known(
    invoke: Invoke, args: tuple[object, ...]
) -> None:
    """Also what was mistyped: ``explain json`` tells these names for all faults."""
    done = invoke(*args, "--json")
    assert done.exit_code == 2
    fault = json.loads(done.stdout)["fault"]
    assert fault.pop("message")
    assert fault.pop("hint")
    assert fault.pop("command").startswith("lowpanbudget")
    unknown = {"offset": None, "layer": None, "cite": None}
    assert fault == {"kind": "RequestError", "exit_code": 2, **unknown}


def test_json_without_a_command_is_told_where_it_goes(invoke: Invoke) -> None:
    for args in ((), ("fit", DESIGN)):
        assert "--json goes behind a command" in invoke("--json", *args).stderr


def test_octets_fewer_than_the_fcs_are_not_called_its_last(invoke: Invoke) -> None:
    """IEEE 802.15.4-2015 clause 7.2.10 (from memory): the FCS has 2 octets, or 4."""
    told = " ".join(invoke("annotate", "02").stdout.split())
    assert "The last 2 octets would be the FCS: fcs none where it has none" in told


def test_a_value_out_of_range_is_told_what_to_give(invoke: Invoke, tmp_path: Path) -> None:
    design = tmp_path / "mesh.toml"
    invoke("init", design)
    values = ("sequence=3", "temperature=200", "humidity=40")
    done = invoke("pack", design, "reading", *values, "--json")
    assert done.exit_code == 2
    assert "Give -40 to 85 Cel" in json.loads(done.stdout)["fault"]["hint"]


def test_a_coap_message_is_explained_by_its_header(invoke: Invoke) -> None:
    """RFC 7252 section 3: messages begin with a header of 4 octets."""
    assert invoke("explain", "coap message").stdout.startswith("CoAP\n")


def test_a_text_that_is_no_capture_becomes_no_empty_capture(invoke: Invoke, tmp_path: Path) -> None:
    text, target = tmp_path / "words.txt", tmp_path / "out.pcap"
    text.write_text("these are words\nand no frames, line by line\n", "utf-8")
    done = invoke("expand", text, "-o", target)
    assert done.exit_code == 3
    assert "words.txt holds no frame: line 1 has no octets in hex" in done.stderr
    assert not target.exists()
