"""Small archives written by hand or drawn at random, and a judge of answers that shares no code."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Mapping
from itertools import product
from pathlib import Path

from robokit_plan.model import (
    DebianArchive,
    DebianName,
    DebianPackage,
    DebianRow,
    InstanceName,
    Need,
    Origin,
)
from robokit_plan.resolve.debian import DebianAnswer, DebianProblem, DebianWant, resolve_debian

MENTIONS = (
    "Pre-Depends",
    "Depends",
    "Conflicts",
    "Breaks",
    "Recommends",
    "Suggests",
    "Replaces",
    "Enhances",
    "Provides",
)
ARCHITECTURE = "arm64"


def paragraphs(text: str) -> list[dict[str, str]]:
    """Return control paragraphs as field -> value."""
    return [
        dict(line.split(": ", 1) for line in block.strip().splitlines())
        for block in re.split(r"\n\s*\n", text.strip())
        if block.strip()
    ]


def package(fields: Mapping[str, str], *, suite: str = "trixie") -> DebianPackage:
    """Return the package of a paragraph."""
    return DebianPackage(
        name=DebianName(fields["Package"]),
        version=fields.get("Version", "1"),
        architecture=fields.get("Architecture", ARCHITECTURE),
        suite=fields.get("X-Suite", suite),
        component=fields.get("X-Component", "main"),
        source=fields.get("X-Source", ""),
        priority=fields.get("Priority", "optional"),
        essential=fields.get("Essential") == "yes",
        protected="yes" in {fields.get("Protected"), fields.get("Important")},
        multi_arch=fields.get("Multi-Arch", "no"),
        pre_depends=fields.get("Pre-Depends", ""),
        depends=fields.get("Depends", ""),
        recommends=fields.get("Recommends", ""),
        conflicts=fields.get("Conflicts", ""),
        breaks=fields.get("Breaks", ""),
        replaces=fields.get("Replaces", ""),
        provides=fields.get("Provides", ""),
        filename=f"pool/{fields['Package']}.deb",
        size=1000,
        installed_size=4096,
        sha256="0" * 64,
        pin=int(fields.get("X-Pin", "500")),
        status=fields.get("X-Status", ""),
    )


def archive_of(text: str, *, installed: Iterable[str] = (), complete: bool = True) -> DebianArchive:
    """
    Return an archive whose rows are all read.

    Args:
        installed: Names of the base card; ``NAME=VERSION`` for one that is not the first.
        complete: False: *installed* are only the packages that a card is made from.
    """
    stanzas = paragraphs(text)
    ranks: dict[str, int] = {}
    for fields in stanzas:
        ranks.setdefault(fields["Package"], len(ranks))
        for key in MENTIONS:
            for name in re.findall(r"(?:^|[,|]) *([a-z0-9][a-z0-9+.-]+)", fields.get(key, "")):
                ranks.setdefault(name, len(ranks))
    packages = [package(fields) for fields in stanzas]
    by_name: dict[DebianName, list[DebianPackage]] = {}
    providing: dict[DebianName, list[DebianPackage]] = {}
    for one in packages:
        by_name.setdefault(one.name, []).append(one)
        for name in re.findall(r"(?:^|,) *([a-z0-9][a-z0-9+.-]+)", one.provides):
            providing.setdefault(DebianName(name), []).append(one)
    rows = {
        DebianName(name): DebianRow(
            name=DebianName(name),
            packages=tuple(by_name.get(DebianName(name), ())),
            providers=tuple(
                sorted(providing.get(DebianName(name), ()), key=lambda one: ranks[one.name])
            ),
        )
        for name in ranks
    }
    base = {}
    for word in installed:
        name, _, version = word.partition("=")
        choices = [
            one for one in by_name[DebianName(name)] if not version or one.version == version
        ]
        base[DebianName(name)] = choices[0]
    return DebianArchive(
        rows=Everything(rows), base=base, suites=("trixie",), base_complete=complete
    )


class Everything(dict[DebianName, DebianRow]):
    """Rows of an archive that was read whole: an unknown name has an empty row."""

    def get(self, name: DebianName, default: object = None) -> DebianRow:  # noqa: ARG002  as dict.get
        if dict.__contains__(self, name):
            return self[name]
        return DebianRow(name=name, packages=(), providers=())

    def __contains__(self, name: object) -> bool:
        return True


def problem_of(
    wants: Iterable[str],
    *,
    recommends: bool = False,
    locked: Mapping[str, str] | None = None,
    release: str = "debian-13",
) -> DebianProblem:
    """Return a problem in which each want is of a plugin of its own: one, two, ..."""
    words = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return DebianProblem(
        wanted=tuple(
            DebianWant(
                text=text,
                origin=Origin(file=f"plugins/{word}/manifest.yaml", line=7, column=13),
                instance=InstanceName(word),
            )
            for word, text in zip(words, wants, strict=False)
        ),
        release=release,
        architecture=ARCHITECTURE,
        recommends=recommends,
        locked={DebianName(name): version for name, version in (locked or {}).items()},
    )


def answer_of(problem: DebianProblem, archive: DebianArchive) -> DebianAnswer:
    """Return the answer; all rows are there, so there is never a need."""
    answer = resolve_debian(problem, archive)
    assert not isinstance(answer, Need)
    return answer


def pins_of(answer: DebianAnswer) -> dict[str, str]:
    """Return name -> version of what is added."""
    return {pin.name: pin.version for pin in answer.pins}


# --- a judge of its own ---------------------------------------------------------------------

_TERM = re.compile(r"([a-z0-9][a-z0-9+.-]+)(?::(?:any|arm64))?(?: \((<<|<=|=|>=|>>) (\S+)\))?$")


def _compare(left: str, operator: str, right: str) -> bool:
    """Versions of the small archives are whole numbers, so that this needs no Policy."""
    a, b = int(left), int(right)
    return {"<<": a < b, "<=": a <= b, "=": a == b, ">=": a >= b, ">>": a > b}[operator]


def _hits(term: str, one: DebianPackage) -> bool:
    match = _TERM.match(term.strip())
    assert match is not None, term
    name, operator, version = match.groups()
    if one.name == name and (operator is None or _compare(one.version, operator, version)):
        return True
    for provided in filter(None, (part.strip() for part in one.provides.split(","))):
        offer = _TERM.match(provided)
        assert offer is not None
        if offer[1] == name and (
            operator is None or (offer[3] is not None and _compare(offer[3], operator, version))
        ):
            return True
    return False


def faults(packages: Iterable[DebianPackage], wants: Iterable[str] = ()) -> list[str]:
    """Return every relation that *packages* do not honour, in words (Policy 7.2 to 7.5)."""
    some = list(packages)
    found = [
        f"{want} is wanted"
        for want in wants
        if not any(_hits(term, other) for term in want.split("|") for other in some)
    ]
    names = [one.name for one in some]
    found += [f"{name} twice" for name in set(names) if names.count(name) > 1]
    for one in some:
        for group in filter(None, f"{one.pre_depends},{one.depends}".split(",")):
            if not any(_hits(term, other) for term in group.split("|") for other in some):
                found.append(f"{one.name} needs {group.strip()}")
        for term in filter(None, f"{one.conflicts},{one.breaks}".split(",")):
            found += [
                f"{one.name} refuses {other.name}"
                for other in some
                if other.name != one.name and _hits(term, other)
            ]
    return found


def every_selection(
    packages: Iterable[DebianPackage], base: Mapping[DebianName, DebianPackage]
) -> Iterable[list[DebianPackage]]:
    """Yield every choice of at most one version a name; a base package that may not go stays."""
    by_name: dict[str, list[DebianPackage | None]] = {}
    for one in packages:
        by_name.setdefault(one.name, []).append(one)
    for name, choices in by_name.items():
        stays = base.get(DebianName(name))
        if stays is not None and stays.held:
            choices[:] = [stays]
        elif stays is None or not (stays.essential or stays.priority == "required"):
            choices.append(None)
    for choice in product(*by_name.values()):
        yield [one for one in choice if one is not None]


# --- the same archive for apt itself ----------------------------------------------------------


def stanza(one: DebianPackage, *, status: bool = False) -> str:
    """Return *one* as a paragraph of Packages or of a status file."""
    fields = {
        "Package": one.name,
        "Status": (one.status or "install ok installed") if status else "",
        "Essential": "yes" if one.essential else "",
        "Protected": "yes" if one.protected else "",
        "Priority": one.priority,
        "Section": one.section or "misc",
        "Installed-Size": str(one.installed_size // 1024),
        "Maintainer": "Nobody <nobody@nowhere.example>",
        "Architecture": one.architecture,
        "Multi-Arch": "" if one.multi_arch == "no" else one.multi_arch,
        "Version": one.version,
        "Replaces": one.replaces,
        "Provides": one.provides,
        "Pre-Depends": one.pre_depends,
        "Depends": one.depends,
        "Recommends": one.recommends,
        "Conflicts": one.conflicts,
        "Breaks": one.breaks,
        "Filename": "" if status else f"./{one.name}_{one.version}.deb",
        "Size": "" if status else str(one.size),
        "SHA256": "" if status else one.sha256,
        "Description": "a package",
    }
    return "".join(f"{key}: {value}\n" for key, value in fields.items() if value) + "\n"


APT_CONF = """\
Dir "{root}";
Dir::Etc "{root}/etc/apt";
Dir::State "{root}/var/lib/apt";
Dir::State::status "{root}/var/lib/dpkg/status";
Dir::Cache "{root}/var/cache/apt";
Dir::Log "{root}/var/log/apt";
APT::Architecture "{architecture}";
#clear APT::Architectures;
APT::Architectures {{ "{architecture}"; }};
#clear APT::Update::Post-Invoke-Success;
#clear APT::Update::Post-Invoke;
#clear DPkg::Post-Invoke;
APT::Sandbox::User "root";
Acquire::Languages "none";
"""


class PrivateApt:
    """apt in a folder of its own, for another architecture, with a status file that we write."""

    def __init__(self, root: Path, sources: str, *, architecture: str = ARCHITECTURE) -> None:
        self.root = root
        for name in (
            "etc/apt/apt.conf.d",
            "etc/apt/preferences.d",
            "etc/apt/sources.list.d",
            "etc/apt/trusted.gpg.d",
            "var/lib/apt/lists/partial",
            "var/cache/apt/archives/partial",
            "var/lib/dpkg",
            "var/log/apt",
        ):
            (root / name).mkdir(parents=True, exist_ok=True)
        (root / "apt.conf").write_text(APT_CONF.format(root=root, architecture=architecture))
        (root / "etc/apt/sources.list").write_text(sources)
        self.write_status(())
        self.run("update", "-o", "APT::Update::Error-Mode=any")

    def write_status(self, base: Iterable[DebianPackage]) -> None:
        """Let *base* be what is installed."""
        text = "".join(stanza(one, status=True) for one in base)
        (self.root / "var/lib/dpkg/status").write_text(text)

    def run(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        """Return what apt-get says."""
        return subprocess.run(
            ["apt-get", "-q", *words],
            capture_output=True,
            text=True,
            check=check,
            env={
                "APT_CONFIG": str(self.root / "apt.conf"),
                "LC_ALL": "C",
                "PATH": "/usr/bin:/bin:/usr/sbin:/sbin",
            },
        )

    def satisfy(
        self, wants: Iterable[str], *, recommends: bool = False
    ) -> tuple[dict[str, str], list[str]] | None:
        """Return name -> version of what apt would add, and what it would remove; None: refuses."""
        done = self.run(
            "--simulate",
            "satisfy",
            "-o",
            f"APT::Install-Recommends={str(recommends).lower()}",
            *wants,
            check=False,
        )
        if done.returncode:
            return None
        added = re.findall(r"^Inst (\S+) (?:\[\S*\] )?\((\S+) ", done.stdout, re.MULTILINE)
        removed = re.findall(r"^Remv (\S+)", done.stdout, re.MULTILINE)
        return dict(added), sorted(removed)


def local_apt(
    folder: Path, packages: Iterable[DebianPackage], base: Iterable[DebianPackage]
) -> PrivateApt:
    """Return an apt whose only source is a folder with *packages*."""
    place = folder / "archive"
    place.mkdir(parents=True, exist_ok=True)
    (place / "Packages").write_text("".join(stanza(one) for one in packages))
    apt = PrivateApt(folder / "root", f"deb [trusted=yes] file:{place} ./\n")
    apt.write_status(base)
    return apt
