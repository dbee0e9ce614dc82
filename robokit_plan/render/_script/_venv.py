"""Step venv: a virtual environment, each package with its hash."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator

from robokit_plan.model import Plan, PythonPin, without_credentials

from ._built import built_parts, taking_lines
from ._pip_lines import by_index, pip_install, requirement, requirements
from ._words import here_document, row_function

VENV = r"""
# ---- venv: Python packages, each with its hash ---------------------------------------------------

# Prints name and version of everything in a virtual environment.
list_python='
import sys, sysconfig
from importlib.metadata import distributions
found = {(d.metadata["Name"], d.version) for d in distributions(path=[sysconfig.get_path("purelib")])}
print("\n".join(sorted(" ".join(one) for one in found)))
'

# Whether the environment was finished and nobody has changed its packages since.
venv_ready() {
  [ -f "$1/.complete" ] || return 1
  "$1/bin/python" -I -B -c "$list_python" 2>/dev/null | cmp -s - "$1/.complete"
}

# Says what would differ from the environment in use; what makes the environment itself is not told.
tell_python() {
  : >"$work/have"
  if [ -r "$home/venv/.complete" ]; then
    awk '{ gsub(/[-_.]+/, "-", $1); print tolower($1), $2 }' "$home/venv/.complete" >"$work/have"
  fi
  python_pins >"$work/pins"
  tell_new "$work/have" "$work/pins"
  awk 'FILENAME == ARGV[1] { planned[$1] = 1; next }
    !($1 in planned) && $1 != "pip" && $1 != "setuptools" { print "    without " $1 " " $2 }' "$work/pins" "$work/have"
}

# Before anything is changed: what is built, every file of a bundle, or an index that answers.
preflight_python() {
  if [ -n "$only" ] && [ "$only" != venv ]; then return 0; fi
  if venv_ready "$home/venvs/$venv_id"; then return 0; fi
@TELL@  if [ -d "$bundle/python" ]; then
    python_files check_wheel
  else
    python_indexes check_index
  fi
}

# Arguments: file name, SHA-256.
check_wheel() {
  [ -f "$bundle/python/$1" ] || fail 6 "the bundle lacks $1: make it anew: robokit-plan card --offline"
  printf '%s  %s\n' "$2" "$bundle/python/$1" | sha256sum --check --status || fail 7 "$bundle/python/$1 is not the file that was planned; nothing was changed"
}

# Arguments: address in the lock file ("": not known), one of its distributions, default for the
# index that pip is configured for.
check_index() {
  address=$1
  if [ "${3-}" = default ]; then
    address=${PIP_INDEX_URL:-$(sed -n 's/^[[:blank:]]*index[-_]url[[:blank:]]*[=:][[:blank:]]*//p' /etc/pip.conf "${HOME:-/root}/.config/pip/pip.conf" 2>/dev/null | tail -n 1)}
    address=${address:-$1}
  fi
  case $address in
    http://* | https://*) ;;
    *) return 0 ;; # a folder, or not known
  esac
  clock_ready
  # whether it answers can be asked without the password that an address may hold
  address=$(printf '%s\n' "$address" | sed 's|//[^/@]*@|//|')
  if answers "${address%/}/$2/"; then return 0; fi
  if [ "$dry_run" = yes ]; then
    attention "the Python index $address could not be reached from here"
    return 0
  fi
  fail 5 "the Python index $address could not be reached. Nothing was changed; try again later, or use a bundle, which needs no network: robokit-plan card --offline"
}

# Whether an address can be reached; what else its server has to say is for pip to judge. apt's own
# tool asks, since there may be no Python yet; the proxies of apt are not those of pip. Argument:
# address.
answers() {
  mkdir -p -- "$work/asked"
  printf 'Dir::Etc::main "/dev/null";\nDir::Etc::parts "%s";\nAPT::Sandbox::User "root";\nAcquire::Retries "1";\n' "$work/asked" >"$work/asked.conf"
  if APT_CONFIG="$work/asked.conf" https_proxy="${https_proxy:-${HTTPS_PROXY:-}}" http_proxy="${http_proxy:-${HTTP_PROXY:-}}" \
    /usr/lib/apt/apt-helper download-file "$1" "$work/asked.page" >"$work/asked.log" 2>&1; then
    return 0
  fi
  ! grep -q -e 'resolv' -e 'Could not connect' -e 'Unable to connect' -e 'onnection timed out' -e 'onnection refused' -e 'Cannot initiate the connection' -e 'Network is unreachable' "$work/asked.log"
}

# pip of one environment. Arguments: environment, then pip's own.
pip_of() {
  environment=$1
  shift
  if [ -d "$bundle/python" ]; then
    set -- "$@" --no-index --find-links "$bundle/python"
  fi
  rm -f -- "$work/pip.log"
  jobs=
  if [ "$(awk '/^MemTotal:/ { print $2 }' /proc/meminfo)" -lt 1500000 ]; then jobs=-j1; fi
  if PATH="$environment/bin:$PATH" TMPDIR="$work" MAKEFLAGS="$jobs" "$environment/bin/python" -I -m pip \
    --disable-pip-version-check --no-input --log "$work/pip.log" "$@" </dev/null; then
    return 0
  fi
  if grep -q 'DO NOT MATCH THE HASHES' "$work/pip.log"; then
    fail 7 "a Python package is not the file that was planned; the robot is as it was before"
  elif grep -q -e 'No space left' -e 'Errno 28' "$work/pip.log"; then
    fail 4 "no room was left for the Python packages; the robot is as it was before"
  elif grep -q -e 'No matching distribution' -e 'Could not find a version' "$work/pip.log" &&
    ! grep -q -e 'connection' -e 'NewConnectionError' -e 'timed out' "$work/pip.log"; then
    fail 6 "a planned Python package is gone from its index; a bundle still has it (robokit-plan card --offline), or make the lock file anew: robokit-plan lock --upgrade"
  elif grep -q -e 'onnection' -e 'timed out' -e 'SSLError' -e 'ProxyError' "$work/pip.log"; then
    fail 5 "the Python index could not be reached; the robot is as it was before, run this again"
  fi
  fail_or_full 1 "pip could not finish; the robot is as it was before, run this again"
}

# Prints the requirements that a function holds; with a bundle, addresses become its files.
requirements() {
  if [ -d "$bundle/python" ]; then
    "$1" | sed "s| @ [^ ]*/\([^/ ]*\) | @ file://$bundle/python/\1 |"
  else
    "$1"
  fi
}

step_venv() {
  new=$home/venvs/$venv_id
  if ! venv_ready "$new"; then
    if will "make the virtual environment $new"; then
      python=$(command -v "python$python_version") || fail 1 "python$python_version is not here; run the step debian first"
      "$python" -c 'import ensurepip, venv' || fail 1 "python$python_version cannot make virtual environments; install python3-venv"
      [ -d "$bundle/python" ] || clock_ready
      mkdir -p -- "$home/venvs"
      # its scripts name their own path, so it is made where it will stand; one that was finished
      # once comes back where this does not succeed
      if [ -f "$new/.complete" ]; then
        rm -rf -- "$new.before"
        mv -T -- "$new" "$new.before"
      fi
      rm -rf -- "$new"
      venv_make
      "$new/bin/python" -I -B -c "$list_python" >"$work/complete"
      sync
      mv -f -- "$work/complete" "$new/.complete"
      rm -rf -- "$new.before"
    else
      tell_python
    fi
  else
    say "  the virtual environment is complete"
  fi

  old=$(readlink -- "$home/venv") || old=
  if [ "$old" != "venvs/$venv_id" ]; then
    if [ -e "$home/venv" ] && [ ! -L "$home/venv" ]; then
      fail 1 "$home/venv is in the way: it was not made by this script"
    fi
    if will "use it from now on"; then
      ln -sfn -- "venvs/$venv_id" "$home/venv.new"
      mv -fT -- "$home/venv.new" "$home/venv"
    fi
  fi
}
"""


def venv_step(plan: Plan) -> str:
    """Return the step: wheels index by index, then what was built from sdists."""
    site = " --system-site-packages" if plan.system_packages else ""
    everything = {pin.file.filename: pin for pin in (*plan.build, *plan.python)}
    files = [(name, pin.file.sha256 or "") for name, pin in sorted(everything.items())]
    compiles = any(not pin.is_wheel for pin in plan.python)
    parts = [
        VENV.replace("@TELL@", "  tell_builds\n" if compiles else ""),
        row_function("python_files", files),
        here_document("python_pins", "".join(f"{pin.name} {pin.version}\n" for pin in plan.python)),
        row_function("python_indexes", _asked(everything.values(), plan)),
        *built_parts(plan),
    ]
    make = [f'  TMPDIR="$work" "$python" -m venv{site} "$new"']
    wheels = by_index([pin for pin in plan.python if pin.is_wheel])
    for at, (index, pins) in enumerate(wheels.items()):
        name = f"wheels_{at}"
        parts.append(requirements(name, pins, plan))
        make += pip_install("$new", name, "--only-binary :all: ", index, plan)
    if compiles:
        make += taking_lines()
    parts.append("venv_make() {\n" + "\n".join(make) + "\n}\n")
    return "\n".join(parts)


def venv_id(plan: Plan) -> str:
    """Return what names one state of the virtual environment."""
    state = [
        plan.target.python,
        str(plan.system_packages),
        *(requirement(pin, plan) for pin in (*plan.python, *plan.build)),
        *(
            f"{name} {key}={value}"
            for name in sorted(plan.build_environment)
            for key, value in plan.build_environment[name]
        ),
    ]
    return hashlib.sha256("\n".join(state).encode()).hexdigest()[:16]


def _asked(pins: Iterable[PythonPin], plan: Plan) -> Iterator[tuple[str, ...]]:
    """Yield the address of each index in use, one distribution of it, and which is pip's own."""
    for index, some in by_index(pins).items():
        address = plan.indexes.get(index, "")
        first = min(pin.name for pin in some)
        if index == "default":
            yield without_credentials(address), first, "default"
        elif address:
            yield without_credentials(address), first
