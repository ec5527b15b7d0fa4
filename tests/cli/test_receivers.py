"""Several receivers of one network: what more than one heard was sent once, and is counted once."""

import json
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from contract import shelf
from contract.entry import invoke
from findings import air
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.capture.follow.receivers import Receivers, Reception

Heard = tuple[int, float, bytes]  # by which receiver, when in seconds, what
FRAMES = [shelf.frames(bytes([number]) * 9, number)[0] for number in range(10)]
LATER = 0.002


def block(kind: int, body: bytes) -> bytes:
    """draft-ietf-opsawg-pcapng section 3.1 (from memory): type, length, body, length."""
    body += bytes(-len(body) % 4)
    return struct.pack("<2I", kind, 12 + len(body)) + body + struct.pack("<I", 12 + len(body))


def pcapng(path: Path, heard: Iterable[Heard], names: tuple[bytes, ...]) -> Path:
    """Write a capture with an interface for each receiver; the time is in microseconds unless told otherwise."""
    octets = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
    for name in names:
        option = struct.pack("<2H", 2, len(name)) + name + bytes(-len(name) % 4) + bytes(4)
        octets += block(1, struct.pack("<2HI", 195, 0, 0) + option)
    for receiver, time_s, frame in sorted(heard, key=lambda one: one[1]):
        high, low = divmod(round(time_s * 1e6), 1 << 32)
        head = struct.pack("<5I", receiver, high, low, len(frame), len(frame))
        octets += block(6, head + frame)
    path.write_bytes(octets)
    return path


def sent_to_both() -> list[Heard]:
    """Ten frames a second apart; the second receiver missed 3 and 7, the first one 4; frame 5 was sent again."""
    heard: list[Heard] = []
    for number, frame in enumerate(FRAMES):
        if number != 4:
            heard.append((0, float(number), frame))
        if number not in {3, 7}:
            heard.append((1, number + LATER, frame))
    return [*heard, (0, 5.004, FRAMES[5]), (1, 5.004 + LATER, FRAMES[5])]


def surveyed(*arguments: object) -> dict[str, Any]:
    done = invoke("survey", *arguments, *shelf.CONTEXT, "--json")
    assert done.exit_code == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)["survey"]
    return found


def counted(found: dict[str, Any]) -> dict[str, int]:
    names = ("frames", "datagrams", "retransmissions", "duplicates", "lost")
    return {name: found["total"][name] for name in names}


ONCE = {"frames": 11, "datagrams": 10, "retransmissions": 1, "duplicates": 0, "lost": 0}


def test_interfaces_of_one_capture(tmp_path: Path) -> None:
    path = pcapng(tmp_path / "a.pcapng", sent_to_both(), (b"roof", b"cellar"))
    found = surveyed(path)
    assert counted(found) == ONCE
    # of the first's 9 + 1 two were its own (3, 7), of the second's 8 + 1 one (4)
    assert found["receivers"] == [
        {"receiver": "interface 0 (roof)", "frames": 10, "well": 8, "heard_by_others": 8},
        {"receiver": "interface 1 (cellar)", "frames": 9, "well": 8, "heard_by_others": 8},
    ]
    shown = invoke("survey", path, *shelf.CONTEXT, COLUMNS="80").stdout
    assert "interface 0 (roof): 10 frames, 8 of them heard by others as well" in shown


def test_one_interface_of_a_capture_is_no_receiver_among_others(tmp_path: Path) -> None:
    heard = [(0, number + 0.0, frame) for number, frame in enumerate(FRAMES)]
    found = surveyed(pcapng(tmp_path / "a.pcapng", heard, (b"roof",)))
    assert (found["receivers"], found["total"]["frames"]) == ([], 10)


def test_captures_put_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second receiver takes the check sequence off (link type 230): the frames are the same."""
    monkeypatch.chdir(tmp_path)
    first, second = (
        shelf.written(
            Path(f"{name}.pcap"),
            [
                (time_s, frame[:-2] if receiver else frame)
                for receiver, time_s, frame in sorted(sent_to_both(), key=lambda one: one[1])
                if receiver == number
            ],
            link_type,
        )
        for number, (name, link_type) in enumerate([("roof", 195), ("cellar", 230)])
    )
    together = surveyed(first, second, "--together")
    assert counted(together) == ONCE
    assert [one["frames"] for one in together["receivers"]] == [10, 9]
    assert [one["well"] for one in together["receivers"]] == [8, 8]
    apart = surveyed(first, second)
    assert (apart["total"]["frames"], apart["total"]["lost"], apart["receivers"]) == (19, 3, [])
    done = invoke("audit", first, second, "--together", *shelf.CONTEXT)
    assert done.exit_code == 0, done.stdout
    assert "11 frames" in " ".join(done.stdout.split())
    assert f"{second}: 9 frames, 8 of them" in " ".join(done.stdout.split())
    # the first receiver's ten frames and the second's eight come before what it hears last, as frame 19
    shown = invoke(
        "annotate", first, second, "--together", "--frame", "19", *shelf.CONTEXT, "--json"
    )
    (frame,) = json.loads(shown.stdout)["frames"]
    assert frame["number"] == 19
    assert frame["mac"]["sequence"] == 9
    assert (frame["receiver"], frame["heard_as"]) == (str(second), 18)
    listed = invoke("annotate", first, second, "--together", "--list", *shelf.CONTEXT, "--json")
    assert [one["number"] for one in json.loads(listed.stdout)["list"]] == list(range(1, 20))
    assert invoke("annotate", first, second).exit_code == 2


def flipped(frame: bytes, at: int) -> bytes:
    altered = bytearray(frame)
    altered[at] ^= 1
    return bytes(altered)


@pytest.mark.parametrize("turned", [False, True])
def test_check_sequences_are_counted_of_all_that_a_receiver_heard(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, turned: bool
) -> None:
    """A receiver without check sequences hears all, before or after one with them that hears frame 3 damaged."""
    monkeypatch.chdir(tmp_path)
    damaged = [flipped(frame, -4) if place == 3 else frame for place, frame in enumerate(FRAMES)]
    bare = [(1.0 + n, one[:-2]) for n, one in enumerate(FRAMES)]
    shelf.written(Path("bare.pcap"), bare, 230)
    shelf.written(Path("whole.pcap"), [(1.0 + n, one) for n, one in enumerate(damaged)], 195)
    order = ("whole.pcap", "bare.pcap") if turned else ("bare.pcap", "whole.pcap")
    done = invoke("audit", *order, "--together", *shelf.CONTEXT, "--json")
    (found,) = json.loads(done.stdout)["audit"]
    (told,) = found["findings"]
    assert done.exit_code == 0
    assert (told["name"], told["severity"]) == ("check-sequence-wrong", "remark")
    assert told["evidence"] == ["1 of 10 frames do not match"]


@pytest.mark.parametrize("order", [("bare", "whole"), ("whole", "bare")])
def test_damage_that_one_receiver_knows_is_no_wrong_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, order: tuple[str, str]
) -> None:
    """Both heard the same damage: the FCS of one tells it (IEEE 802.15.4-2015 7.2.10), so that no key is in doubt."""
    monkeypatch.chdir(tmp_path)
    sealed = [air.secured(b"data", number, 5 + number) for number in range(30)]
    heard = [flipped(one, -8) if place in {7, 19} else one for place, one in enumerate(sealed)]
    shelf.written(Path("bare"), [(1.0 + n, one[:-2]) for n, one in enumerate(heard)], 230)
    shelf.written(Path("whole"), [(1.0 + n, one) for n, one in enumerate(heard)], 195)
    keys = f'[[key]]\noctets = "{air.KEY.hex()}"\nkey_id_mode = 1\nindex = 1\n'
    Path("keys.toml").write_text(keys, "ascii")
    Path("keys.toml").chmod(0o600)
    done = invoke("audit", *order, "--together", *shelf.CONTEXT, "--keys", "keys.toml", "--json")
    found = json.loads(done.stdout)["audit"][0]["findings"]
    assert ("check-sequence-wrong", 2) in [(one["name"], one["count"]) for one in found]
    assert "integrity-code-wrong" not in [one["name"] for one in found]
    # without that receiver it is told
    alone = invoke("audit", "bare", *shelf.CONTEXT, "--keys", "keys.toml", "--json")
    found = json.loads(alone.stdout)["audit"][0]["findings"]
    assert [one["count"] for one in found if one["name"] == "integrity-code-wrong"] == [2]


STATUS = b"\xd3\x80"  # signal strength, then link quality with the bit of a right FCS (common practice, no source)
MANY = [shelf.frames(bytes([number]) * 9, number)[0] for number in range(40)]


@pytest.mark.parametrize("begins", [0, 20])
@pytest.mark.parametrize("late_s", [LATER, -LATER])
def test_each_receiver_ends_its_frames_as_it_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, begins: int, late_s: float
) -> None:
    """One keeps the FCS, another overwrites it: the octets before it are the same (IEEE 802.15.4-2015 7.2.10)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        "lowpanbudget.capture.follow.tracing.WINDOW", 20
    )  # one that begins behind it
    status = [(1 + n + late_s, one[:-2] + STATUS) for n, one in enumerate(MANY) if n >= begins]
    shelf.written(Path("whole.pcap"), [(1.0 + n, one) for n, one in enumerate(MANY)], 195)
    shelf.written(Path("status.pcap"), status, 195)
    done = invoke("audit", "whole.pcap", "status.pcap", "--together", *shelf.CONTEXT, "--json")
    (found,) = json.loads(done.stdout)["audit"]
    told = {one["name"]: one for one in found["findings"]}
    assert "as status.pcap wrote them" in told["check-sequence-not-as-said"]["cause"]
    if not begins:
        assert set(told) == {"check-sequence-not-as-said"}
        assert (found["frames"], done.exit_code) == (40, 0)
    else:  # what it heard before its eighth frame could not be told
        assert found["frames"] <= 40 + 7


def test_damage_at_one_receiver_is_not_made_less_by_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """3 of 20 are more than one in ten, 3 of 60 are less."""
    monkeypatch.chdir(tmp_path)
    edge = [flipped(one, -4) if n % 7 == 3 else one for n, one in enumerate(MANY[:20])]
    shelf.written(Path("edge.pcap"), [(1.0 + n, one) for n, one in enumerate(edge)], 195)
    shelf.written(Path("near.pcap"), [(1.0 + n, one) for n, one in enumerate(MANY)], 195)
    done = invoke("audit", "near.pcap", "edge.pcap", "--together", *shelf.CONTEXT, "--json")
    (told,) = json.loads(done.stdout)["audit"][0]["findings"]
    assert (told["name"], told["severity"]) == ("check-sequence-wrong", "risk")
    assert told["evidence"] == ["3 of 20 frames of edge.pcap do not match"]


@pytest.mark.parametrize(("at", "well"), [(-4, 9), (-1, 10)])
def test_octets_that_are_damaged_at_both(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int, well: int
) -> None:
    """Damage to data, which the UDP checksum covers (RFC 8200 section 8.1), is that of one sending, heard by two.

    Damage to the check sequence alone is none to what the other receiver heard, which counts all the same.
    """
    monkeypatch.chdir(tmp_path)
    heard = [flipped(frame, at) if place == 3 else frame for place, frame in enumerate(FRAMES)]
    bare = [(1 + n + LATER, one[:-2]) for n, one in enumerate(heard)]
    shelf.written(Path("bare.pcap"), bare, 230)
    shelf.written(Path("whole.pcap"), [(1.0 + n, one) for n, one in enumerate(heard)], 195)
    total = surveyed("whole.pcap", "bare.pcap", "--together")["total"]
    assert (total["frames"], total["datagrams"]) == (well + 1, well)


def test_fragments_heard_twice_are_no_fragments_sent_twice(tmp_path: Path) -> None:
    heard: list[Heard] = []
    for number in range(4):
        for place, frame in enumerate(shelf.frames(bytes(150), 2 * number, tag=number)):
            time_s = 10.0 * number + 0.01 * place
            heard += [(0, time_s, frame), (1, time_s + LATER, frame)]
    path = pcapng(tmp_path / "a.pcapng", heard, (b"a", b"b"))
    done = invoke("audit", path, *shelf.CONTEXT, "--json")
    (found,) = json.loads(done.stdout)["audit"]
    assert (found["frames"], found["findings"]) == (8, [])
    listed = json.loads(invoke("annotate", path, *shelf.CONTEXT, "--list", "--json").stdout)["list"]
    assert [one["heard_as"] for one in listed[:4]] == [None, 1, None, 3]


def test_what_is_heard_much_later_was_sent_again(tmp_path: Path) -> None:
    heard = [(0, 1.0, FRAMES[0]), (1, 1.051, FRAMES[0]), (0, 2.0, FRAMES[1]), (1, 2.05, FRAMES[1])]
    total = surveyed(pcapng(tmp_path / "a.pcapng", heard, (b"a", b"b")))["total"]
    assert (total["frames"], total["retransmissions"]) == (3, 1)


def test_what_cannot_be_put_together(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", FRAMES)
    log = tmp_path / "a.txt"
    log.write_text("\n".join(frame.hex() for frame in FRAMES), "ascii")
    for given_, text in (((path,), "several"), ((path, "-"), "files"), ((path, log), "times")):
        done = invoke("survey", *given_, "--together")
        assert (done.exit_code, done.stdout) == (2, ""), given_
        assert text in done.stderr


@given(
    st.lists(st.integers(11, 30), max_size=12),
    st.lists(st.integers(0, 4), min_size=36, max_size=36),
)
def test_each_sending_is_one_whoever_heard_it_first(apart_ms: list[int], late: list[int]) -> None:
    """The same octets, sent so often: three receivers hear all of it, each a little later or earlier."""
    receivers, heard, now = Receivers(), [], 0
    for number, past in enumerate(apart_ms):
        now += past * 10**6
        heard += [(now + late[3 * number + place] * 10**6, place) for place in range(3)]
    first = [
        receivers.heard(f"r{place}", number, time_ns, b"frame")
        for number, (time_ns, place) in enumerate(sorted(heard), 1)
    ]
    assert first.count(None) == len(apart_ms)
    if apart_ms:
        count = len(apart_ms)
        assert sorted(receivers.receptions) == [
            Reception(f"r{place}", count, count) for place in range(3)
        ]


def test_a_page_says_what_each_receiver_heard(tmp_path: Path) -> None:
    two, page = tmp_path / "two.pcapng", tmp_path / "two.html"
    pcapng(two, sent_to_both(), (b"left", b"right"))
    assert invoke("page", two, "-o", page).exit_code == 0
    said = page.read_text(encoding="utf-8")
    told = invoke("audit", two).stdout.split("counted once:\n", 1)[1].split("\n")[:2]
    assert [name in line for line, name in zip(told, ("left", "right"), strict=True)] == [
        True,
        True,
    ]
    assert (
        f"<p>What more than one receiver heard is counted once: {'; '.join(map(str.strip, told))}.</p>"
        in said
    )
