"""Step assets: models and data, each with its hash."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from robokit_plan.model import Plan, without_credentials
from robokit_plan.render._wiring_json import asset_path

from ._words import row_function

ASSETS = r"""
# ---- assets: files with their hash ---------------------------------------------------------------

fetch_asset='
import hashlib, http.client, os, sys, urllib.error, urllib.request
url, wanted, size, path = sys.argv[1:]
limit = int(size) or 4_000_000_000
digest, got, part = hashlib.sha256(), 0, path + ".part"
try:
    with urllib.request.urlopen(url, timeout=60) as source, open(part, "wb") as target:
        while block := source.read(1 << 16):
            got += len(block)
            if got > limit:
                print(f"{url} is larger than the {limit} bytes that were planned")
                sys.exit(7)
            digest.update(block)
            target.write(block)
        target.flush()
        os.fsync(target.fileno())
except urllib.error.HTTPError as error:
    print(f"{url} answers {error.code}")
    sys.exit(6 if error.code in (404, 410) else 5)
except (OSError, http.client.HTTPException) as error:
    print(f"{url}: {error}")
    sys.exit(4 if getattr(error, "errno", None) == 28 else 5)
if got < int(size):
    os.remove(part)
    print(f"{url} broke off after {got} of {size} bytes")
    sys.exit(5)
if digest.hexdigest() != wanted:
    os.remove(part)
    print(f"{url} is not the file that was planned: SHA-256 {digest.hexdigest()}, planned {wanted}")
    sys.exit(7)
os.replace(part, path)
'

has_hash() { [ -f "$2" ] && printf '%s  %s\n' "$1" "$2" | sha256sum --check --status; }

# Arguments: address, SHA-256, size in bytes (0: not known), path below the folder.
place_asset() {
  if has_hash "$2" "$home/$4"; then
    if [ "$dry_run" = no ]; then note_ours assets "$4"; fi
    return 0
  fi
  if [ -f "$bundle/assets/$2" ]; then
    if will "copy $4"; then
      has_hash "$2" "$bundle/assets/$2" || fail 7 "$bundle/assets/$2 is not the file that was planned"
      note_ours assets "$4"
      mkdir -p -- "$(dirname -- "$home/$4")"
      cp -- "$bundle/assets/$2" "$home/$4.part"
      sync -- "$home/$4.part"
      mv -f -- "$home/$4.part" "$home/$4"
    fi
    return 0
  fi
  if will "fetch $1"; then
    [ -x "$home/venv/bin/python" ] || fail 1 "run the step venv first"
    clock_ready
    note_ours assets "$4"
    mkdir -p -- "$(dirname -- "$home/$4")"
    result=0
    "$home/venv/bin/python" -I -B -c "$fetch_asset" "$1" "$2" "$3" "$home/$4" || result=$?
    case $result in
      0) ;;
      7) fail 7 "$1 was refused; what stood at $home/$4 before still stands" ;;
      6) fail 6 "$1 is gone from its place; a bundle still has it (robokit-plan card --offline, where it can still be had), or a newer version of the plugin names another file. What stood at $home/$4 before still stands" ;;
      4) fail 4 "no room was left for $1" ;;
      *) fail 5 "$1 could not be fetched; what is there already stays, run this again" ;;
    esac
  fi
}

step_assets() { asset_rows place_asset; }
"""


def assets_step(plan: Plan) -> str:
    """Return the step with address, hash, size and place of each file."""
    rows = [
        (
            without_credentials(one.url),
            one.sha256 or "",
            str(one.size or 0),
            asset_path(one.instance, one.path),
        )
        for one in plan.machine.assets
    ]
    return f"{ASSETS}\n{row_function('asset_rows', rows)}"
