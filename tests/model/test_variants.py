"""What a variant asks for is asked besides the rest; a single value of it goes before the rest's."""

from __future__ import annotations

from robokit_plan.edge.manifests import parse_manifest
from robokit_plan.model import Manifest, Needs, VariantName, variant_needs

PARTS = """\
python: {{requires-python: ">={python}", requires: ["{word}>=1"], modules: [{word}]}}
debian: {{packages: ["lib{word}1"]}}
machine:
  groups: [{word}g]
  services: {{start: [{word}-on], stop: [{word}-off]}}
  kernel: {{load: [{word}-mod], block: [{word}-not]}}
  permissions: [{permission}]
  environment: [{{name: TOKEN_{word}, purpose: {word}}}]
  assets: [{{url: "https://files.example/{word}", sha256: "{sha}", bytes: 9, path: {word}, license: MIT}}]
  load: {{memory-mb: {memory}, cpu-percent: {cpu}}}
hardware: {{signals: {{{word}: {{function: input, gpio: any}}}}}}
"""


def parts(word: str, *, permission: str, number: int) -> str:
    return PARTS.format(
        word=word,
        permission=permission,
        sha=f"{number}" * 64,
        python=f"3.1{number}",
        memory=10 * number,
        cpu=number,
    )


def manifest(variant: str) -> Manifest:
    rest = parts("keel", permission="power-off", number=1)
    inner = "".join(f"    {line}\n" for line in variant.splitlines())
    text = f'format: 1\nplugin: lamp\nversion: "1"\n{rest}variants:\n  spi:\n{inner}'
    found, findings = parse_manifest(text, "plugins/lamp/manifest.yaml")
    assert not findings
    assert found is not None
    return found


def lists(needs: Needs) -> list[list[str]]:
    machine = needs.machine
    return [
        [str(one) for one in needs.python.requires],
        [str(one) for one in needs.python.modules],
        [str(one) for one in needs.debian],
        [str(one) for one in machine.groups],
        [str(one) for one in machine.start],
        [str(one) for one in machine.stop],
        [str(one) for one in machine.load],
        [str(one) for one in machine.block],
        [str(one) for one in machine.permissions],
        [str(one.name) for one in machine.environment],
        [str(one.path) for one in machine.assets],
        [str(one.key.name) for one in needs.hardware],
    ]


def test_lists_of_both_are_asked_for_those_of_the_base_first() -> None:
    made = manifest(parts("mast", permission="network-admin", number=2))
    base, both = (
        lists(variant_needs(made, None)),
        lists(variant_needs(made, VariantName("spi"))),
    )
    assert base == lists(made.base)
    for one, all_of_it in zip(base, both, strict=True):
        assert len(one) == 1
        assert len(all_of_it) == 2
        assert all_of_it[0] == one[0] != all_of_it[1]


def test_a_single_value_of_the_variant_goes_before_the_other() -> None:
    made = variant_needs(
        manifest(parts("mast", permission="network-admin", number=2)), VariantName("spi")
    )
    assert str(made.python.requires_python) == ">=3.12"
    assert (made.machine.memory_mb, made.machine.cpu_percent) == (20, 2)


def test_a_single_value_that_the_variant_does_not_give_stays() -> None:
    made = variant_needs(manifest("machine: {groups: [g]}\n"), VariantName("spi"))
    assert str(made.python.requires_python) == ">=3.11"
    assert (made.machine.memory_mb, made.machine.cpu_percent) == (10, 1)
    made = variant_needs(manifest("machine: {load: {memory-mb: 0}}\n"), VariantName("spi"))
    assert (made.machine.memory_mb, made.machine.cpu_percent) == (0, 1)
