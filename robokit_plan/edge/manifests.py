"""The text of a ``manifest.yaml`` as a value, and what is wrong with it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from itertools import chain
from pathlib import PurePosixPath
from typing import Any

from robokit_plan.formats.ambiguities import joined_splits
from robokit_plan.formats.claims import check_signal, hardware_claims
from robokit_plan.formats.schema_findings import check_shape
from robokit_plan.formats.tree import Node, parse_tree, shown
from robokit_plan.formats.typed_map import TypedMap, whole
from robokit_plan.model import (
    SECTION_OF,
    Asset,
    BoardId,
    CapabilityName,
    Claim,
    Finding,
    MachineNeeds,
    Manifest,
    Needs,
    Origin,
    PluginName,
    PythonNeeds,
    Setting,
    Severity,
    SignalClaim,
    Topics,
    Variable,
    Variant,
    VariantName,
    finding,
    folded,
    listed,
    sorted_findings,
)

from .schemas import read_schema

KNOWN_FORMAT = 1


def parse_manifest(text: str, file: str) -> tuple[Manifest | None, tuple[Finding, ...]]:
    """
    Return the manifest in *text* and the findings about its form.

    Pure: the same text and name give the same value, and what is returned can be pickled, so
    results may be kept by the digest of the text. Parts that are wrong are told and left out of
    the value. None: no map, of a later format than is known, or wrong
    all over.

    Args:
        text: The whole file.
        file: Its name for messages, POSIX, relative; the folder's name is taken from it.

    Raises:
        UnreadableFile: The text does not parse as YAML.
    """
    tree, findings = parse_tree(text, file)
    whole_file = Origin(file=file, line=1, column=1)
    if tree is None or not root_is_map(tree, file, "plugin", findings):
        if tree is None:
            findings.append(empty_file(file, 'plugin: NAME, version: "0.1.0"'))
        return None, sorted_findings(folded(findings))
    late = check_format(tree, file)
    if late is not None and late.severity is Severity.ERROR:
        return None, (late,)
    findings.extend([late] if late else [])
    findings.extend(joined_splits(tree, text))
    misshapen, usable = check_shape(tree, read_schema("manifest"))
    findings.extend(misshapen)
    if not usable:
        return None, sorted_findings(folded(findings))
    view = TypedMap(tree, whole_file)
    manifest = _manifest(view, text, file, findings)
    return manifest, sorted_findings(folded(findings))


def root_is_map(tree: Node, file: str, first: str, findings: list[Finding]) -> bool:
    """Return whether the file is a map; tell where it is not."""
    if tree.kind == "map" and tree.entries:
        return True
    got = {"map": "an empty map", "list": "a list", "scalar": "a single value"}[tree.kind]
    findings.append(
        finding(
            "schema",
            Severity.ERROR,
            f"{file} must be a map of keys and values, not {got}",
            places=[tree.origin],
            repair=f"{first}: …",
        )
    )
    return False


def empty_file(file: str, start: str) -> Finding:
    """Return the finding about a file with nothing in it."""
    return finding(
        "schema",
        Severity.ERROR,
        f"{file} is empty",
        places=[Origin(file=file)],
        repair=start,
    )


def check_format(tree: Node, file: str) -> Finding | None:
    """Return the finding about a form later than ours, or about none; None where it is known."""
    if "format" not in tree.entries:
        return finding(
            "format-missing",
            Severity.WARNING,
            f"{file} does not say which format it has",
            places=[tree.origin],
            why="a later robokit-plan reads old files by it",
            repair=f"format: {KNOWN_FORMAT}",
        )
    node = tree.entries["format"][1]
    value = node.value
    if isinstance(value, (int, float)) and not isinstance(value, bool) and value > KNOWN_FORMAT:
        return finding(
            "format-too-new",
            Severity.ERROR,
            f"{file} has format {node.raw}, but formats up to {KNOWN_FORMAT} are known here",
            places=[node.origin],
            why="its keys may mean something that is not known here, so nothing else was read",
            repair="pip install --upgrade robokit-plan",
        )
    return None


def file_digest(text: str) -> str:
    """Return the SHA-256 of *text* in UTF-8, as hexadecimal digits."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def said(node: Node | None) -> dict[str, Any]:
    """Return what a file says, without what is its writer's alone."""
    data = {} if node is None else node.data()
    return {key: value for key, value in data.items() if not key.startswith("x-")}


def canonical(data: Any) -> str:
    """Return *data* as JSON that follows from its values alone (RFC 8785 but for numbers)."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def key_places(view: TypedMap) -> dict[str, Origin]:
    """Return key -> place for the two uppermost levels, as ``python`` and ``python.requires``."""
    places: dict[str, Origin] = {}
    if view.node is None:
        return places
    for name, (key, value) in view.node.entries.items():
        places[name] = key.origin
        if value.kind == "map":
            for inner, (inner_key, _) in value.entries.items():
                places[f"{name}.{inner}"] = inner_key.origin
    return places


def _manifest(view: TypedMap, text: str, file: str, findings: list[Finding]) -> Manifest:
    folder = PurePosixPath(file).parent
    base = _needs(view, findings)
    variants = tuple(
        Variant(name=VariantName(name), needs=_needs(one, findings), origin=one.origin)
        for name, one in view.named("variants")
    )
    findings.extend(_repeated_claims(base, variants))
    topics = view.view("topics")
    return Manifest(
        # A missing or impossible name was told; the folder's stands in, so that other findings
        # about this plugin still find it.
        plugin=PluginName(view.string("plugin") or folder.name or "unnamed"),
        version=view.string("version") or "0",
        summary=view.string("summary") or "",
        license=view.string("license"),
        behaviour=view.string("behaviour"),
        boards=tuple(BoardId(one) for one in view.strings("boards")),
        settings={name: _setting(name, one) for name, one in view.named("settings")},
        provides=tuple(CapabilityName(one) for one in view.strings("provides")),
        needs=view.texts("needs"),
        plugins=view.texts("plugins"),
        excludes=view.texts("excludes"),
        base=base,
        variants=variants,
        topics=Topics(
            publishes=topics.texts("publishes"),
            subscribes=topics.texts("subscribes"),
            commands=topics.texts("commands"),
        ),
        folder=str(folder),
        digest=file_digest(text),
        values=file_digest(canonical(said(view.node))),
        origin=Origin(file=file, line=1, column=1),
        places=key_places(view),
    )


def _setting(name: str, view: TypedMap) -> Setting:
    default = view.child("default")
    least, most = view.child("min"), view.child("max")
    choices = view.child("choices")
    return Setting(
        name=name,
        type=view.string("type") or "string",
        default=None if default is None else default.value,
        minimum=least.value if least and isinstance(least.value, (int, float)) else None,
        maximum=most.value if most and isinstance(most.value, (int, float)) else None,
        choices=tuple(one.value for one in choices.items) if choices else (),
        summary=view.string("summary") or "",
        origin=view.origin,
    )


def _needs(view: TypedMap, findings: list[Finding]) -> Needs:
    python, debian = view.view("python"), view.view("debian")
    claims: list[Claim] = []
    for claim, claim_view in hardware_claims(view.view("hardware")):
        claims.append(claim)
        if isinstance(claim, SignalClaim):
            findings.extend(check_signal(claim.key.name, claim_view))
    claims.sort(key=lambda claim: (SECTION_OF[type(claim)], claim.key.name))
    return Needs(
        python=PythonNeeds(
            requires_python=python.text("requires-python"),
            requires=python.texts("requires"),
            modules=python.texts("modules"),
        ),
        debian=debian.texts("packages"),
        machine=_machine(view.view("machine")),
        hardware=tuple(claims),
    )


def _machine(view: TypedMap) -> MachineNeeds:
    services, kernel, load = view.view("services"), view.view("kernel"), view.view("load")
    return MachineNeeds(
        groups=view.texts("groups"),
        start=services.texts("start"),
        stop=services.texts("stop"),
        load=kernel.texts("load"),
        block=kernel.texts("block"),
        permissions=view.texts("permissions"),
        environment=tuple(
            Variable(
                name=one.string("name") or "",
                secret=one.flag("secret"),
                purpose=one.string("purpose") or "",
                origin=one.origin,
            )
            for one in view.views("environment")
        ),
        assets=tuple(_asset(one) for one in view.views("assets")),
        memory_mb=load.integer("memory-mb"),
        cpu_percent=load.integer("cpu-percent"),
    )


def _asset(view: TypedMap) -> Asset:
    sha256 = view.string("sha256")
    size = view.child("bytes")
    return Asset(
        url=view.string("url") or "",
        sha256=None if sha256 is None else sha256.lower(),
        size=None if size is None else whole(size.value),
        path=view.string("path") or "",
        license=view.string("license"),
        origin=view.origin,
    )


_ONE_THING = frozenset({"ports", "power"})
"""A port's claim and its load may bear one name: they are two sides of one thing."""


def _repeated_claims(base: Needs, variants: tuple[Variant, ...]) -> Iterator[Finding]:
    for needs in (base, *(variant.needs for variant in variants)):
        seen: dict[str, list[Claim]] = {}
        # A claim of a variant must not meet one of the base; two variants never meet.
        claims = needs.hardware if needs is base else chain(base.hardware, needs.hardware)
        for claim in claims:
            seen.setdefault(claim.key.name, []).append(claim)
        for name, alike in seen.items():
            sections = {SECTION_OF[type(claim)] for claim in alike}
            if len(alike) == 1 or (len(alike) == len(sections) == 2 and sections == _ONE_THING):
                continue
            yield finding(
                "claim-twice",
                Severity.ERROR,
                f"claim {shown(name)} stands under {listed(sorted(sections))}"
                if len(sections) > 1
                else f"claim {shown(name)} stands in a variant and beside the variants",
                places=[claim.key.origin for claim in alike],
                why="the robot file names a claim by its instance and this name alone",
                repair=f"hardware: {{{SECTION_OF[type(alike[-1])]}: {{{name}-2: …}}}}   in place "
                f"of {name}",
            )
