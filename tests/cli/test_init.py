"""A design to begin with works at once, whatever the options; files that are there stay.

``python tests/cli/test_init.py`` writes the one in the README anew.
"""

import json
from collections.abc import Callable
from itertools import product
from pathlib import Path

import pytest
from click.testing import Result

from lowpanbudget import airtime, carry_burst, fit, load_design, review
from lowpanbudget.deployment.carry import judged
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.skeleton import Skeleton
from lowpanbudget.room.skeleton import fitting_text

Invoke = Callable[..., Result]
ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
START, END = (
    "<!-- a design: `python tests/cli/test_init.py` writes it -->\n",
    "<!-- end of design -->",
)


def block() -> str:
    return f"```toml\n{fitting_text(Skeleton())}```\n"


def test_the_readme_shows_it_whole() -> None:
    assert README.read_text("utf-8").partition(START)[2].partition(END)[0] == block()


@pytest.mark.long
@pytest.mark.parametrize("addresses", ["short", "extended"])
@pytest.mark.parametrize("routing", ["none", "storing", "non-storing", "mesh-under"])
@pytest.mark.parametrize("transport", ["udp", "coap", "oscore", "dtls"])
def test_it_loads_and_fits(addresses: str, routing: str, transport: str, tmp_path: Path) -> None:
    """The strongest and no security, a network of one hop and one as deep as its hop limit allows."""
    for level, hops in ((0, 64), (7, 1), (7, 12)):
        text = fitting_text(Skeleton(addresses, level, routing, hops, transport))  # type: ignore[arg-type]
        fits = fit(parse_design(text, str(tmp_path)))
        assert {one.flow for one in fits} == {"readings", "settings"}
        assert all(one.fits for one in fits)
    design = parse_design(fitting_text(Skeleton(addresses, 5, routing, 3, transport)))  # type: ignore[arg-type]
    assert not any(one.has_weight for one in review(design))


def test_what_is_written_without_options_is_exemplary(invoke: Invoke, tmp_path: Path) -> None:
    assert review(parse_design(fitting_text(Skeleton()))) == ()
    done = invoke("init", tmp_path / "mesh.toml")
    assert done.stderr == ""


@pytest.mark.parametrize(("network", "hops"), [("csma", 3), ("slots", 1), ("slots", 12)])
def test_a_network_to_begin_with_can_be_asked_at_once(
    invoke: Invoke, tmp_path: Path, network: str, hops: int
) -> None:
    """Nothing is lacking or unknown, nothing in it fails, and only how it is played is taken for granted."""
    file = tmp_path / "net.toml"
    assert invoke("init", file, "--network", network, "--hops", str(hops)).exit_code == 0
    design = load_design(file)
    assert design.tree is not None
    assert (design.nodes, design.tree.depth) == (50, hops)
    assert design.access is not None
    found = judged(design, design.access, airtime(design), 1, transmissions=3000)
    assert (found.holds, found.unknown) == (True, ())
    assert [said.partition(" are sent ")[0] for said in found.taken] == ["answers"]
    assert carry_burst(design, "alarm", runs=20).arrived > 9
    assert not [one for one in review(design) if one.severity.word == "failure"]


def test_what_takes_several_frames_is_told(invoke: Invoke) -> None:
    """63 routers of 2 octets each (RFC 8138 section 4.3) are more than a frame of 127 octets holds."""
    done = invoke("init", "--routing", "non-storing", "--hops", "64")
    assert done.exit_code == 0
    assert "a message of settings takes" in done.stderr
    frames = parse_design(done.stdout).flow("settings").most_frames
    assert f"takes {frames} frames" in done.stderr


def test_every_option_is_in_the_design(invoke: Invoke, tmp_path: Path) -> None:
    """What was asked for is what is read back; RFC 6550: a route in packets that go down, in non-storing mode alone."""
    file = tmp_path / "mesh.toml"
    for addresses, level, routing, transport in product(
        ("short", "extended"),
        (0, 6),
        ("none", "storing", "non-storing", "mesh-under"),
        ("udp", "dtls"),
    ):
        done = invoke(
            "init", file, "--force", "--addresses", addresses, "--security", str(level), "--routing", routing,
            "--hops", "5", "--transport", transport,
        )  # fmt: skip
        assert (done.exit_code, done.stdout) == (0, f"{file} is written\n")
        design = load_design(file)
        security = design.link.security
        assert design.link.addresses == addresses
        assert (0 if security is None else security.level) == level
        down, up = design.flow("settings"), design.flow("readings")
        assert (up.hops, down.hops, up.direction, down.direction) == (5, 5, "up", "down")
        assert (up.routing.route, down.routing.route) == (0, 4 if routing == "non-storing" else 0)
        assert up.routing.rpi == down.routing.rpi == (routing in {"storing", "non-storing"})
        assert up.mesh_under == down.mesh_under == (routing == "mesh-under")
        assert (down.application.dtls is not None) == (transport == "dtls")


def test_a_file_that_is_there_stays(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "mesh.toml"
    file.write_text("mine")
    done = invoke("init", file)
    assert done.exit_code == 2
    assert "--force" in done.stderr
    assert file.read_text() == "mine"
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    assert invoke("init", tmp_path / "link").exit_code == 2
    assert invoke("init", tmp_path / "none" / "mesh.toml").exit_code == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["link", "mesh.toml"]


def test_without_a_file_it_is_printed(invoke: Invoke) -> None:
    text = invoke("init", "--hops", "1").stdout
    parse_design(text)
    assert json.loads(invoke("init", "--hops", "1", "--json").stdout)["init"]["design"] == text
    assert max(map(len, text.splitlines())) <= 120


def test_examples_can_be_had(invoke: Invoke, tmp_path: Path) -> None:
    for path in (ROOT / "examples").iterdir():
        if path.suffix in {".toml", ".pcap"}:
            target = tmp_path / path.name
            assert invoke("init", "--example", path.name, target).exit_code == 0
            assert target.read_bytes() == path.read_bytes()
    keys, capture = tmp_path / "archive.keys.toml", tmp_path / "archive.pcap"
    assert invoke("audit", capture, "--keys", keys).exit_code == 1  # others cannot read them
    assert invoke("init", "--example", "archive.toml").stdout == (
        ROOT / "examples/archive.toml"
    ).read_text("utf-8")
    assert "archive.toml, footbridge" in invoke("init", "--example", "none").stderr
    assert "Name a file" in invoke("init", "--example", "archive.pcap").stderr


def write() -> None:
    text = README.read_text("utf-8")
    before, start, rest = text.partition(START)
    README.write_text(before + start + block() + END + rest.partition(END)[2], "utf-8")


def test_a_dash_is_standard_output(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert invoke("init", "-").stdout == invoke("init").stdout
    assert not list(tmp_path.iterdir())


if __name__ == "__main__":
    write()
