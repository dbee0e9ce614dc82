"""Plans of any shape that a lock file can hold."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from robokit_plan.model import (
    Assignment,
    BootSetting,
    BusName,
    CapabilityName,
    ClaimName,
    InstanceName,
    LineName,
    LineUse,
    PinId,
    Plan,
    PlannedInstance,
    PluginName,
    ResourceName,
)
from tests.render.plans import HERON, deb, sha, wheel

text = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
one_line = st.text(
    st.characters(exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"]), min_size=1, max_size=20
).filter(str.strip)
name = st.from_regex(r"[a-z][a-z0-9]{0,6}(-[a-z0-9]{1,4})?", fullmatch=True)
boot_text = st.from_regex(r"[a-z]{1,8}=[A-Za-z0-9_.,:=+/@*-]{0,8}", fullmatch=True)
setting = (
    text | st.integers(-(2**40), 2**40) | st.booleans() | st.none() | st.floats(allow_nan=False)
)
asked = st.dictionaries(
    st.from_regex(r"[A-Za-z0-9_][A-Za-z0-9_.@-]{0,8}", fullmatch=True),
    st.lists(name.map(InstanceName), max_size=2).map(tuple),
    max_size=3,
).map(lambda found: dict(sorted(found.items())))


@st.composite
def instances(draw: st.DrawFn) -> PlannedInstance:
    own = draw(name)
    known = draw(st.dictionaries(text, setting, max_size=3))
    return PlannedInstance(
        name=InstanceName(own),
        plugin=PluginName(draw(name)),
        version=draw(one_line),
        variant=None,
        settings={key: known[key] for key in sorted(known)},
        behaviour=draw(st.none() | one_line),
        provides=tuple(map(CapabilityName, draw(st.lists(name, max_size=2)))),
        digest=sha(own),
        summary=draw(text),
        license=draw(st.none() | text),
    )


@st.composite
def assignments(draw: st.DrawFn) -> Assignment:
    return Assignment(
        instance=InstanceName(draw(name)),
        claim=ClaimName(draw(one_line)),
        section="i2c",
        resource=ResourceName(draw(one_line)),
        lines=tuple(
            LineUse(
                signal=draw(one_line),
                line=LineName(draw(one_line)),
                position=draw(st.none() | one_line.map(PinId)),
                shared=draw(st.booleans()),
            )
            for _ in range(draw(st.integers(0, 2)))
        ),
        bus=draw(st.none() | one_line.map(BusName)),
        address=draw(st.none() | st.integers(0, 1023)),
        select=draw(st.none() | st.integers(0, 4)),
        device=draw(st.none() | one_line),
        function=draw(text),
        note=draw(text),
    )


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    python = draw(st.dictionaries(name, st.integers(0, 99), max_size=3))
    debian = draw(
        st.dictionaries(
            st.from_regex(r"[a-z0-9][a-z0-9+.-]{1,8}", fullmatch=True),
            st.from_regex(r"([0-9]:)?[0-9][0-9a-z.+~]{0,6}(-[0-9]{1,2})?", fullmatch=True),
            max_size=3,
        )
    )
    digests = draw(st.dictionaries(text, one_line, max_size=2))
    return replace(
        HERON,
        profile=draw(st.none() | name),
        instances=tuple(draw(st.lists(instances(), max_size=3))),
        assignments=tuple(draw(st.lists(assignments(), max_size=3))),
        python=tuple(wheel(one, f"1.{python[one]}") for one in sorted(python)),
        debian=tuple(deb(one, debian[one]) for one in sorted(debian)),
        boot=tuple(
            BootSetting(kind="parameter", text=draw(boot_text), source=draw(text))
            for _ in range(draw(st.integers(0, 2)))
        ),
        machine=replace(HERON.machine, groups=draw(asked), start=draw(asked), stop=draw(asked)),
        digests={key: digests[key] for key in sorted(digests)},
        program=draw(st.none() | st.lists(name, min_size=1, max_size=3).map(" ".join)),
        system_packages=draw(st.booleans()),
    )
