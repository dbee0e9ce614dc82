"""Step debian: packages at exact versions, and what of it preflight asks beforehand."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from collections.abc import Iterable, Iterator

from robokit_plan.model import DebianPin, Plan

from ._tidy import build_tools
from ._words import row_function

DEBIAN = r"""
# ---- debian: packages at exact versions ----------------------------------------------------------

apt_get() {
  DEBIAN_FRONTEND=noninteractive APT_CONFIG="$work/apt/apt.conf" apt-get \
    -o DPkg::Lock::Timeout=300 \
    -o APT::Update::Error-Mode=any \
    -o Acquire::Retries=3 \
    -o Dpkg::Options::=--force-confdef \
    -o Dpkg::Options::=--force-confold \
    "$@" </dev/null
}

from_bundle() { [ -d "$bundle/debian" ]; }

# Puts a text where it is asked for, without a word. Arguments: function, path, mode.
put_text() {
  mkdir -p -- "$(dirname -- "$2")"
  "$1" >"$2"
}

# A configuration of apt of our own: the lists of the system stay as they are, the archives of the
# plan are known at once, and what is refused leaves no trace.
apt_prepare() {
  [ ! -f "$work/apt/apt.conf" ] || return 0
  mkdir -p -- "$work/apt/lists/partial" "$work/apt/sources.list.d" "$work/apt/preferences.d"
  : >"$work/apt/sources.list"
  if ! from_bundle; then
    for name in sources.list.d preferences.d; do
      for file in "/etc/apt/$name"/*; do
        case $file in
          */"robokit-$robot-"*) ;;
          *) if [ -f "$file" ]; then cp -- "$file" "$work/apt/$name/"; fi ;;
        esac
      done
    done
    if [ -f /etc/apt/sources.list ]; then cp -- /etc/apt/sources.list "$work/apt/sources.list"; fi
    for file in /var/lib/apt/lists/*_*; do
      if [ -f "$file" ]; then cp -p -- "$file" "$work/apt/lists/"; fi
    done
    if command -v archive_files >/dev/null; then archive_files put_text "$work/apt"; fi
  fi
  printf '%s "%s";\n' \
    Dir::Etc::sourcelist "$work/apt/sources.list" \
    Dir::Etc::sourceparts "$work/apt/sources.list.d" \
    Dir::Etc::preferencesparts "$work/apt/preferences.d" \
    Dir::State::lists "$work/apt/lists" \
    Dir::Cache::pkgcache "$work/apt/pkgcache" \
    Dir::Cache::srcpkgcache "$work/apt/srcpkgcache" \
    Dir::Log::Planner /dev/null \
    APT::Sandbox::User root >"$work/apt/apt.conf"
  from_bundle || apt_update
}

# A mirror in the middle of its own update answers right a little later.
apt_update() {
  clock_ready
  pauses='5 20 0'
  if [ "$dry_run" = yes ]; then pauses=0; fi
  for pause in $pauses; do
    if apt_get update >"$work/apt/update" 2>&1; then return 0; fi
    if grep -q -e 'NO_PUBKEY' -e 'EXPKEYSIG' -e 'is not signed' -e 'OpenPGP signature' -e 'policy rejected' "$work/apt/update"; then
      cat "$work/apt/update"
      fail 5 "an archive could not be trusted: its key is missing, has run out or is of a kind that this release refuses; ask its maker for a new key, name it under signed-by, and make lock file and script anew. Nothing was changed"
    fi
    sleep "$pause"
  done
  if [ "$dry_run" = yes ]; then
    attention "whether these versions can still be had is not known: the lists of packages could not be fetched"
    apt_known=no
    return 0
  fi
  cat "$work/apt/update"
  fail 5 "the lists of packages could not be fetched. Nothing was changed; try again later, or use a bundle, which needs no network: robokit-plan card --offline"
}

# Arguments: name, version, architecture.
package_line() { printf '%s %s %s\n' "$1" "$2" "$3"; }

# Finds in $work/apt/missing what is absent or has another version, and which of that is newer here.
# dpkg reads all its notes whatever it is asked, so it is asked once.
find_missing() {
  newer=
  mkdir -p -- "$work/apt"
  # shellcheck disable=SC2016  # the format is dpkg's, not the shell's
  dpkg-query -W -f='${db:Status-Status} ${Package} ${Version} ${Architecture}\n' 2>/dev/null |
    sed -n 's/^installed //p' | sort >"$work/apt/present"
  debian_rows package_line | sort | comm -23 - "$work/apt/present" >"$work/apt/missing"
  missing=$(grep -c . "$work/apt/missing") || :
  awk 'FILENAME == ARGV[1] { have[$1 " " $3] = $2; next } ($1 " " $3) in have { print $1, $2, have[$1 " " $3] }' \
    "$work/apt/present" "$work/apt/missing" >"$work/apt/other"
  while read -r name version have; do
    if dpkg --compare-versions "$have" gt "$version"; then newer="$newer $name ($have, planned $version)"; fi
  done <"$work/apt/other"
}

package_word() {
  case $3 in
    "$architecture" | all) printf '%s\n' "$1" ;;
    *) printf '%s:%s\n' "$1" "$3" ;;
  esac
}

# The word that apt is given: a name with its version, or a file of the bundle.
apt_word() {
  if from_bundle; then
    printf '%s\n' "$bundle/debian/$4"
  else
    printf '%s=%s\n' "$(package_word "$@")" "$2"
  fi
}

check_bundled() {
  [ -f "$bundle/debian/$4" ] || fail 6 "the bundle lacks $4: make it anew: robokit-plan card --offline"
  printf '%s  %s\n' "$5" "$bundle/debian/$4" | sha256sum --check --status || fail 7 "$bundle/debian/$4 is not the file that was planned; nothing was changed"
}

# Arguments: as of debian_rows.
package_hash() { printf '%s %s %s %s\n' "$1" "$2" "$3" "$5"; }

# One version has one file: what an archive lists under it must be what was planned. apt holds the
# file itself against that list.
check_listed() {
  while read -r name version arch; do
    printf '%s=%s\n' "$(package_word "$name" "$version" "$arch")" "$version"
  done <"$work/apt/missing" >"$work/apt/asked"
  # shellcheck disable=SC2046  # names with versions
  APT_CONFIG="$work/apt/apt.conf" apt-cache show -- $(cat "$work/apt/asked") 2>/dev/null | awk '
    function told() { if (name != "") print name, version, arch, hash; name = hash = "" }
    /^Package: / { name = $2 }
    /^Version: / { version = $2 }
    /^Architecture: / { arch = $2 }
    /^SHA256: / { hash = $2 }
    /^$/ { told() }
    END { told() }' >"$work/apt/listed"
  debian_rows package_hash >"$work/apt/hashes"
  other=$(awk '{ key = $1 " " $2 " " $3 }
    FILENAME == ARGV[1] { missing[key] = 1; next }
    FILENAME == ARGV[2] { if (NF > 3) { known[key] = 1; listed[$0] = 1 } next }
    (key in missing) && (key in known) && !($0 in listed) { printf " %s=%s", $1, $2 }' \
    "$work/apt/missing" "$work/apt/listed" "$work/apt/hashes")
  [ -z "$other" ] || fail 7 "an archive has another file than the planned one under the same version:$other
  nothing was changed; if it is a build of its maker's that you want: robokit-plan lock --upgrade, then robokit-plan script"
}

is_installed() {
  # shellcheck disable=SC2016
  [ "$(dpkg-query -W -f='${db:Status-Status}' "$1" 2>/dev/null)" = installed ]
}

# Finds in $work/apt/old what an earlier lock brought, this one lacks, and nothing else needs. What
# is nobody's wish is told by apt itself, on a copy of its notes.
find_old() {
  : >"$work/apt/old"
  [ -s "$state/debian" ] || return 0
  debian_rows package_word | sort >"$work/apt/wanted"
  sort -u "$state/debian" | comm -23 - "$work/apt/wanted" >"$work/apt/left"
  : >"$work/apt/spare"
  while read -r name; do
    if is_installed "$name"; then printf '%s\n' "$name" >>"$work/apt/spare"; fi
  done <"$work/apt/left"
  [ -s "$work/apt/spare" ] || return 0
  {
    if [ -f /var/lib/apt/extended_states ]; then cat /var/lib/apt/extended_states; fi
    while read -r name; do
      case $name in
        *:*) printf '\nPackage: %s\nArchitecture: %s\nAuto-Installed: 1\n' "${name%%:*}" "${name#*:}" ;;
        *) printf '\nPackage: %s\nArchitecture: %s\nAuto-Installed: 1\n' "$name" "$architecture" ;;
      esac
    done <"$work/apt/spare"
  } >"$work/apt/extended_states"
  apt_get --simulate -o Dir::State::extended_states="$work/apt/extended_states" \
    -o APT::AutoRemove::RecommendsImportant=false -o APT::AutoRemove::SuggestsImportant=false \
    autoremove 2>/dev/null | sed -n 's/^\(Remv\|Purg\) \([^ ]*\) .*/\2/p' | sort >"$work/apt/unneeded" || :
  sort "$work/apt/spare" | comm -12 - "$work/apt/unneeded" >"$work/apt/old"
  kept=$(sort "$work/apt/spare" | comm -23 - "$work/apt/unneeded" | tr '\n' ' ')
  [ -z "$kept" ] || say "  no longer planned, but something else needs it: $kept"
}

# What a power cut left while it was unpacked; dpkg asks to have it unpacked anew (dpkg(1),
# reinst-required), and apt takes it for installed.
half_unpacked() {
  # shellcheck disable=SC2016
  dpkg-query -W -f='${db:Status-Eflag} ${Package}\n' 2>/dev/null | sed -n 's/^reinstreq //p'
}

# Puts the planned file of a package that was cut off where dpkg finds it. Arguments: as of debian_rows.
half_file() {
  if ! grep -Fqx -e "$1" -- "$work/apt/half"; then return 0; fi
  if from_bundle; then
    ln -s -- "$bundle/debian/$4" "$work/apt/anew/$4"
  else
    # where that fails, fetching all of them tells why
    (cd -- "$work/apt/anew" && apt_get download "$(package_word "$@")=$2" >/dev/null 2>&1) || :
  fi
}

package_name() { printf '%s\n' "$1"; }

# dpkg alone unpacks anew what was cut off, and then goes on where it was. apt cannot: what depends on
# that and was unpacked already it would unpack as well, and has no file of it.
unpack_halves() {
  half_unpacked | sort -u >"$work/apt/halves"
  debian_rows package_name | sort -u | comm -12 - "$work/apt/halves" >"$work/apt/half"
  [ -s "$work/apt/half" ] || return 0
  will "unpack anew what was cut off: $(tr '\n' ' ' <"$work/apt/half")" || return 0
  rm -rf -- "$work/apt/anew"
  mkdir -p -- "$work/apt/anew"
  debian_rows half_file
  # What this script brought begins from nothing: unpacked over itself it would be told that it is
  # upgraded (Debian policy, 6.5), and leave out what it does once.
  set --
  while read -r name; do
    if is_ours debian "$name" && [ -e "$(printf '%s\n' "$work/apt/anew/${name}_"*)" ]; then set -- "$@" "$name"; fi
  done <"$work/apt/half"
  if [ $# -gt 0 ]; then
    DEBIAN_FRONTEND=noninteractive dpkg --force-depends --force-remove-reinstreq --remove -- "$@" </dev/null || :
  fi
  set -- "$work/apt/anew"/*.deb
  [ -e "$1" ] || return 0
  DEBIAN_FRONTEND=noninteractive dpkg --force-confdef --force-confold --unpack -- "$@" </dev/null || :
  DEBIAN_FRONTEND=noninteractive dpkg --force-confdef --force-confold --configure -a </dev/null || :
  find_missing
}

# Arguments: options of apt-get.
debian_install() {
  words=$(debian_rows apt_word)
  words="$words $(sed 's/$/-/' "$work/apt/old")"
  removal=--no-remove
  # what it would take away is told in full by a simulation, and looked at there
  if [ -s "$work/apt/old" ] || [ "${1-}" = --simulate ]; then removal=-oAPT::Get::AutomaticRemove=false; fi
  if [ -n "$(half_unpacked)" ]; then set -- "$@" --reinstall; fi
  downgrade=--yes
  if [ "$allow_downgrade" = yes ]; then downgrade=--allow-downgrades; fi
  # shellcheck disable=SC2086  # names, versions and paths without blanks, checked when they were written
  apt_get "$@" install --yes --no-install-recommends "$removal" "$downgrade" -- $words
}

# Every file before any is unpacked, so that a network which goes away changes nothing.
debian_fetch() {
  rm -f -- "$work/apt/unfetched"
  { debian_install --download-only 2>&1 || : >"$work/apt/unfetched"; } | tee -- "$work/apt/fetched" |
    sed -n -e '/^\(Get\|Err\|E\|W\):/p' -e '/^Fetched /p' # the rest is told while installing
  [ -e "$work/apt/unfetched" ] || return 0
  fail_if_full
  if grep -q -e 'enough free space' -e 'No space left' "$work/apt/fetched"; then
    fail 4 "no room is left for the Debian packages; nothing was changed"
  elif grep -q -e 'Hash Sum mismatch' -e 'unexpected size' "$work/apt/fetched"; then
    fail 7 "a Debian package is not the file that its archive lists; nothing was changed; its mirror may be in the middle of an update: try again later"
  elif grep -q -e ' 404 ' -e 'File not found' "$work/apt/fetched"; then
    no_such_version "an archive lists a planned version and has its file no more, see above"
  fi
  fail 5 "not every Debian package could be fetched. Nothing was changed and what was fetched is kept: run this again, or use a bundle, which needs no network: robokit-plan card --offline"
}

# Ends a run in which apt gave up. While another program holds the lock, that was the reason.
apt_failed() {
  if apt_get -o DPkg::Lock::Timeout=0 check 2>&1 | grep -q 'Could not get lock'; then
    fail 8 "another program is installing; wait until it is done, then run this again"
  fi
  fail_or_full 1 "apt could not finish; mend what it says above and run this again"
}

# What the person at the keyboard can do about a version that cannot be had. Argument: sentence.
no_such_version() {
  fail 6 "$1
  nothing was changed; one of these helps:
  - a bundle that holds every file: robokit-plan card --offline, where the versions can still be had
  - a dated archive: system: {snapshot: ADDRESS} in the robot file, then robokit-plan lock, robokit-plan script
  - a new lock file: robokit-plan lock --upgrade, then robokit-plan script"
}

# dpkg left half way by a power cut; without this every later step fails.
dpkg_repair() {
  # shellcheck disable=SC2016
  half=$(dpkg-query -W -f='${db:Status-Status}\n' 2>/dev/null | grep -c -x -e half-installed -e half-configured -e unpacked -e triggers-awaited -e triggers-pending) || :
  if [ "${half:-0}" -eq 0 ] && [ -z "$(ls -A /var/lib/dpkg/updates 2>/dev/null)" ]; then return 0; fi
  will "finish what dpkg was interrupted in" || return 0
  tries=0
  until DEBIAN_FRONTEND=noninteractive dpkg --force-confdef --force-confold --configure -a >"$work/dpkg" 2>&1 </dev/null; do
    tries=$((tries + 1))
    if ! grep -q -e 'lock' "$work/dpkg"; then break; fi
    [ "$tries" -lt 60 ] || fail 8 "another program holds the lock of dpkg; wait until it is done"
    sleep 5
  done
  cat "$work/dpkg"
}

# Everything that apt could refuse is asked before the first change.
preflight_packages() {
  if [ -n "$only" ] && [ "$only" != debian ]; then return 0; fi
  dpkg_repair
  find_missing
  if [ -n "$newer" ] && [ "$allow_downgrade" = no ]; then
    no_such_version "newer than planned on this machine, perhaps for its security:$newer
  (--allow-downgrade puts the planned, older versions in their place)"
  fi
  if [ "$missing" -eq 0 ]; then return 0; fi
  if from_bundle; then
    debian_rows check_bundled
    apt_prepare
  else
    apt_prepare
    [ "$apt_known" = yes ] || return 0
    # shellcheck disable=SC2046  # names
    APT_CONFIG="$work/apt/apt.conf" apt-cache madison $(cut -d ' ' -f 1 "$work/apt/missing") 2>/dev/null |
      awk -F '|' '{ gsub(/ /, "", $1); gsub(/ /, "", $2); print $1 " " $2 }' >"$work/apt/offered"
    gone=$(while read -r name version rest; do
      grep -Fqx -e "$name $version" "$work/apt/offered" || printf ' %s=%s' "$name" "$version"
    done <"$work/apt/missing")
    [ -z "$gone" ] || no_such_version "these exact versions are in no archive that is known here any more:$gone"
    check_listed
  fi
  find_old
  if ! debian_install --simulate >"$work/apt/simulated" 2>&1; then
    cat "$work/apt/simulated"
    from_bundle && fail 6 "apt cannot install the files of the bundle on this machine; nothing was changed
  where it lacks what most images hold, run this again with a network and without the bundle: ROBOT_BUNDLE=/none sh $0
  or plan for this very machine: copy its /var/lib/dpkg/status beside the robot file, system: {base: status}, then robokit-plan lock, robokit-plan card --offline"
    no_such_version "apt cannot install these versions together on this machine"
  fi
  others=$(sed -n 's/^\(Remv\|Purg\) \([^ ]*\) .*/\2/p' "$work/apt/simulated" | sort | comm -23 - "$work/apt/old" | tr '\n' ' ')
  [ -z "$others" ] || fail 1 "the plan excludes what is on this machine and was not brought by this script: $others
  nothing was changed; if it is not needed, run this again after: sudo apt-get remove $others"
}

# What a removed package leaves goes as well; settings that a person changed and data are copied
# first. Argument: package.
purge_leftover() {
  # shellcheck disable=SC2016
  [ "$(dpkg-query -W -f='${db:Status-Status}' "$1" 2>/dev/null)" = config-files ] || return 0
  for file in "/var/lib/dpkg/info/${1%%:*}".postrm "/var/lib/dpkg/info/${1%%:*}":*.postrm; do
    [ -f "$file" ] || continue
    grep -o -e '/var/lib/[A-Za-z0-9_][A-Za-z0-9_./-]*' -e '/var/spool/[A-Za-z0-9_][A-Za-z0-9_./-]*' -e '/srv/[A-Za-z0-9_][A-Za-z0-9_./-]*' "$file" | sort -u >"$work/apt/data" || :
    while read -r path; do
      case $path in
        /var/lib/dpkg/* | /var/lib/systemd/* | /var/lib/ucf/* | /var/lib/apt/* | */..*) continue ;;
      esac
      if [ -n "$(find "$path" -type f -size +0 2>/dev/null | head -n 1)" ]; then keep_copy "${path%/}"; fi
    done <"$work/apt/data"
  done
  # shellcheck disable=SC2016
  dpkg-query -W -f='${Conffiles}\n' "$1" >"$work/apt/conffiles"
  while read -r file sum rest; do
    if [ -f "$file" ] && [ "$(md5sum <"$file" | cut -d ' ' -f 1)" != "$sum" ]; then keep_copy "$file"; fi
  done <"$work/apt/conffiles"
  printf '%s\n' "$1" >>"$work/apt/purge"
}

step_debian() {
  find_missing
  apt_prepare_local
  unpack_halves
  find_old
  if [ "$missing" -eq 0 ] && [ -s "$work/apt/old" ]; then keep_needed; fi
  if [ "$missing" -eq 0 ] && [ ! -s "$work/apt/old" ]; then
    forget_absent
    say "  every package is there"
    return 0
  fi
  if [ "$missing" -gt 0 ]; then will "install $(counted "$missing" 'Debian package')" || tell_new "$work/apt/present" "$work/apt/missing"; fi
  if [ -s "$work/apt/old" ]; then
    will "remove Debian packages that are not needed any more: $(tr '\n' ' ' <"$work/apt/old")" || :
  fi
  [ "$dry_run" = no ] || return 0
  while read -r name version arch; do package_word "$name" "$version" "$arch"; done <"$work/apt/present" | sort >"$work/apt/before"
  while read -r name version arch; do package_word "$name" "$version" "$arch"; done <"$work/apt/missing" |
    sort | comm -23 - "$work/apt/before" >"$work/apt/new"
  if [ -s "$work/apt/new" ]; then note_lines debian "$work/apt/new"; fi
  if [ "$missing" -gt 0 ]; then
    from_bundle || debian_fetch
    debian_install || apt_failed
  else
    # shellcheck disable=SC2046  # names
    apt_get remove --yes -o APT::Get::AutomaticRemove=false -- $(cat "$work/apt/old") || apt_failed
  fi
  find_missing
  [ "$missing" -eq 0 ] || fail 1 "$(counted "$missing" package) of the plan is not there as planned"
  : >"$work/apt/purge"
  while read -r name; do purge_leftover "$name"; done <"$work/apt/old"
  # shellcheck disable=SC2046  # names
  if [ -s "$work/apt/purge" ]; then apt_get --yes purge -- $(cat "$work/apt/purge"); fi
  forget_absent
}

# Leaves everything where taking the old away would take away what is not ours.
keep_needed() {
  # shellcheck disable=SC2046  # names
  apt_get --simulate remove -o APT::Get::AutomaticRemove=false -- $(cat "$work/apt/old") >"$work/apt/simulated" 2>&1 || :
  others=$(sed -n 's/^\(Remv\|Purg\) \([^ ]*\) .*/\2/p' "$work/apt/simulated" | sort | comm -23 - "$work/apt/old" | tr '\n' ' ')
  if [ -n "$others" ]; then
    say "  no longer planned, but $others would go as well: $(tr '\n' ' ' <"$work/apt/old")"
    : >"$work/apt/old"
  fi
}

# A configuration for what needs no archive; none where there is one already.
apt_prepare_local() {
  [ ! -f "$work/apt/apt.conf" ] || return 0
  mkdir -p -- "$work/apt"
  printf 'Dir::Cache::pkgcache "%s";\nDir::Cache::srcpkgcache "";\nDir::Log::Planner "/dev/null";\n' "$work/apt/pkgcache" >"$work/apt/apt.conf"
}

# Forgets what is no longer installed and no longer planned.
forget_absent() {
  if [ "$dry_run" = yes ] || [ ! -s "$state/debian" ]; then return 0; fi
  debian_rows package_word | sort >"$work/apt/wanted"
  sort -u "$state/debian" | comm -23 - "$work/apt/wanted" >"$work/apt/left"
  while read -r name; do
    if ! is_installed "$name"; then forget_ours debian "$name"; fi
  done <"$work/apt/left"
}
"""


def debian_step(plan: Plan) -> str:
    """
    Return the step with name, version, architecture, file and hash of each package.

    Where some are for builds alone, `TIDY` decides whether they belong to `debian_rows` now.
    """
    tools = build_tools(plan)

    def rows(pins: Iterable[DebianPin]) -> Iterator[tuple[str, ...]]:
        return (
            (pin.name, pin.version, pin.architecture, deb_name(pin), pin.sha256) for pin in pins
        )

    if not tools:
        return f"{DEBIAN}\n{row_function('debian_rows', rows(plan.debian))}"
    run = row_function("debian_run_rows", rows(pin for pin in plan.debian if pin not in tools))
    return f"{DEBIAN}\n{run}\n{row_function('debian_build_rows', rows(tools))}"


def deb_name(pin: DebianPin) -> str:
    """Return what a bundle calls the file of *pin*."""
    return pin.filename.rpartition("/")[2]
