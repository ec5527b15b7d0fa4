"""The command line: whatever files and words it gets, it ends with 0 to 3 and in clear lines, and tells no key."""

import json
from typing import Any

from contract.entry import invoke
from fuzz.capture_files import capture
from fuzz.design_files import made
from fuzz.private_files import written
from fuzz.registry import KEYS, OUTCOMES, ROOT, Choices, check_secrecy, entry

KEY_FILE = f"""
[[key]]
octets = "{KEYS[0].hex()}"
[[key]]
octets = "{KEYS[1].hex()}"
key_id_mode = 1
index = 1
[devices]
"0x0001" = "02005eef10000001"
"0xabcd/0x0002" = "02005eef10000002"
"""
LINKS = ["--source", "0001", "--destination", "02005eef10000002", "--context", "0=2001:db8::/64"]
# of each command its words; a name in braces is a file, or octets in hex
COMMANDS: tuple[list[str], ...] = (
    ["annotate", "{hex}"],
    ["annotate", "{hex}", "--fcs", "none", "--keys", "{keys}", "--asn", "5", "--root", ROOT],
    ["annotate", "{capture}", "--keys", "{keys}", "--frame", "1", "--frame", "2"],
    ["annotate", "{capture}", "--list", "--context", "0=2001:db8::/64"],
    ["audit", "{capture}", "--keys", "{keys}"],
    ["audit", "{capture}", "--design", "{design}", "--csv"],
    ["survey", "{capture}", "--by", "flow", "--keys", "{keys}"],
    ["survey", "{capture}", "--every", "10", "--csv"],
    ["expand", "{capture}", "-o", "{out}", "--keys", "{keys}"],
    ["expand", "{capture}", "-o", "{out}", "--decrypted", "--keys", "{keys}"],
    ["shrink", "{capture}", "-o", "{out}", "--design", "{design}", "--plain"],
    ["measure", "{capture}", "--design", "{design}"],
    ["compress", "{hex}", *LINKS, "--ghc", "--lorh"],
    ["decompress", "{hex}", *LINKS, "--root", ROOT],
    ["budget", "{design}"],
    ["budget", "{design}", "--octets", "40"],
    ["fit", "{design}", "--csv"],
    ["weigh", "{design}"],
    ["encodings", "{design}"],
    ["compatible", "{design}", "{other}"],
    ["unpack", "{design}", "climate", "{hex}"],
    ["pack", "{design}", "climate", "t=20", "readings=1 2 3", "--rest", "typical"],
    ["pack", "{design}", "climate", "{word}"],
    ["pack", "{design}", "climate", "{values}"],
    ["explain", "{word}"],
    ["annotate", "{word}"],
    ["audit", "{keys}"],
    ["budget", "{keys}"],
    ["annotate", "{keys}", "--keys", "{hex}"],
)


@entry("command line", longest=400, slow_s=8.0, most_mb=48, inputs=10_000)
def any_command(data: bytes) -> None:
    choices = Choices(data)
    words, flags, size = choices.of(COMMANDS), choices.octet(), choices.octet()
    edits, octets = choices.take(size & 31), choices.rest()
    files: dict[str, Any] = {
        "hex": octets[:200].hex() or "-",
        "word": octets[:60].decode("latin-1").replace("\0", "") or "x",
        "out": written("out.pcap", b"").with_name("gone.pcap"),
    }
    makers: dict[str, Any] = {
        "capture": lambda: written("one.pcap", capture(octets)),
        "keys": lambda: written("keys.toml", KEY_FILE.encode()),
        "values": lambda: written("values.json", octets),
        "design": lambda: written("design.toml", made(bytes([flags & 0xF0]) + edits).encode()),
        "other": lambda: written("other.toml", made(bytes([flags & 0xF0]) + octets[:20]).encode()),
    }
    files["out"].unlink(missing_ok=True)
    given = []
    for word in words:
        name = word[1:-1] if word[:1] == "{" else ""
        given.append(str(files[name] if name in files else makers[name]()) if name else word)
    as_json = bool(flags & 1) and "--csv" not in given
    result = invoke(*given, *["--json"] * as_json, stdin=octets, COLUMNS="100")
    check_end(result, words[0], as_json=as_json)
    check_secrecy(result.stdout + result.stderr, octets)


def check_end(result: Any, command: str, *, as_json: bool) -> None:
    code = result.exit_code
    OUTCOMES[f"{command}: {code}"] += 1
    assert code in {0, 1, 2, 3}, result.stderr
    assert "Traceback" not in result.stderr
    assert "internal fault" not in result.stderr
    assert "\x1b" not in result.stdout + result.stderr
    assert (result.stdout + result.stderr).strip()
    if code == 2:
        assert result.stderr.startswith("lowpanbudget"), result.stderr
    if as_json and result.stdout.strip():
        for document in documents(result.stdout):
            assert isinstance(document, dict)
            assert document["version"] == 1


def documents(text: str) -> list[Any]:
    """Return the JSON documents of an output, one or a line each."""
    try:
        return [json.loads(text)]
    except json.JSONDecodeError:
        return [json.loads(line) for line in text.splitlines() if line.strip()]
