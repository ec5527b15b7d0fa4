"""Every figure, table and worked example of eight RFCs is listed, proved, and told as it is.

``python tests/test_figures.py`` writes vectors/FIGURES.md and the README's sum; read the difference before you
commit it.
"""

import re
from pathlib import Path
from typing import Any

import pytest
from figure_checks import DOCUMENTS, FIGURES, VERDICTS, verdict
from figure_table import TABLE, sums, table
from figure_vectors import VECTORS, directions, env_of, octets, vector
from vector_files import document

from lowpanbudget import WireError, decompress, errors

README = Path(__file__).parents[1] / "README.md"
MARKED = re.compile(r"(<!-- figures.*? -->\n).*?(\n<!-- end of figures -->)", re.DOTALL)
OWN = [
    pytest.param(f"figures/{path.stem}:{case['id']}", id=f"{path.stem}:{case['id']}")
    for path in sorted((VECTORS / "figures").glob("*.toml"))
    for case in document(path)["case"]
]


@pytest.mark.parametrize("figure", [pytest.param(f, id=f"{f['rfc']} {f['name']}") for f in FIGURES])
def test_figure_is_kept(figure: dict[str, Any]) -> None:
    assert verdict(figure) in VERDICTS
    assert figure["title"]
    assert figure["section"]


@pytest.mark.parametrize("rfc", DOCUMENTS, ids=lambda rfc: str(rfc["rfc"]))
def test_every_numbered_figure_and_table_is_listed(rfc: dict[str, Any]) -> None:
    """The counts are those of the RFC's own captions."""
    listed = [f["name"] for f in FIGURES if f["rfc"] == rfc["rfc"]]
    assert len(listed) == len(set(listed))
    for kind in ("figure", "table"):
        numbers = {int(m[1]) for name in listed if (m := re.match(rf"{kind} (\d+)", name))}
        assert numbers == set(range(1, rfc[f"{kind}s"] + 1))


@pytest.mark.parametrize("name", OWN)
def test_vector_for_a_figure(name: str) -> None:
    case = vector(name)
    assert case["source"].startswith("RFC ")
    assert case["why"]
    if case["result"] == "valid":
        assert directions(name) in VERDICTS
        return
    with pytest.raises(WireError) as caught:
        decompress(octets(case, "lowpan"), env_of(case))
    assert type(caught.value) is getattr(errors, case["error"])
    assert caught.value.offset == case["offset"]


def test_every_vector_for_a_figure_is_used_by_one() -> None:
    used = (VECTORS / "figures.toml").read_text(encoding="utf-8")
    assert [name for param in OWN for name in param.values if f'"{name}"' not in used] == []


def test_figures_that_contradict_themselves() -> None:
    """What the list says of them, in the vectors: RFC 7400 figure 14, RFC 8138 figures 17 and 20."""
    printed = octets(vector("rfc7400/appendix-a:nd-router-advertisement"), "ipv6")
    assert printed[42:44].hex() == "55c9"
    assert printed[16:18].hex() == "1034"
    assert not sums_up(printed)
    assert sums_up(printed[:16] + bytes(2) + printed[18:])

    whole = octets(vector("rfc8138/appendix-a:figure-16"), "ipv6")
    assert (whole[6], whole[40]) == (0, 58)

    routed = octets(vector("rfc8138/appendix-a:figure-20"), "lowpan")
    assert routed[1:3].hex() == "8201"  # size 2: three hops
    assert routed[9:11].hex() == "9305"  # the RPI follows 2 + 3 * 2 octets


def sums_up(ipv6: bytes) -> bool:
    """Return whether the ICMPv6 checksum fits (RFC 1071 over the pseudo-header of RFC 8200 section 8.1)."""
    covered = ipv6[8:40] + (len(ipv6) - 40).to_bytes(4, "big") + bytes([0, 0, 0, 58]) + ipv6[40:]
    covered += bytes(len(covered) % 2)
    total = sum(int.from_bytes(covered[at : at + 2], "big") for at in range(0, len(covered), 2))
    return total % 0xFFFF == 0


def damaged(**changes: Any) -> dict[str, Any]:
    figure = next(f for f in FIGURES if (f["rfc"], f["name"]) == (4944, "figure 4"))
    return {**figure, **changes}


@pytest.mark.parametrize(
    "figure",
    [
        pytest.param(
            damaged(fields=[["11000", 5, "dispatch"], ["datagram_tag", 16], ["datagram_size", 11]]), id="order"
        ),
        pytest.param(damaged(fields=[["11000", 5, "dispatch"], ["datagram_size", 12]]), id="width"),
        pytest.param(damaged(fields=[["11001", 5, "dispatch"]]), id="fixed bits"),
        pytest.param(damaged(fields=[["datagram_length", 11]]), id="name"),
        pytest.param(
            damaged(kind="table", rows=[["11100", "rfc6282/section-3.1:tf-00", "IPHC"]]), id="row"
        ),
        pytest.param(
            damaged(kind="stack", stacks=[["rfc6282/section-3.1:tf-00", ["payload", "IPHC"]]]), id="stack"
        ),
    ],
)  # fmt: skip
def test_a_figure_that_differs_is_seen(figure: dict[str, Any]) -> None:
    with pytest.raises(AssertionError):
        verdict(figure)


def test_produced_table_is_up_to_date() -> None:
    assert TABLE.read_text(encoding="utf-8") == table()


def test_readme_tells_the_sum() -> None:
    marked = MARKED.search(README.read_text(encoding="utf-8"))
    assert marked
    assert marked[0] == MARKED.sub(_sum, marked[0])


def _sum(match: re.Match[str]) -> str:
    return match[1] + sums() + match[2]


def write() -> None:
    TABLE.write_text(table(), encoding="utf-8")
    text = README.read_text(encoding="utf-8")
    README.write_text(MARKED.sub(_sum, text), encoding="utf-8")


if __name__ == "__main__":
    write()
