"""
What Debian's Python packages bring, put to Python itself in a real Debian root.

Names and versions are those that `importlib.metadata` reads where the packages were installed; and a
compiled module of Debian really fails beside a numpy that its interface package leaves out. Debian 13
takes as long again, so it is asked only by

    ROBOKIT_TEST_RELEASES="debian-12 debian-13" python -m pytest -m root tests/real/test_carried_root.py
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from robokit_plan.edge._debian_index import fields_of, package_of, stanzas
from robokit_plan.edge.python_facts import read_carried_facts
from robokit_plan.model import Bound, Carried, DebianName
from robokit_plan.resolve.debian import DebianAnswer, carried_by
from tests.real.roots import Root, made_tarball, unpacked

pytestmark = [pytest.mark.root, pytest.mark.live]

RELEASES = os.environ.get("ROBOKIT_TEST_RELEASES", "debian-12").split()
PACKAGES = (
    "python3-gpiozero",
    "python3-libgpiod",
    "python3-numpy",
    "python3-paho-mqtt",
    "python3-psutil",
    "python3-pycryptodome",
    "python3-scipy",
    "python3-serial",
    "python3-smbus",
    "python3-spidev",
    "python3-websocket",
    "python3-yaml",
)
SEEN = """
import importlib.metadata as m, json, re
print(json.dumps({re.sub(r"[-_.]+", "-", d.metadata["Name"]).lower(): d.version for d in m.distributions()}))
"""


@dataclass(frozen=True)
class Seen:
    """A root with the packages, and what we say of it."""

    root: Root
    release: str
    carried: Carried


@pytest.fixture(scope="module", params=RELEASES)
def seen(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Seen]:
    folder = tmp_path_factory.mktemp("carried")
    root = unpacked(made_tarball(request.param), folder / "root")
    root.sh("apt-get update -qq")
    root.sh(
        "DEBIAN_FRONTEND=noninteractive apt-get -qq --no-install-recommends -y install python3-venv "
        + " ".join(PACKAGES)
    )
    status = (root.path / "var/lib/dpkg/status").read_bytes()
    base = {
        DebianName(fields["Package"]): package_of(fields["Package"], fields, suite="base")
        for fields in map(fields_of, stanzas([status]))
        if fields.get("Status", "").endswith(" installed")
    }
    carried = carried_by(DebianAnswer(base=base), "amd64", read_carried_facts(request.param))
    yield Seen(root, request.param, carried)
    shutil.rmtree(folder)


def test_names_and_versions_are_those_that_python_sees(seen: Seen) -> None:
    """Every distribution that we say is there is there in that version, and no other one is."""
    there = json.loads(seen.root.sh(f"python3 -c '{SEEN}'"))
    told = {
        str(name): carrier.version
        for carrier in seen.carried.carriers
        for name in carrier.distributions
    }
    assert told.keys() <= there.keys()
    # A version that we do not know is None: such a distribution is never taken for granted.
    assert {name: there[name] for name, version in told.items() if version} == {
        name: version for name, version in told.items() if version
    }
    assert there.keys() - told.keys() == set()


def test_modules_are_importable(seen: Seen) -> None:
    """What we say a package brings can be found."""
    modules = sorted({module for one in seen.carried.carriers for module in one.modules or ()})
    text = f"import importlib.util as u; print([m for m in {modules!r} if not u.find_spec(m)])"
    assert seen.root.sh(f'python3 -c "{text}"').strip() == "[]"


def test_a_numpy_outside_the_bound_breaks_debians_scipy(seen: Seen) -> None:
    """And one within it, newer than Debian's own, does not (NumPy 2.0 migration guide)."""
    bounds: list[Bound] = [one for one in seen.carried.bounds if one.package == "python3-scipy"]
    assert [(one.distribution, one.interfaces) for one in bounds]
    if seen.release != "debian-12":
        assert any(">=2" in one.versions for one in bounds)
        pytest.skip("no numpy before 2 has a wheel for this Python, so nothing is left out")
    assert [one.versions for one in bounds] == [("<2",)]
    seen.root.sh("python3 -m venv --system-site-packages /tmp/venv")
    ask = "/tmp/venv/bin/python -c 'import scipy.linalg, numpy; print(numpy.__version__)'"
    install = "/tmp/venv/bin/pip install -q --disable-pip-version-check --only-binary :all:"
    assert seen.root.sh(ask).strip() == "1.24.2"
    seen.root.sh(f"{install} 'numpy<2' --upgrade")
    within = seen.root.sh(ask).strip()
    assert within > "1.24.2"
    seen.root.sh(f"{install} 'numpy>=2'")
    assert "broken" in seen.root.sh(f"{ask} 2>&1 || echo broken")
