"""Every rule about Python distributions, with its whole text."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from robokit_plan.model import (
    DebianName,
    Finding,
    Origin,
    PythonFacts,
)
from robokit_plan.resolve.python import PythonAnswer, PythonIndex

from .fake_python_index import (
    BARE_FACTS,
    BOOKWORM,
    FACTS,
    FakeIndex,
    Rel,
    answer_of,
    ask,
    name,
    problem,
    versions,
)


def told(answer: PythonAnswer, rule: str | None = None) -> str:
    """Return the findings as one text: what a person would read, without the places."""
    lines = []
    for one in answer.findings:
        if rule is None or one.rule == rule:
            lines.append(f"{one.severity.value} {one.rule}: {one.message}")
            lines += [f"  why {why}" for why in one.why]
            lines += [f"  fix {fix}" for fix in one.repair]
    return "\n".join(lines)


def only(answer: PythonAnswer) -> Finding:
    assert len(answer.findings) == 1, told(answer)
    return answer.findings[0]


GESTURE = FakeIndex().add(
    {
        "mediapipe": {"0.10.18": ["numpy<2"], "1.0": ["numpy>=2"]},
        "opencv-python": {"4.11": ["numpy>=1"], "4.12": ["numpy>=2,<2.3"], "4.13": ["numpy>=2"]},
        "numpy": {"1.26": [], "2.0": [], "2.3": []},
    }
)


def test_conflict_through_chains() -> None:
    """The facts' case numpy-vision-gesture, made small."""
    answer = answer_of(
        problem(ask("mediapipe==0.10.18", "gesture"), ask("opencv-python>=4.12", "lookout")),
        GESTURE,
    )
    assert told(answer) == (
        "error python-conflict: gesture and lookout cannot share one Python: no version of numpy "
        "suits all of them\n"
        "  why gesture asks for mediapipe==0.10.18; mediapipe 0.10.18 asks for numpy<2\n"
        "  why lookout asks for opencv-python>=4.12; opencv-python 4.13 asks for numpy>=2\n"
        "  why none of the 2 releases of opencv-python that lookout would take helps "
        "(4.12 to 4.13)\n"
        '  fix python: {requires: ["mediapipe>=1.0"]}   in the manifest of gesture\n'
        '  fix python: {requires: ["opencv-python<=4.11"]}   in the manifest of lookout\n'
        "  fix robokit-plan disable gesture\n"
        "  fix robokit-plan disable lookout"
    )
    assert only(answer).plugins == ("gesture", "lookout")
    assert only(answer).resource == "numpy"
    # What remains is planned all the same.
    assert versions(answer) == {"mediapipe": "0.10.18", "numpy": "1.26"}


def test_conflict_names_every_plugin_that_asks() -> None:
    answer = answer_of(
        problem(ask("numpy<2", "a"), ask("numpy>=2", "b"), ask("numpy>=2", "c")), GESTURE
    )
    assert told(answer) == (
        "error python-conflict: a, b and c cannot share one Python: no version of numpy suits all "
        "of them\n"
        "  why a asks for numpy<2\n"
        "  why b and c ask for numpy>=2\n"
        '  fix python: {requires: ["numpy>=2.3"]}   in the manifest of a\n'
        '  fix python: {requires: ["numpy<=1.26"]}   in the manifests of b and c\n'
        "  fix robokit-plan disable a\n"
        "  fix robokit-plan disable b c"
    )


def test_two_conflicts_are_both_told() -> None:
    index = FakeIndex().add({"x": {"1": [], "2": []}, "y": {"1": [], "2": []}})
    answer = answer_of(
        problem(ask("x<2", "a"), ask("x>=2", "b"), ask("y<2", "c"), ask("y>=2", "d")), index
    )
    assert [one.plugins for one in answer.findings] == [("a", "b"), ("c", "d")]


def test_one_plugin_against_itself() -> None:
    answer = answer_of(problem("numpy<2", "numpy>=2"), GESTURE)
    assert only(answer).message == (
        "what helm asks for cannot be installed together: no numpy suits all of it"
    )


def test_distribution_missing() -> None:
    answer = answer_of(problem("cv2", facts=FACTS), FakeIndex())
    assert told(answer) == (
        "error distribution-missing: no Python index has cv2\n"
        "  why the module cv2 comes from opencv-python-headless\n"
        '  fix python: {requires: ["opencv-python-headless"]}   in the manifest of helm, in place of '
        "cv2\n"
        "  fix robokit-plan disable helm"
    )
    near = answer_of(problem("sounddevise", facts=FACTS), FakeIndex())
    assert only(near).repair[0] == (
        'python: {requires: ["sounddevice"]}   in the manifest of helm, in place of sounddevise'
    )


def test_distribution_missing_on_the_one_index_that_may_serve_it() -> None:
    index = FakeIndex().add({"heron-tools": {"1": []}})
    question = problem(
        "heron-tools", indexes=(PythonIndex(name="own", only=(name("heron-tools"),)),)
    )
    assert told(answer_of(question, index)) == (
        "error distribution-missing: the index own does not have heron-tools\n"
        "  why under `indexes` of robot.yaml only own may serve it\n"
        "  fix robokit-plan disable helm"
    )


def test_distribution_mistaken() -> None:
    index = FakeIndex().add({"serial": {"0.0.97": []}})
    assert told(answer_of(problem("serial", facts=FACTS), index)) == (
        "warning distribution-mistaken: serial on the index is probably not what is meant\n"
        "  why the module serial comes from pyserial\n"
        "  why bluerobotics/ping-python issue 28; pyhys/minimalmodbus issue 139\n"
        '  fix python: {requires: ["pyserial"]}   in the manifest of helm, in place of serial'
    )


def test_version_missing() -> None:
    assert told(answer_of(problem("numpy>=9"), GESTURE)) == (
        "error version-missing: no release of numpy fits numpy>=9\n"
        "  why the index has 1.26 to 2.3\n"
        '  fix python: {requires: ["numpy>=2.3"]}   in the manifest of helm\n'
        "  fix robokit-plan disable helm"
    )


def test_version_that_came_later() -> None:
    index = FakeIndex().add(
        {
            "p": {
                "1": Rel(uploaded="2024-05-01T10:00:00Z"),
                "2": Rel(uploaded="2026-03-01T23:59:59Z"),
            }
        }
    )
    day = date(2026, 2, 28)
    assert versions(answer_of(problem("p", as_of=day), index)) == {"p": "1"}
    assert versions(answer_of(problem("p", as_of=date(2026, 3, 1)), index)) == {"p": "2"}
    assert told(answer_of(problem("p>=2", as_of=day), index)) == (
        "error version-missing: no release that fits p>=2 was there on 2026-02-28\n"
        "  why the first that fits came on 2026-03-01\n"
        "  fix robokit-plan lock --as-of 2026-03-01\n"
        '  fix python: {requires: ["p>=1"]}   in the manifest of helm\n'
        "  fix robokit-plan disable helm"
    )


def test_upload_time_unknown() -> None:
    index = FakeIndex().add({"p": {"1": Rel(uploaded=None)}})
    answer = answer_of(problem("p", as_of=date(2026, 2, 28)), index)
    assert told(answer) == (
        "note upload-time-unknown: p 1 may be newer than 2026-02-28\n"
        "  why the index default gives no upload time for it\n"
        '  fix python: {requires: ["p==1"]}   in the manifest of helm, if it was there then'
    )
    assert answer_of(problem("p"), index).findings == ()


TFLITE = FakeIndex().add(
    {
        "tflite-runtime": {
            "2.14.0": Rel(
                tags=(
                    "cp311-cp311-manylinux_2_34_aarch64",
                    "cp310-cp310-manylinux_2_34_aarch64",
                    "cp311-cp311-manylinux_2_34_x86_64",
                    "cp311-cp311-win_amd64",
                )
            )
        },
        "openwakeword": {"0.6.0": ["tflite-runtime>=2.8,<3"]},
    }
)


def test_wheel_missing_deep_in_the_chain() -> None:
    """The facts' case wakeword-trixie."""
    answer = answer_of(problem(ask("openwakeword==0.6.0", "spoken-alarm")), TFLITE)
    assert told(answer) == (
        "error wheel-missing: no file of tflite-runtime>=2.8,<3 works with Python 3.13 on aarch64\n"
        "  why spoken-alarm asks for openwakeword==0.6.0; openwakeword 0.6.0 asks for "
        "tflite-runtime>=2.8,<3\n"
        "  why wheels of 2.14.0 are for Python 3.10 on aarch64, and for Python 3.11 on aarch64 and x86_64\n"
        "  why there is no source archive to build from\n"
        "  fix system: {release: debian-12}   in robot.yaml, for its Python 3.11\n"
        "  fix robokit-plan disable spoken-alarm"
    )
    there = answer_of(problem("openwakeword==0.6.0", target=BOOKWORM), TFLITE)
    assert versions(there) == {"openwakeword": "0.6.0", "tflite-runtime": "2.14.0"}


def test_sdist_asked_for_that_does_not_exist() -> None:
    answer = answer_of(problem("numpy", sdists=frozenset({name("numpy")})), GESTURE)
    assert told(answer) == (
        "error wheel-missing: no release that fits numpy has a source archive\n"
        "  why numpy is listed under `sdists` of `system` in robot.yaml\n"
        "  fix take numpy out of `sdists`   in robot.yaml\n"
        "  fix robokit-plan disable helm"
    )


def test_requires_python() -> None:
    index = FakeIndex().add(
        {
            "old": {"1": Rel(requires_python="<3.12"), "2": Rel(requires_python=">=3.14")},
            "inner": {"1": Rel(metadata_python=">=3.14")},
        }
    )
    assert told(answer_of(problem("old<2"), index)) == (
        "error requires-python-conflict: old<2 is not for the robot's Python 3.13\n"
        "  why old 1 needs Python <3.12\n"
        "  fix system: {release: debian-12}   in robot.yaml, for its Python 3.11\n"
        "  fix robokit-plan disable helm"
    )
    # Told by the metadata alone: the index did not say.
    assert told(answer_of(problem("inner"), index)) == (
        "error requires-python-conflict: inner 1 is not for the robot's Python 3.13\n"
        "  why helm asks for inner; inner 1 needs Python >=3.14\n"
        "  fix robokit-plan disable helm"
    )


def test_plugin_for_another_python() -> None:
    line = ask("<3.12", "sonar")
    answer = answer_of(problem(requires_python=(line,)), FakeIndex())
    assert told(answer) == (
        "error requires-python-conflict: sonar needs Python <3.12, the robot has 3.13.5\n"
        "  why debian-13 brings Python 3.13\n"
        "  fix robokit-plan disable sonar\n"
        '  fix python: {requires-python: ">=3.13"}   in the manifest of sonar, if it was tried with that'
    )


def test_lines_that_are_no_requirements() -> None:
    answer = answer_of(problem("numpy 1.26", "p @ https://files.example/p.whl"), GESTURE)
    assert [one.rule for one in answer.findings] == ["requirement-invalid", "requirement-url"]
    assert answer.findings[0].message == "'numpy 1.26' is not a Python requirement"
    assert answer.findings[1].message == "helm asks for p by address, which cannot be locked"


def test_yanked() -> None:
    index = FakeIndex().add({"p": {"1": [], "2": Rel(yanked="eats batteries")}})
    assert versions(answer_of(problem("p"), index)) == {"p": "1"}
    asked = answer_of(problem("p==2"), index)
    assert versions(asked) == {"p": "2"}
    assert told(asked) == (
        "warning yanked-release: p 2 was withdrawn by its makers\n"
        "  why eats batteries\n"
        "  why it is asked for exactly\n"
        '  fix python: {requires: ["p!=2"]}   in the manifest of helm'
    )
    locked = answer_of(problem("p", locked={name("p"): "2"}), index)
    assert "why the lock file holds it\n  fix robokit-plan lock --upgrade p" in told(locked)
    assert told(answer_of(problem("p>=2"), index)) == (
        "error yanked-release: all releases that fit p>=2 were withdrawn by their makers\n"
        "  why 2: eats batteries\n"
        '  fix python: {requires: ["p>=1"]}   in the manifest of helm\n'
        "  fix robokit-plan disable helm"
    )


SDISTS = FakeIndex().add(
    {
        "spidev": {"3.8": Rel(tags=(), sdist=True, requires=None, build=("setuptools>=61",))},
        "unknown": {"1": Rel(tags=(), sdist=True, requires=None)},
        "plain": {"1": Rel(tags=(), sdist=True, build=())},
        "setuptools": {"60": [], "70.0": [], "80": []},
        "wheel": {"0.45": []},
    }
)


def test_sdist_with_known_needs() -> None:
    answer = answer_of(problem("spidev>=3.6", facts=FACTS), SDISTS)
    assert versions(answer) == {"spidev": "3.8"}
    assert [(pin.name, pin.version) for pin in answer.build] == [("setuptools", "80")]
    assert [(one.build, one.run) for one in answer.native] == [
        (("build-essential", "python3-dev"), ())
    ]
    assert told(answer) == (
        "note sdist-build: spidev 3.8 is compiled on the board\n"
        "  why no wheel for Python 3.13 on aarch64 fits what is asked\n"
        "  why the build takes build-essential, python3-dev\n"
        '  fix debian: {packages: ["python3-spidev"]}   in the manifest of helm, in place of spidev'
    )


def test_sdist_with_unknown_needs() -> None:
    answer = answer_of(problem("unknown", facts=FACTS), SDISTS)
    assert [one.rule for one in answer.findings] == ["metadata-unknown", "sdist-build"]
    assert answer.findings[0].repair == ("robokit-plan lock --build-metadata",)
    # PEP 517: no build-system table means setuptools.
    assert [(pin.name, pin.version) for pin in answer.build] == [("setuptools", "80")]
    assert "  why whether more is needed is not known" in told(answer, "sdist-build")


def test_wheel_that_could_not_be_read() -> None:
    index = FakeIndex().add({"p": {"1": Rel(requires=None)}})
    assert told(answer_of(problem("p"), index)) == (
        "error metadata-unknown: what p 1 needs could not be read from its wheel\n"
        "  why p-1-py3-none-any.whl holds no readable metadata\n"
        '  fix python: {requires: ["p!=1"]}   in the manifest of helm'
    )


def test_older_setuptools_builds_wheels_with_wheel() -> None:
    """setuptools' change log, v70.1.0: bdist_wheel came in from the project wheel."""
    index = FakeIndex().add(
        {
            "p": {"1": Rel(tags=(), sdist=True, build=("setuptools<71",))},
            "setuptools": {"70.0": [], "80": []},
            "wheel": {"0.45": []},
        }
    )
    answer = answer_of(problem("p"), index)
    assert [(pin.name, pin.version) for pin in answer.build] == [
        ("setuptools", "70.0"),
        ("wheel", "0.45"),
    ]


def test_build_conflict() -> None:
    index = FakeIndex().add(
        {
            "p": {"1": Rel(tags=(), sdist=True, build=("setuptools<71",))},
            "q": {"1": Rel(tags=(), sdist=True, build=("setuptools>=71",))},
            "setuptools": {"70.0": [], "80": []},
            "wheel": {"0.45": []},
        }
    )
    answer = answer_of(problem(ask("p", "sonar"), ask("q", "helm")), index)
    assert told(answer, "build-conflict") == (
        "error build-conflict: source archives cannot be built together: no version of "
        "setuptools suits all of them\n"
        "  why helm needs setuptools>=71\n"
        "  why sonar needs setuptools<71\n"
        "  why all that is compiled on the board is built in one environment\n"
        "  fix robokit-plan disable sonar\n"
        "  fix robokit-plan disable helm"
    )
    labels = [place.label for place in answer.findings[0].places]
    assert "helm needs setuptools>=71 to build q" in labels


def test_sdist_only_where_no_wheel_fits() -> None:
    index = FakeIndex().add(
        {"p": {"1": [], "2": Rel(tags=(), sdist=True)}, "setuptools": {"80": []}}
    )
    assert versions(answer_of(problem("p"), index)) == {"p": "1"}
    assert versions(answer_of(problem("p>1"), index)) == {"p": "2"}
    assert versions(answer_of(problem("p", sdists=frozenset({name("p")})), index)) == {"p": "2"}


def test_unbuildable() -> None:
    index = FakeIndex().add(
        {"pybluez": {"0.23": Rel(tags=(), sdist=True)}, "setuptools": {"80": []}}
    )
    assert told(answer_of(problem("pybluez", facts=FACTS), index), "sdist-unbuildable") == (
        "error sdist-unbuildable: pybluez 0.23 is a source archive that no longer builds\n"
        "  why 0.23 asks setuptools for use_2to3, which setuptools 58 removed\n"
        "  why pybluez/pybluez issues 467, 431 and 484: 0.23 cannot be built with a current "
        "setuptools (use_2to3)\n"
        '  fix debian: {packages: ["python3-bluez"]}   in the manifest of helm, in place of pybluez'
    )


LGPIO = FakeIndex().add(
    {
        "lgpio": {
            "0.0.0.2": Rel(uploaded="2021-01-01T00:00:00Z"),
            "0.2.2.0": Rel(
                tags=("cp311-cp311-manylinux_2_34_aarch64",),
                sdist=True,
                uploaded="2024-03-29T00:00:00Z",
            ),
        },
        "setuptools": {"80": []},
        "wheel": {"0.45": []},
    }
)


def test_old_release_chosen() -> None:
    """joan2937/lg issue 43: without the fact, wheels alone walk back to an empty release."""
    answer = answer_of(problem("lgpio"), LGPIO)
    assert versions(answer) == {"lgpio": "0.0.0.2"}
    assert told(answer) == (
        "warning old-release-chosen: lgpio falls back to 0.0.0.2, though 0.2.2.0 exists\n"
        "  why newer releases have no wheel for Python 3.13 on aarch64\n"
        "  why 0.0.0.2 is of 2021-01, 0.2.2.0 of 2024-03\n"
        "  why helm asks for it\n"
        "  fix system: {sdists: [lgpio]}   in robot.yaml, to compile 0.2.2.0"
    )


def test_release_of_no_use_is_passed_over() -> None:
    answer = answer_of(problem("lgpio", facts=FACTS), LGPIO)
    assert versions(answer) == {"lgpio": "0.2.2.0"}
    assert answer.native[0].environment == (("PYPI", "1"),)
    assert "note constraint-added: lgpio==0.0.0.2 is passed over" in told(answer)
    stub = answer_of(problem("lgpio==0.0.0.2", facts=FACTS), LGPIO)
    assert stub.findings[0].message == "the releases that fit lgpio==0.0.0.2 are of no use"


def test_missing_bound_is_added() -> None:
    """pharmpy/pharmpy issue 3268: tflite-runtime is compiled for numpy 1."""
    index = FakeIndex().add(
        {"tflite-runtime": {"2.14.0": ["numpy>=1.23"]}, "numpy": {"1.26": [], "2.3": []}}
    )
    answer = answer_of(problem("tflite-runtime", facts=FACTS), index)
    assert versions(answer) == {"tflite-runtime": "2.14.0", "numpy": "1.26"}
    assert told(answer).startswith(
        "note constraint-added: numpy<2 is asked for on behalf of tflite-runtime 2.14.0\n"
    )


def test_extra_unknown() -> None:
    index = FakeIndex().add({"flask": {"3": Rel(extras=("async", "dotenv"))}})
    assert told(answer_of(problem("flask[asnyc]"), index)) == (
        "warning extra-unknown: flask 3 has no extra asnyc, so it brings nothing\n"
        "  why it has async, dotenv\n"
        '  fix python: {requires: ["flask[async]"]}   in the manifest of helm'
    )


def test_index_order_and_confusion() -> None:
    """A name under `only` comes from that index alone, and no other name does."""
    index = FakeIndex().add({"heron-tools": {"9": []}, "p": {"1": []}})
    index.add({"heron-tools": {"1": []}, "p": {"7": []}}, index="own")
    own = PythonIndex(
        name="own", only=(name("heron-tools"),), origin=Origin(file="robot.yaml", line=9, column=3)
    )
    answer = answer_of(problem("heron-tools", "p", indexes=(own,)), index)
    assert versions(answer) == {"heron-tools": "1", "p": "1"}
    assert told(answer) == (
        "note index-confusion: heron-tools is on the index default too, and is not taken from "
        "there\n"
        "  why robot.yaml gives it to own alone; another installer would mix the two"
    )
    assert str(only(answer).places[-1].origin) == "robot.yaml:9:3"


def test_further_indexes_without_only_add_to_the_default() -> None:
    index = FakeIndex().add({"p": {"1": []}})
    index.add({"p": {"1": [], "2": []}}, index="more")
    answer = answer_of(problem("p", indexes=(PythonIndex(name="more"),)), index)
    assert [(pin.version, pin.file.index) for pin in answer.pins] == [("2", "more")]
    answer = answer_of(problem("p==1", indexes=(PythonIndex(name="more"),)), index)
    assert answer.pins[0].file.index == "default"


CV2 = FakeIndex().add(
    {
        "opencv-python": {"4.13": []},
        "opencv-contrib-python": {"4.11": []},
        "mediapipe": {"1": ["opencv-contrib-python"]},
        "rpi-lgpio": {"0.6": []},
        "google-auth": {"2": Rel(modules=("google",))},
        "protobuf": {"7": Rel(modules=("google",))},
        "x": {"1": Rel(modules=("tests", "x"))},
        "y": {"1": Rel(modules=("tests", "y"))},
        "attr": {"0.3.2": []},
        "attrs": {"26": []},
        "enum34": {"1": []},
        "websocket-client": {"1": []},
        "websockets": {"15": []},
    }
)


def test_import_collision() -> None:
    answer = answer_of(
        problem(ask("mediapipe", "gesture"), ask("opencv-python", "lookout"), facts=FACTS), CV2
    )
    assert told(answer) == (
        "error import-collision: opencv-contrib-python and opencv-python both own the import name "
        "cv2\n"
        "  why they install the same files: what comes last overwrites, and removing one breaks "
        "the other\n"
        "  why opencv-contrib-python: mediapipe asks for it\n"
        "  why opencv-python: lookout asks for it\n"
        '  fix python: {requires: ["opencv-contrib-python"]}   in the manifest of lookout, in place of '
        "opencv-python\n"
        "  fix robokit-plan disable gesture"
    )
    assert only(answer).plugins == ("gesture", "lookout")


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        (("attr", "attrs"), ["import-collision"]),  # no common file, one name
        (("google-auth", "protobuf"), []),  # facts, import_non_collisions: a namespace
        (("websocket-client", "websockets"), []),  # facts, import_non_collisions
        (("x", "y"), ["import-shared"]),
        (("enum34",), ["import-collision"]),
    ],
)
def test_import_collisions_and_look_alikes(asked: tuple[str, ...], expected: list[str]) -> None:
    answer = answer_of(problem(*asked, facts=FACTS), CV2)
    assert [one.rule for one in answer.findings if one.rule.startswith("import")] == expected, told(
        answer
    )


def test_import_collision_with_a_debian_package() -> None:
    """waveform80/rpi-lgpio issue 17: an apt copy and a pip copy of RPi."""
    index = FakeIndex().add({"smbus": {"1.1": []}})
    question = problem("smbus", facts=FACTS, debian=(DebianName("python3-smbus"),))
    assert [one.severity.value for one in answer_of(question, index).findings] == ["warning"]


MODULES = FakeIndex().add(
    {
        "pyserial": {"3.5": Rel(modules=("serial",))},
        "dark": {"1": []},
        "audioop-lts": {"0.2": Rel(modules=("audioop",))},
    }
)


def test_modules_that_are_there() -> None:
    asked = ("serial", "serial.tools.list_ports", "json", "asyncio", "nav_lights", "audioop")
    question = problem(
        "pyserial",
        "audioop-lts",
        facts=FACTS,
        modules=tuple(ask(one) for one in asked),
        own_modules=("nav_lights",),
    )
    assert answer_of(question, MODULES).findings == ()


def test_module_missing() -> None:
    question = problem("pyserial", facts=FACTS, modules=(ask("cv2"),))
    assert told(answer_of(question, MODULES)) == (
        "error module-missing: helm imports cv2, and nothing that gets installed provides it\n"
        "  why cv2 comes from opencv-python-headless, opencv-python, opencv-contrib-python, "
        "opencv-contrib-python-headless or python3-opencv\n"
        '  fix python: {requires: ["opencv-python-headless"]}   in the manifest of helm\n'
        '  fix debian: {packages: ["python3-opencv"]}   in the manifest of helm'
    )
    served = replace(question, debian=(DebianName("python3-opencv"),))
    assert answer_of(served, MODULES).findings == ()


def test_module_that_no_fact_knows() -> None:
    sure = problem("pyserial", facts=FACTS, modules=(ask("nowhere"),))
    assert [one.severity.value for one in answer_of(sure, MODULES).findings] == ["error"]
    unsure = problem("dark", facts=FACTS, modules=(ask("nowhere"),))
    assert told(answer_of(unsure, MODULES)) == (
        "note module-missing: whether anything provides nowhere, which helm imports, is not known\n"
        "  why not looked into: dark\n"
        '  fix python: {requires: ["…"]}   in the manifest of helm, with the distribution that '
        "brings nowhere"
    )


def test_module_removed() -> None:
    question = problem("pyserial", facts=FACTS, modules=(ask("audioop"),))
    assert told(answer_of(question, MODULES)) == (
        "error module-removed: helm imports audioop, which Python 3.13 no longer has\n"
        "  why in its place: the distribution audioop-lts\n"
        "  why PEP 594 and What's New In Python 3.13, section Removed; standard-* from memory\n"
        '  fix python: {requires: ["audioop-lts"]}   in the manifest of helm'
    )
    older = replace(question, target=BOOKWORM)
    assert answer_of(older, MODULES).findings == ()


def test_large_download() -> None:
    index = FakeIndex().add({"torch": {"2": ["cuda"]}, "cuda": {"13": []}})
    index.pages = {
        key: tuple(
            replace(page, files=tuple(replace(file, size=900_000_000) for file in page.files))
            for page in pages
        )
        for key, pages in index.pages.items()
    }
    assert told(answer_of(problem("torch"), index)) == (
        "warning large-download: the Python files together are 1.8 GB\n"
        "  why most of it: torch 900 MB, cuda 900 MB\n"
        "  why torch: helm asks for it\n"
        '  fix indexes: [{name: small, url: "https://index.example/simple/", only: [torch]}]   in '
        "robot.yaml, for an index of builds for small boards"
    )


def test_locked_versions_are_kept() -> None:
    index = FakeIndex().add({"a": {"1": ["b"], "2": ["b"]}, "b": {"1": [], "2": [], "3": []}})
    locked = {name("a"): "1", name("b"): "2"}
    question = problem("a", locked=locked)
    assert versions(answer_of(question, index)) == {"a": "1", "b": "2"}
    some = replace(question, upgrade=frozenset({name("b")}))
    assert versions(answer_of(some, index)) == {"a": "1", "b": "3"}
    every = replace(question, upgrade_all=True)
    assert versions(answer_of(every, index)) == {"a": "2", "b": "3"}
    forced = problem("a>=2", locked=locked)
    assert versions(answer_of(forced, index)) == {"a": "2", "b": "2"}


def test_pins_say_who_wants_them() -> None:
    index = FakeIndex().add({"a": {"1": ["c"]}, "b": {"1": ["c"]}, "c": {"1": []}})
    answer = answer_of(problem(ask("a", "sonar"), ask("b", "helm")), index)
    assert [(pin.name, pin.wanted_by, pin.direct, pin.requires) for pin in answer.pins] == [
        ("a", ("sonar",), True, ("c",)),
        ("b", ("helm",), True, ("c",)),
        ("c", ("helm", "sonar"), False, ()),
    ]


def test_all_usable_files_best_first() -> None:
    index = FakeIndex().add(
        {
            "p": {
                "1": Rel(
                    tags=(
                        "py3-none-any",
                        "cp313-cp313-manylinux_2_17_aarch64.manylinux2014_aarch64",
                        "cp39-abi3-manylinux_2_28_aarch64",
                        "1-cp313-cp313-manylinux_2_17_aarch64",
                        "cp313-cp313-win_amd64",
                    ),
                    sdist=True,
                )
            }
        }
    )
    (pin,) = answer_of(problem("p"), index).pins
    assert [file.filename for file in pin.all_files] == [
        "p-1-1-cp313-cp313-manylinux_2_17_aarch64.whl",
        "p-1-cp313-cp313-manylinux_2_17_aarch64.manylinux2014_aarch64.whl",
        "p-1-cp39-abi3-manylinux_2_28_aarch64.whl",
        "p-1-py3-none-any.whl",
    ]


def test_the_wheel_for_the_nearest_library_goes_first() -> None:
    """PEP 600: of two wheels that run, the one for the newer C library; names sort the other way."""
    older, newer = (f"cp313-cp313-manylinux_2_{minor}_aarch64" for minor in (17, 28))
    index = FakeIndex().add({"p": {"1": Rel(tags=(older, newer))}})
    (pin,) = answer_of(problem("p"), index).pins
    assert [file.filename for file in pin.all_files] == [f"p-1-{newer}.whl", f"p-1-{older}.whl"]


def test_local_versions_and_arbitrary_equality() -> None:
    """PEP 440: a public version in a specifier lets local ones in; === compares text."""
    index = FakeIndex().add({"t": {"2.0": [], "2.0+cpu": [], "1.9": []}})
    assert versions(answer_of(problem("t==2.0"), index)) == {"t": "2.0+cpu"}
    assert versions(answer_of(problem("t===2.0"), index)) == {"t": "2.0"}
    assert versions(answer_of(problem("t<2"), index)) == {"t": "1.9"}


def test_no_facts_at_all_still_resolves() -> None:
    question = replace(problem("numpy", "spidev"), facts=PythonFacts())
    index = FakeIndex().add(
        {"numpy": {"2": []}, "spidev": {"3": Rel(tags=(), sdist=True)}, "setuptools": {"80": []}}
    )
    assert versions(answer_of(question, index)) == {"numpy": "2", "spidev": "3"}
    assert BARE_FACTS.native == {}


def test_repairs_keep_what_the_line_says_otherwise() -> None:
    """Bounds, extras and marker stay; only what stands in the way goes."""
    index = FakeIndex().add(
        {
            "p": {
                "4": Rel(yanked="eats batteries", extras=("x",)),
                "5": Rel(extras=("x",), uploaded=None),
                "6": Rel(extras=("x",)),
            },
            "old": {
                "1": Rel(uploaded="2020-01-01T00:00:00Z"),
                "2": Rel(
                    tags=("cp313-cp313-manylinux_2_17_x86_64",), uploaded="2025-01-01T00:00:00Z"
                ),
            },
            "q": {"1": [], "2": [], "3": []},
            "r": {"1": ["q<3"]},
        }
    )
    exact = answer_of(problem("p[x]==4,<9; python_version > '3'"), index)
    assert exact.findings[0].repair == (
        "python: {requires: [\"p[x]!=4,<9; python_version > '3'\"]}   in the manifest of helm",
    )
    undated = answer_of(problem("p[x]>=5,<6", as_of=date(2026, 1, 1)), index)
    assert undated.findings[0].repair == (
        'python: {requires: ["p[x]==5"]}   in the manifest of helm, if it was there then',
    )
    old = answer_of(problem("old>=1,!=1.5,<3"), index)
    assert old.findings[0].repair == (
        'python: {requires: ["old>=2,!=1.5,<3"]}   in the manifest of helm, to be told if none fits',
    )
    clash = answer_of(problem(ask("q>=3,!=3.5,<4; python_version > '3'"), ask("r", "raft")), index)
    assert clash.findings[0].repair[0] == (
        "python: {requires: [\"q!=3.5,<=2; python_version > '3'\"]}   in the manifest of helm"
    )
