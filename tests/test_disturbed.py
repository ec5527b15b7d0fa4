"""No variable of a call shows a key; and the machinery that looks for more of them on demand finds what is planted."""

import pickle
from collections.abc import Callable
from pathlib import Path

import pytest
from disturbed import commands, keys, kills
from trust import report

import lowpanbudget
from lowpanbudget.capture.files import key_file
from lowpanbudget.hidden import HiddenOctets, HiddenText, hidden

QUICK = ("OSCORE", "DTLS", *(f"key file with {name}" for name in keys.WRONG))
GIVEN = ("decode_frame", "Decoder", "encode_frame", "SecurityContext", "RecordKeys")
Acts = dict[str, Callable[[], object]]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("keys")
    for name in (commands.DESIGN, commands.CAPTURE, commands.DATAGRAMS):
        (place / name).touch()
    (place / commands.DESIGN).write_bytes((commands.EXAMPLES / commands.DESIGN).read_bytes())
    whole = (commands.EXAMPLES / "archive.pcap").read_bytes()
    (place / commands.CAPTURE).write_bytes(commands.cut(whole, commands.FRAMES))
    (place / commands.DATAGRAMS).write_text(commands.DATAGRAM)
    keys.prepare(place)
    return place


def seen(act: Callable[[], object], *, given: bool = False) -> tuple[set[str], int]:
    act()  # what is imported by it is no part of it
    watch = keys.Watch(lines=not given, given=given)
    with keys.watched(watch):
        act()
    return watch.found, watch.looked


@pytest.mark.parametrize("name", QUICK)
def test_no_variable_shows_a_key_from_the_file_to_the_cipher(folder: Path, name: str) -> None:
    found, looked = seen(keys.scenarios(folder)[name])
    assert found == set()
    assert looked > 300


@pytest.mark.parametrize("name", GIVEN)
def test_no_variable_shows_a_key_that_was_taken(folder: Path, name: str) -> None:
    found, looked = seen(keys.given(folder)[name], given=True)
    assert found == set()
    assert looked > 20


@pytest.mark.long  # a traceback shows no more of a call than its variables, which are looked at above line by line
def test_no_traceback_shows_a_key(folder: Path) -> None:
    act = keys.scenarios(folder)["DTLS"]
    for place in keys.places_of(act, 4):
        assert not keys.shown_in(keys.injected(act, place))


def test_a_reader_that_is_interrupted_leaves_no_text_behind(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library that reads TOML holds the whole text in its variables."""

    def interrupted(text: str) -> None:
        copy = str(text) + ""
        raise KeyboardInterrupt(len(copy))

    monkeypatch.setattr("tomllib.loads", interrupted)
    with pytest.raises(KeyboardInterrupt) as caught:
        lowpanbudget.read_keys(str(folder / "all.keys.toml"))
    assert not keys.shown_in(keys.printed(caught.value))


@pytest.mark.parametrize("kind", [bytes, str])
def test_what_looks_for_keys_finds_one(
    folder: Path, monkeypatch: pytest.MonkeyPatch, kind: type
) -> None:
    """The classes that hide are taken away: the same run shows keys, to the watch and in a traceback."""
    monkeypatch.setattr(key_file, "HiddenOctets" if kind is bytes else "HiddenText", kind)
    monkeypatch.setattr(key_file, "hidden", lambda value: value)
    act = keys.scenarios(folder)["key file"]
    found, _ = seen(act)
    assert any("key_file.py" in place for place in found)
    assert any(keys.shown_in(keys.injected(act, place)) for place in keys.places_of(act, 10))


def test_hidden_octets_are_octets() -> None:
    octets = HiddenOctets(b"\x01\x02secret")
    assert octets == b"\x01\x02secret"
    assert repr([octets, {1: octets}]) == "[<8 octets, not shown>, {1: <8 octets, not shown>}]"
    assert f"{octets}" == str(octets) == repr(octets)
    assert (octets[0], repr(octets[2:])) == (1, "<6 octets, not shown>")
    assert pickle.loads(pickle.dumps(octets)) == octets
    text = HiddenText("0102")
    assert repr({text: [text[:2]]}) == "{<4 characters, not shown>: [<2 characters, not shown>]}"
    assert bytes.fromhex(text) == b"\x01\x02"
    assert repr(hidden({"a": ["b", 7, True, 1 << 60, 1.5]})) == (
        "{<1 characters, not shown>: [<1 characters, not shown>, 7, True, <19 characters, not shown>, "
        "<3 characters, not shown>]}"
    )


def test_every_command_is_disturbed() -> None:
    from contract.entry import COMMANDS

    assert {one.name for one in commands.ALL if one.words} >= set(COMMANDS)
    assert set(kills.places(500)) >= {1, 2, 500}
    assert kills.places(0) == [1]


def test_pythons_that_are_claimed_are_those_that_ran() -> None:
    """pyproject claims what the last run had with every output alike and every test passed, and no other."""
    import tomllib

    rows = report.read("pythons").rows if "pythons" in report.names() else []
    passed = [row for row in rows if not row.wrong and row.figures.get("tests_passed")]
    good = {".".join(row.what.split()[-1].split(".")[:2]) for row in passed}
    project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))[
        "project"
    ]
    prefix = "Programming Language :: Python :: 3."
    claimed = {one.rpartition(" ")[2] for one in project["classifiers"] if one.startswith(prefix)}
    assert claimed == good
    assert all(row.tried > 100 for row in rows)
