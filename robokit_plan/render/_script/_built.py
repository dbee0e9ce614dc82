"""
What is built on the board is kept, by what it was built from, and taken from there again.

A wheel stands in ``built/KEY`` of the robot's folder, or of a bundle, beside its SHA-256. The key
holds all that the wheel follows from; the SHA-256 tells damage, not who made it.
"""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

import hashlib
import json

from packaging.version import InvalidVersion, Version

from robokit_plan.model import Plan, PythonPin, SourceBuild

from ._pip_lines import by_index, index_option, pip_install, requirements
from ._words import row_function, sh_quote

BUILT = r"""
# ---- built: what is built here is kept, so that it is built once ---------------------------------

# Source archives, as told: built before, still to be built, kept and damaged since; and the folder of
# a bundle that is damaged.
builds_sorted=no
ready=
to_build=
spoilt=
refused=

# Whether a file is named as a wheel of this name and version. Arguments: file name, name, version.
is_wheel_of() {
  case $1 in
    -* | *[!A-Za-z0-9._+!-]*) return 1 ;;
    *-*-*-*-*.whl) ;;
    *) return 1 ;;
  esac
  printf '%s\n' "$1" | awk -F - -v name="$2" -v version="$3" '
    { gsub(/[-_.]+/, "-", $1); exit !(tolower($1) == name && $2 "" == version "") }'
}

# Finds a kept wheel: the only one under its key, no link, named as it must be, with the SHA-256 that
# was written down with it. Arguments: folder of all keys, name, version, key. Leaves wheel, sum, and
# damaged=yes where something stands there that is not this.
kept_wheel() {
  damaged=no
  if [ ! -e "$1/$4" ] && [ ! -L "$1/$4" ]; then return 1; fi
  damaged=yes
  if [ -L "$1/$4" ] || [ -L "$1/$4/SHA256SUMS" ] || [ ! -f "$1/$4/SHA256SUMS" ]; then return 1; fi
  set -- "$@" "$1/$4"/*.whl
  if [ $# -ne 5 ] || [ -L "$5" ] || [ ! -f "$5" ]; then return 1; fi
  is_wheel_of "${5##*/}" "$2" "$3" || return 1
  sum=$(sha256sum <"$5" | cut -c 1-64)
  # the whole file is held against what it must say, so nothing that it says is believed
  printf '%s  %s\n' "$sum" "${5##*/}" | cmp -s - "$1/$4/SHA256SUMS" || return 1
  wheel=$5
  damaged=no
}

# Arguments: name, version, file, key.
sort_build() {
  if kept_wheel "$home/built" "$1" "$2" "$4"; then
    ready="$ready, $1 $2"
    return 0
  fi
  if [ "$damaged" = yes ]; then spoilt="$spoilt, $1 $2"; fi
  if kept_wheel "$bundle/built" "$1" "$2" "$4"; then
    ready="$ready, $1 $2"
    return 0
  fi
  if [ "$damaged" = yes ]; then refused=$bundle/built/$4; fi
  to_build="$to_build, $1 $2"
}

sort_builds() {
  [ "$builds_sorted" = no ] || return 0
  builds_sorted=yes
  source_rows sort_build
}

something_to_build() {
  sort_builds
  [ -n "$to_build" ]
}

# Says what will be built here and what was built before; nothing is changed yet.
tell_builds() {
  sort_builds
  [ -z "$refused" ] || fail 7 "$refused does not hold the wheel that was carried; nothing was changed: copy the bundle anew, or delete that folder, and it is built here"
  [ -z "$spoilt" ] || say "  kept, but damaged since: ${spoilt#, }"
  [ -z "$ready" ] || say "  built before: ${ready#, }"
  [ -n "$to_build" ] || return 0
  say "  to be built here: ${to_build#, }"
  memory=$(awk '/^(MemTotal|SwapTotal):/ { total += $2 } END { print total + 0 }' /proc/meminfo 2>/dev/null) || memory=0
  if [ "$memory" -gt 0 ] && [ "$memory" -lt 900000 ]; then
    attention "something is compiled here, and $((memory / 1000)) MB of memory and swap are little for it; if a build is killed, add swap and run this again"
  fi
}
"""

MAKE = r"""
# Keeps a wheel, whole or not at all. Arguments: file, key, SHA-256 that it must have ("": any).
# Leaves wheel and sum.
keep_wheel() {
  mkdir -p -- "$home/built"
  rm -rf -- "$home/built/$2.new" "$home/built/$2"
  mkdir -- "$home/built/$2.new"
  wheel=$home/built/$2.new/${1##*/}
  cp -- "$1" "$wheel"
  chmod 644 -- "$wheel"
  sum=$(sha256sum <"$wheel" | cut -c 1-64)
  [ "$sum" = "${3:-$sum}" ] || fail 7 "$1 read otherwise the second time: copy the bundle anew; the robot is as it was before"
  printf '%s  %s\n' "$sum" "${1##*/}" >"$home/built/$2.new/SHA256SUMS"
  sync -- "$wheel" "$home/built/$2.new/SHA256SUMS"
  mv -T -- "$home/built/$2.new" "$home/built/$2"
  wheel=$home/built/$2/${1##*/}
}

# Builds one source archive, each by itself, so that a pulled plug costs one of them at the most.
# Arguments: name, version, file, key, number of the build. Leaves wheel and sum.
build_wheel() {
  if [ ! -d "$work/build" ]; then build_environment; fi
  say "  build $1 $2"
  rm -rf -- "$work/made"
  "build_$5"
  set -- "$@" "$work/made"/*.whl
  if [ $# -ne 6 ] || [ ! -f "$6" ]; then fail 1 "building $3 gave no wheel; the robot is as it was before"; fi
  if is_wheel_of "${6##*/}" "$1" "$2"; then
    keep_wheel "$6" "$4" ""
  else
    say "  it is not kept, since its name says something else: ${6##*/}"
    sum=$(sha256sum <"$6" | cut -c 1-64)
    wheel=$work/wheels/${6##*/}
    mv -- "$6" "$wheel"
  fi
}

# Puts the wheel of one source archive among those to install. Arguments: as of build_wheel.
take_wheel() {
  if ! kept_wheel "$home/built" "$1" "$2" "$4"; then
    if kept_wheel "$bundle/built" "$1" "$2" "$4"; then
      keep_wheel "$wheel" "$4" "$sum"
    else
      build_wheel "$@"
    fi
  fi
  if [ "$wheel" != "$work/wheels/${wheel##*/}" ]; then ln -s -- "$wheel" "$work/wheels/"; fi
  printf '%s==%s --hash=sha256:%s\n' "$1" "$2" "$sum" >>"$work/built.txt"
}
"""

EPOCH = 315_532_800
"""
1 January 1980, in seconds since 1970: the first day that a wheel, a ZIP archive, can hold.

Source: reproducible-builds.org, "SOURCE_DATE_EPOCH specification" 1.1; APPNOTE.TXT 6.3.10, 4.4.6.
"""


def source_builds(plan: Plan) -> tuple[SourceBuild, ...]:
    """Return what is built on the board, sorted by name."""
    return tuple(
        SourceBuild(
            name=pin.name,
            version=_plain_version(pin.version),
            filename=pin.file.filename,
            key=_key(pin, plan),
        )
        for pin in _sources(plan)
    )


def built_parts(plan: Plan) -> list[str]:
    """Return the functions of the script that build, and what tells what is built."""
    rows = [
        (one.name, one.version, one.filename, one.key, str(at))
        for at, one in enumerate(source_builds(plan))
    ]
    if not rows:
        return []
    parts = [BUILT.lstrip("\n"), row_function("source_rows", rows), MAKE.lstrip("\n")]
    tools = ['  TMPDIR="$work" "$python" -m venv "$work/build"']
    for at, (index, pins) in enumerate(by_index(plan.build).items()):
        for kind, some, option in (
            ("wheels", [pin for pin in pins if pin.is_wheel], "--only-binary :all: "),
            ("sdists", [pin for pin in pins if not pin.is_wheel], "--no-build-isolation "),
        ):
            if some:
                name = f"build_{kind}_{at}"
                parts.append(requirements(name, some, plan))
                tools += pip_install("$work/build", name, option, index, plan)
    parts.append(
        "# What has no wheel is built apart, so that no build tool stays with the robot.\n"
        "build_environment() {\n" + "\n".join(tools) + "\n}\n"
    )
    for at, pin in enumerate(_sources(plan)):
        parts += [requirements(f"sdist_{at}", [pin], plan), _build(at, pin, plan)]
    return parts


def taking_lines() -> list[str]:
    """Return the lines that install what was built."""
    return [
        '  mkdir -p -- "$work/wheels"',
        '  : >"$work/built.txt"',
        "  source_rows take_wheel",
        '  pip_of "$new" install --no-deps --no-index --require-hashes '
        '--find-links "$work/wheels" -r "$work/built.txt"',
    ]


def _sources(plan: Plan) -> list[PythonPin]:
    return sorted((pin for pin in plan.python if not pin.is_wheel), key=lambda pin: pin.name)


def _build(at: int, pin: PythonPin, plan: Plan) -> str:
    """Return the function that builds *pin*; pip's own kept builds know no build requirements."""
    exports = [
        f"    export {name}={sh_quote(value)}"
        for name, value in (
            ("SOURCE_DATE_EPOCH", str(EPOCH)),
            *plan.build_environment.get(pin.name, ()),
        )
    ]
    return "\n".join(
        [
            f"build_{at}() {{",
            f'  requirements sdist_{at} >"$work/sdist_{at}.txt"',
            "  # a subshell, so that the variables end with this build",
            "  (",
            *exports,
            f'    pip_of "$work/build" wheel{index_option(pin.file.index, plan)} --no-deps '
            "--require-hashes --no-build-isolation --no-cache-dir \\",
            f'      --wheel-dir "$work/made" -r "$work/sdist_{at}.txt"',
            "  ) || exit $?",
            "}",
            "",
        ]
    )


def _key(pin: PythonPin, plan: Plan) -> str:
    """
    Return what names the wheel of *pin*: all that it follows from.

    The board is among it, since some builds ask for all that the processor at hand can do, and the
    image, since Debian's armhf and a maker's are compiled for different processors. Of Debian's
    packages only those of declared archives are: within a release, interfaces stay.
    """
    target = plan.target
    declared = {one.name for one in plan.sources if not one.dated}
    state = [
        pin.file.sha256,
        [target.python, target.architecture, target.release, target.image, plan.board],
        sorted([one.name, one.version, one.file.sha256] for one in plan.build),
        sorted(
            [one.name, one.version, one.sha256]
            for one in plan.debian
            if one.name in plan.debian_build and one.source in declared
        ),
        [list(pair) for pair in plan.build_environment.get(pin.name, ())],
    ]
    return hashlib.sha256(json.dumps(state).encode()).hexdigest()[:16]


def _plain_version(version: str) -> str:
    """Return *version* as the name of a wheel has it (PyPA, "Binary distribution format")."""
    try:
        return str(Version(version))
    except InvalidVersion:
        return version
