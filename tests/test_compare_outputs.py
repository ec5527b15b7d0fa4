"""The comparison of recorded outputs: every difference is found, shown by its path and counted, explained or not."""

import json
from pathlib import Path
from typing import Any

import compare_outputs
import pytest

BEFORE = {
    "frames": [
        {"spans": [{"name": "type", "value": 1}, {"name": "code", "value": n}]} for n in range(5)
    ]
}


def recording(folder: Path, value: Any, text: str = "one\ntwo\n", code: int = 0) -> Path:
    folder.mkdir()
    (folder / "a.annotate.json").write_text(json.dumps(value), "utf-8")
    (folder / "a.annotate.txt").write_text(text, "utf-8")
    index = {"a.annotate.json": {"exit": code, "messages": []}}
    (folder / compare_outputs.INDEX).write_text(json.dumps(index), "utf-8")
    return folder


@pytest.fixture
def before(tmp_path: Path) -> Path:
    return recording(tmp_path / "before", BEFORE)


def compared(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str]:
    code = compare_outputs.main(["compare", *map(str, arguments)])
    return code, capsys.readouterr().out


def test_the_same_has_no_difference(
    before: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    after = recording(tmp_path / "after", BEFORE)
    assert compared(capsys, before, after) == (0, "0 differences, 0 without explanation\n")


def test_one_kind_of_difference_is_one_group_with_its_count(
    before: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    changed = json.loads(json.dumps(BEFORE).replace('"code"', '"Code"'))
    after = recording(tmp_path / "after", changed, "one\nthree\n", code=3)
    code, shown = compared(capsys, before, after)
    assert code == 1
    assert "5 x changed: a.annotate.json/frames/*/spans/*/name" in shown
    assert '5 x "code" -> "Code", first at /frames/0/spans/1/name' in shown
    assert '1 x "two" -> "three", first at /line/1' in shown
    assert "1 x 0 -> 3, first at /a.annotate.json/exit" in shown
    assert shown.endswith("7 differences, 7 without explanation\n")
    _, every = compared(capsys, before, after, "--every")
    for frame in range(5):
        assert f'a.annotate.json#/frames/{frame}/spans/1/name: "code" -> "Code"' in every


def test_what_is_put_in_does_not_move_the_rest(
    before: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = json.loads(json.dumps(BEFORE))
    more["frames"].insert(1, "new")
    more["title"] = "x"
    del more["frames"][3]["spans"][1]["value"]
    code, shown = compared(capsys, before, recording(tmp_path / "after", more))
    assert code == 1
    assert '1 x + "new", first at /frames/1' in shown
    assert '1 x + "x", first at /title' in shown
    assert "1 x - 2, first at /frames/2/spans/1/value" in shown
    assert "3 differences" in shown


def test_explained_differences_are_no_failure(
    before: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    after = recording(tmp_path / "after", BEFORE, "one\n")
    file = tmp_path / "explained.toml"
    file.write_text(
        '[[explained]]\npattern = "*.txt/line/*"\nsentence = "The second line is gone on purpose."\n'
        '[[explained]]\npattern = "*/title"\nsentence = "Not needed any more."\n',
        "utf-8",
    )
    code, shown = compared(capsys, before, after, "--explained", file)
    assert code == 0
    assert "explained, 1 x *.txt/line/*: The second line is gone on purpose." in shown
    assert "explained, 0 x */title: Not needed any more." in shown
    assert "1 differences, 0 without explanation" in shown


def test_an_output_that_is_missing_is_a_difference(
    before: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    after = recording(tmp_path / "after", BEFORE)
    (after / "a.annotate.txt").unlink()
    code, shown = compared(capsys, before, after)
    assert code == 1
    assert "a.annotate.txt" in shown
    nothing = tmp_path / "nothing"
    nothing.mkdir()
    with pytest.raises(SystemExit, match="recording"):
        compare_outputs.main(["compare", str(nothing), str(nothing)])


def test_a_recording_of_this_checkout_is_that_of_the_installed_package(tmp_path: Path) -> None:
    tree = Path(compare_outputs.__file__).parents[1]
    for folder, more in (("a", []), ("b", ["--package", str(tree)])):
        assert (
            compare_outputs.main(
                ["record", str(tmp_path / folder), "--only", "explain.json", *more]
            )
            == 0
        )
    assert {path.name for path in (tmp_path / "a").iterdir()} == {
        "index.json", "explain.json",
    }  # fmt: skip
    assert json.loads((tmp_path / "a" / "explain.json").read_text("utf-8"))["words"]
    assert compare_outputs.main(["compare", str(tmp_path / "a"), str(tmp_path / "b")]) == 0


def test_every_output_has_its_own_name() -> None:
    names = [name for name, _ in compare_outputs.outputs()]
    assert len(names) == len(set(names)) == 2 * (2 * 4 + 4 * 4 + 2 + 1)
    for capture in compare_outputs.EXAMPLES.glob("*.pcap"):
        assert {f"{capture.stem}.audit.json", f"{capture.stem}.measure.txt"} <= set(names)
    arguments = dict(compare_outputs.outputs())
    assert arguments["archive.annotate.txt"].count("--frame") == 354
