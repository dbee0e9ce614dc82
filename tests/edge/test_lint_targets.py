"""The files that lint looks at: found, read one by one, none of them able to stop the others."""

from __future__ import annotations

from pathlib import Path

import pytest

from robokit_plan.edge.lint_targets import read_lint_targets
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import Finding

HEAD = "format: 1\nplugin: {name}\nversion: '1'\n"


def lay(root: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


def robot(root: Path) -> None:
    lay(
        root,
        {
            "robot.yaml": 'format: 1\nrobot: x\nboard: "a,b"\nenabled: [helm, lmap]\n',
            "plugins/helm/manifest.yaml": HEAD.format(name="helm"),
            "plugins/helm/helm.py": "import heron\n",
            "plugins/lamp/manifest.yaml": HEAD.format(name="lantern") + "foo: 1\n",
            "plugins/wreck/manifest.yaml": "a: [",
            "heron/__init__.py": "",
            "launch.py": "",
            ".git/manifest.yaml": "a: [",
        },
    )


def told(findings: tuple[Finding, ...]) -> list[str]:
    return [f"{one.severity.value} {one.rule} {one.places[0].origin}" for one in findings]


def test_a_folder_means_all_files_below_it(tmp_path: Path) -> None:
    robot(tmp_path / "raft")
    reading = read_lint_targets([tmp_path / "raft"], here=tmp_path)
    assert [(one.name, one.unreadable) for one in reading.targets] == [
        ("raft/plugins/helm/manifest.yaml", False),
        ("raft/plugins/lamp/manifest.yaml", False),
        ("raft/plugins/wreck/manifest.yaml", True),
        ("raft/robot.yaml", False),
    ]
    helm, lamp, wreck, whole = reading.targets
    assert helm.manifest is not None
    assert helm.code is not None
    assert [one.text for one in helm.code.imports] == ["heron"]
    assert reading.program == {"heron", "launch"}
    assert list(reading.manifests) == ["helm", "lantern"]
    assert told(lamp.findings) == [
        "error unknown-key raft/plugins/lamp/manifest.yaml:4:1",
        "error plugin-name-mismatch raft/plugins/lamp/manifest.yaml:2:1",
    ]
    assert told(wreck.findings) == ["error file-unreadable raft/plugins/wreck/manifest.yaml:1:4"]
    assert told(whole.findings) == ["error plugin-unknown raft/robot.yaml:4:17"]


def test_a_robot_file_alone_still_knows_its_plugins(tmp_path: Path) -> None:
    robot(tmp_path)
    reading = read_lint_targets([tmp_path / "robot.yaml"], here=tmp_path)
    (one,) = reading.targets
    assert told(one.findings) == ["error plugin-unknown robot.yaml:4:17"]
    assert list(reading.manifests) == ["helm", "lantern"]


def test_a_file_named_twice_is_read_once(tmp_path: Path) -> None:
    robot(tmp_path)
    manifest = tmp_path / "plugins" / "helm" / "manifest.yaml"
    reading = read_lint_targets([manifest, manifest.parent, tmp_path], here=tmp_path)
    names = [one.name for one in reading.targets]
    assert len(names) == len(set(names)) == 4


def test_paths_may_be_relative(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    robot(tmp_path)
    monkeypatch.chdir(tmp_path / "plugins")
    reading = read_lint_targets([Path("helm"), Path("../robot.yaml")])
    assert [one.name for one in reading.targets] == ["../robot.yaml", "helm/manifest.yaml"]
    (around,) = read_lint_targets([Path("../plugins/helm")]).targets
    assert around.name == "helm/manifest.yaml"


@pytest.mark.parametrize(
    ("path", "words"),
    [("none", "there is no such file or folder"), ("empty", "there is no manifest.yaml or robot")],
)
def test_a_path_without_anything_is_refused(tmp_path: Path, path: str, words: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(UnreadableFile, match=words):
        read_lint_targets([tmp_path / path], here=tmp_path)


def test_links_out_of_the_folder_are_not_followed(tmp_path: Path) -> None:
    robot(tmp_path / "raft")
    (tmp_path / "other").mkdir()
    lay(tmp_path / "other", {"spy/manifest.yaml": HEAD.format(name="spy")})
    (tmp_path / "raft" / "plugins" / "spy").symlink_to(tmp_path / "other" / "spy")
    reading = read_lint_targets([tmp_path / "raft"], here=tmp_path)
    assert "spy" not in reading.manifests
