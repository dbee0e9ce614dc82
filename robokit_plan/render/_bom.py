"""
The software bill of materials of a lock file, in CycloneDX 1.6 JSON.

Whatever is not in the lock file is not in the bill: what the fresh card carries, and what is
inside a wheel besides the distribution. The bill says so itself (`compositions`). The same lock
file gives the same bytes, so there is no time in it.

Source:
    ECMA-424, 1st edition (CycloneDX 1.6); package-url/purl-spec with its types pypi and deb.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from urllib.parse import quote

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

from robokit_plan.model import (
    DebianPin,
    InstanceName,
    Plan,
    PlannedAsset,
    PlannedInstance,
    PythonPin,
    without_credentials,
)

from ._findings import Json, render_json

_OURS = "robokit-plan"
_ROBOT = "robot"
_NO_ASSERTION = "NOASSERTION"
"""Nothing is claimed (SPDX 2.3, 7.13): Debian's indices tell no licence, only its packages do."""


def bom_name(plan: Plan) -> str:
    """Return the file name of the bill: a profile has its own."""
    return f"{plan.robot}{'' if plan.profile is None else f'-{plan.profile}'}.cdx.json"


def render_bom(plan: Plan, *, lock_sha256: str) -> str:
    """
    Return the bill of *plan*.

    Args:
        plan: Read from a lock file.
        lock_sha256: Of that file's bytes; the serial number follows from it.
    """
    components = {
        **{_plugin_ref(some[0]): _plugin(some) for some in _by_plugin(plan.instances)},
        # What builds need stands behind, so that what runs wins where something is both.
        **{_pypi(pin, plan): _distribution(pin, plan, build=True) for pin in plan.build},
        **{_pypi(pin, plan): _distribution(pin, plan, build=False) for pin in plan.python},
        **{_deb(pin, plan): _package(pin, plan) for pin in plan.debian},
        **{_asset_ref(one): _asset(one) for one in plan.machine.assets},
    }
    return render_json(
        {
            "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
            "bomFormat": "CycloneDX",
            "specVersion": "1.6",
            "serialNumber": _serial(lock_sha256),
            "version": 1,
            "metadata": {
                "tools": {"components": [{"type": "application", "name": _OURS}]},
                "component": {
                    "type": "application",
                    "bom-ref": _ROBOT,
                    "name": plan.robot,
                    "properties": _properties(
                        ("board", plan.board),
                        ("release", plan.target.release),
                        ("image", plan.target.image),
                        ("architecture", plan.target.architecture),
                        ("python", plan.target.python),
                        ("profile", plan.profile),
                        ("lock-sha256", lock_sha256),
                    ),
                },
            },
            "components": [components[ref] for ref in sorted(components)],
            "dependencies": [
                {"ref": ref, "dependsOn": sorted(set(needs))}
                for ref, needs in sorted(_dependencies(plan).items())
            ],
            "compositions": [{"aggregate": "incomplete", "assemblies": [_ROBOT]}],
        }
    )


def _serial(digest: str) -> str:
    """
    Return a UUID that follows from *digest*, a SHA-256 in hexadecimal.

    Source:
        RFC 9562, section 5.8: version 8 leaves all but version and variant to its maker.
    """
    digits = f"{digest[:12]}8{digest[13:16]}{int(digest[16], 16) & 3 | 8:x}{digest[17:32]}"
    ends = (8, 12, 16, 20, 32)
    parts = [digits[start:end] for start, end in zip((0, *ends), ends, strict=False)]
    return f"urn:uuid:{'-'.join(parts)}"


# --- components -------------------------------------------------------------------------------


def _by_plugin(instances: Iterable[PlannedInstance]) -> Iterator[Sequence[PlannedInstance]]:
    ordered = sorted(instances, key=lambda one: (one.plugin, one.version, one.name))
    for _, some in groupby(ordered, key=_plugin_ref):
        yield tuple(some)


def _plugin_ref(one: PlannedInstance) -> str:
    return f"plugin:{one.plugin}@{one.version}"


def _plugin(uses: Sequence[PlannedInstance]) -> Json:
    one = uses[0]
    return {
        "type": "application",
        "bom-ref": _plugin_ref(one),
        "name": one.plugin,
        "version": one.version,
        **({"description": one.summary} if one.summary else {}),
        **_licenses(one.license),
        "properties": _properties(
            *(("instance", use.name) for use in uses),
            *(("variant", f"{use.name}: {use.variant}") for use in uses if use.variant),
            ("manifest-sha256", one.digest),
        ),
    }


def _pypi(pin: PythonPin, plan: Plan) -> str:
    """Return the purl of a distribution; where it is not from the default index, from which."""
    where = plan.indexes.get(pin.file.index) if pin.file.index != "default" else None
    return _purl(
        "pypi",
        pin.name,
        pin.version,
        file_name=pin.file.filename,
        repository_url=None if where is None else without_credentials(where),
    )


def _distribution(pin: PythonPin, plan: Plan, *, build: bool) -> Json:
    purl = _pypi(pin, plan)
    return {
        "type": "library",
        "bom-ref": purl,
        "name": pin.name,
        "version": pin.version,
        "scope": "excluded" if build else "required",
        **_hashes(pin.file.sha256),
        **_licenses(pin.license),
        "purl": purl,
        "externalReferences": [
            {
                "type": "distribution" if pin.is_wheel else "source-distribution",
                "url": without_credentials(pin.file.url),
            }
        ],
        "properties": _properties(*_wanted_by(pin.wanted_by)),
    }


def _deb(pin: DebianPin, plan: Plan) -> str:
    """Return the purl of a package; where it is not Debian's own, from which archive."""
    where = next((one.url for one in plan.sources if one.name == pin.source), None)
    return _purl(
        "deb/debian",
        pin.name,
        pin.version,
        arch=pin.architecture,
        distro=plan.target.release,
        repository_url=None if where is None else without_credentials(where),
    )


def _package(pin: DebianPin, plan: Plan) -> Json:
    purl = _deb(pin, plan)
    return {
        "type": "library",
        "bom-ref": purl,
        "name": pin.name,
        "version": pin.version,
        "scope": "excluded" if pin.name in plan.debian_build else "required",
        **_hashes(pin.sha256),
        "licenses": [{"license": {"name": _NO_ASSERTION}}],
        "purl": purl,
        "properties": _properties(
            # Debian Policy 12.5: every package carries its copyright information there.
            ("copyright", f"/usr/share/doc/{pin.name}/copyright"),
            ("suite", pin.suite),
            *(
                ("carries", f"{one.name}=={one.version}")
                for one in plan.carried
                if one.package == pin.name
            ),
            *_wanted_by(pin.wanted_by),
        ),
    }


def _asset_ref(one: PlannedAsset) -> str:
    return f"asset:{one.instance}/{one.path}"


def _asset(one: PlannedAsset) -> Json:
    return {
        "type": "file",
        "bom-ref": _asset_ref(one),
        "name": one.path,
        **_hashes(one.sha256),
        **_licenses(one.license),
        "externalReferences": [{"type": "distribution", "url": without_credentials(one.url)}],
        "properties": _properties(*_wanted_by([one.instance])),
    }


def _purl(kind: str, name: str, version: str, **qualifiers: str | None) -> str:
    """Return a package URL; qualifiers sorted, those that are None left out."""
    told = "&".join(
        f"{key}={quote(value, safe='-._~:/')}"
        for key, value in sorted(qualifiers.items())
        if value is not None
    )
    return f"pkg:{kind}/{quote(name, safe='-._~')}@{quote(version, safe='-._~:')}?{told}"


def _hashes(sha256: str | None) -> Json:
    return {} if sha256 is None else {"hashes": [{"alg": "SHA-256", "content": sha256}]}


def _licenses(words: str | None) -> Json:
    """Return an SPDX expression as such, else the makers' words as a licence's name."""
    if words is None:
        return {}
    try:
        expression = canonicalize_license_expression(words)
    except InvalidLicenseExpression:
        return {"licenses": [{"license": {"name": words, "acknowledgement": "declared"}}]}
    return {"licenses": [{"expression": expression, "acknowledgement": "declared"}]}


def _wanted_by(names: Iterable[InstanceName]) -> Iterator[tuple[str, str]]:
    return (("wanted-by", name) for name in names)


def _properties(*pairs: tuple[str, str | None]) -> list[Json]:
    return [
        {"name": f"{_OURS}:{name}", "value": value} for name, value in pairs if value is not None
    ]


# --- who needs what ---------------------------------------------------------------------------


def _dependencies(plan: Plan) -> dict[str, list[str]]:
    """Return ref -> refs that it needs itself; a leaf needs none, which is said as well."""
    python = {pin.name: _pypi(pin, plan) for pin in plan.python}
    build = {pin.name: _pypi(pin, plan) for pin in plan.build}
    debian = {pin.name: _deb(pin, plan) for pin in plan.debian}
    found: dict[str, list[str]] = {_ROBOT: [_plugin_ref(one) for one in plan.instances]}
    for one in plan.instances:
        found.setdefault(_plugin_ref(one), []).extend(
            [
                *(python[p.name] for p in plan.python if p.direct and one.name in p.wanted_by),
                *(debian[d.name] for d in plan.debian if d.direct and one.name in d.wanted_by),
                *(_asset_ref(a) for a in plan.machine.assets if a.instance == one.name),
            ]
        )
    for refs, pins in ((build, plan.build), (python, plan.python)):
        found |= {refs[pin.name]: [refs[n] for n in pin.requires if n in refs] for pin in pins}
    found |= {debian[d.name]: [debian[n] for n in d.requires if n in debian] for d in plan.debian}
    found |= {_asset_ref(one): [] for one in plan.machine.assets}
    return found
