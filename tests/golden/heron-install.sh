#!/bin/sh
# Sets up the robot heron on raspberrypi,4-model-b, debian-13, arm64.
# Made by robokit-plan from pylock.heron.toml, SHA-256 0c030586945fe504b604ecc2e875c38ede400cd5cd73da9730302162e6b02c6f;
# change the robot file and make it anew rather than edit it.
#
# Look first: sh install.sh --dry-run. Then: sudo sh install.sh. All options: --help.
# What it says is kept in /opt/heron/install.log, the run before it beside.
#
# Each step looks first and changes only what differs, so it may run again at any time,
# after a pulled plug as well:
#   preflight    is this the machine that the plan was made for?
#   sources      1 archive beside those of the system, with keys
#   debian       4 Debian packages at exact versions (103 kB to fetch)
#   venv         a virtual environment with 3 Python packages, each checked by its hash
#   groups       the user of the program and its groups
#   udev         rules that name and open devices
#   services     services that must run or must not
#   kernel       kernel modules to load or to keep out
#   permissions  narrow rights of the program
#   boot         settings of the firmware and the kernel
#   assets       1 file of models or data, each checked by its hash
#   wiring       wiring.json, which the program reads at start
#   secrets      a file for secrets, to be filled in by hand
#   program      a service that starts the program
#   remove       what an earlier lock brought and this one does not need
#   tidy         packages that only builds need, if they were sent away
#   test         does what the plugins import come up?
#
# CAUTION
#   motion (helm): parts move by themselves, at start too: keep people and fingers clear, lift wheels and blades off, and have a switch at hand that cuts motor power without software
#   local codes, the data sheet of each part and licensed practice come before what stands here

set -eu
umask 022
LC_ALL=C
# The system's own programs, whatever the caller's settings lead to.
PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
export LC_ALL PATH
unset CDPATH DPKG_ROOT DPKG_ADMINDIR DPKG_FORCE GREP_OPTIONS PYTHONHOME PYTHONPATH PYTHONPLATLIBDIR PYTHONUSERBASE PIP_TARGET PIP_PREFIX PIP_ROOT PIP_USER PIP_PYTHON PIP_REQUIREMENT PIP_CONSTRAINT PIP_REQUIRE_VIRTUALENV PIP_DRY_RUN PIP_ONLY_BINARY PIP_NO_BINARY PIP_IGNORE_INSTALLED PIP_NO_DEPS

# ---- what the lock file says ---------------------------------------------------------------------

# shellcheck disable=SC2034  # a plan need not use all of them
{
  robot='heron'
  board='raspberrypi,4-model-b'
  release='debian-13'
  architecture='arm64'
  python_version='3.13'
  venv_id='80a2a24b4853b514'
  need_kb=136729
  autostart=no
  lingers=yes
  newest=1772360430
  lock_sha256='0c030586945fe504b604ecc2e875c38ede400cd5cd73da9730302162e6b02c6f'
  steps='preflight sources debian venv groups udev services kernel permissions boot assets wiring secrets program remove tidy test'
}

# ---- what may be set from outside ----------------------------------------------------------------

home=${ROBOT_HOME:-/opt/heron}
user=${ROBOT_USER:-robot}
code=${ROBOT_CODE:-$(cd -- "$(dirname -- "$0")" && pwd -P)}
bundle=${ROBOT_BUNDLE:-$code/packages}

state=$home/state
dry_run=no
allow_downgrade=no
apt_known=yes
told=no
only=
changes=0
notes=
work=
tee_pid=

usage() {
  cat <<'END'
usage: sh install.sh [--dry-run] [--only STEP] [--drop-build-tools]   sets up the robot heron

  --dry-run           say what would change on this machine, change nothing
  --only STEP         do one step, after preflight
  --allow-downgrade   put planned versions in the place of newer ones
  --drop-build-tools  once all is built, remove what only builds need; they come back by
                      themselves while something new is built, or with --keep-build-tools

steps, in this order:
  preflight    is this the machine that the plan was made for?
  sources      1 archive beside those of the system, with keys
  debian       4 Debian packages at exact versions (103 kB to fetch)
  venv         a virtual environment with 3 Python packages, each checked by its hash
  groups       the user of the program and its groups
  udev         rules that name and open devices
  services     services that must run or must not
  kernel       kernel modules to load or to keep out
  permissions  narrow rights of the program
  boot         settings of the firmware and the kernel
  assets       1 file of models or data, each checked by its hash
  wiring       wiring.json, which the program reads at start
  secrets      a file for secrets, to be filled in by hand
  program      a service that starts the program
  remove       what an earlier lock brought and this one does not need
  tidy         packages that only builds need, if they were sent away
  test         does what the plugins import come up?

set from outside:
  ROBOT_HOME  where everything is put (/opt/heron)
  ROBOT_USER  who runs the program (robot)
  ROBOT_CODE  folder of the robot file and the plugins (where this script is)
  ROBOT_BUNDLE  folder with all files of a card bundle (packages beside this script)

exit status:
  0  as planned
  1  a step failed; what it did before stays, run it again
  2  called in a wrong way
  3  not the machine that the plan was made for
  4  no room, or no memory
  5  network, mirror, index or clock
  6  a planned version is gone, or a newer one is installed
  7  a file is not the one that was planned
  8  somebody else is installing
  9  a file system is read-only, or forgets
END
}

# ---- how this script speaks and acts -------------------------------------------------------------

say() { printf '%s\n' "$*"; }

# Arguments: exit status, sentence.
fail() {
  code_of_failure=$1
  shift
  told=yes
  printf 'stopped: %s\n' "$*" >&2
  exit "$code_of_failure"
}

# For a failed step: with a full disk that is the reason. Arguments: exit status, sentence.
fail_or_full() {
  fail_if_full
  fail "$@"
}

fail_if_full() {
  for folder in / "$(existing_folder "$home")"; do
    if [ "$(df -Pk -- "$folder" | awk 'NR == 2 { print $4 }')" -lt 2000 ]; then
      fail 4 "no room is left on $folder: make some and run this again, it goes on where it stopped"
    fi
  done
  # a program that was refused room may have given back what it took, so its words count as well
  if [ "$dry_run" = no ] && [ -n "$tee_pid" ]; then
    sleep 1
    if grep -q 'No space left on device' "$home/install.log"; then
      fail 4 "no room was left: make some and run this again, it goes on where it stopped"
    fi
  fi
}

# Says what changes. In a dry run it says what would change and is false, so the caller skips it.
will() {
  changes=$((changes + 1))
  if [ "$dry_run" = yes ]; then
    say "  would $*"
    return 1
  fi
  say "  $*"
}

# Keeps a sentence for the end: something that only a person or a restart can do.
attention() {
  case "$notes
" in
    *"
  - $*
"*) return 0 ;;
  esac
  notes="$notes
  - $*"
}

# The nearest folder above a path that is there already.
existing_folder() {
  folder=$1
  while [ ! -d "$folder" ]; do folder=$(dirname -- "$folder"); done
  printf '%s\n' "$folder"
}

# What this script brings is noted before it is brought; a later lock takes away just that.
# Arguments: kind, line.
is_ours() { grep -Fqx -e "$2" -- "$state/$1" 2>/dev/null; }

note_ours() {
  if is_ours "$1" "$2"; then return 0; fi
  printf '%s\n' "$2" >"$work/line"
  note_lines "$1" "$work/line"
}

# Arguments: kind, file with the lines.
note_lines() {
  mkdir -p -- "$state"
  {
    if [ -f "$state/$1" ]; then cat -- "$state/$1"; fi
    cat -- "$2"
  } | sort -u >"$state/$1.new"
  sync -- "$state/$1.new"
  mv -f -- "$state/$1.new" "$state/$1"
}

forget_ours() {
  if ! is_ours "$1" "$2"; then return 0; fi
  grep -Fvx -e "$2" -- "$state/$1" >"$state/$1.new" || :
  sync -- "$state/$1.new"
  if [ -s "$state/$1.new" ]; then
    mv -f -- "$state/$1.new" "$state/$1"
  else
    rm -f -- "$state/$1.new" "$state/$1"
  fi
}

# Keeps a copy of what would go and a person may want. Argument: path.
keep_copy() {
  say "  $1 is kept as $home/kept$1"
  mkdir -p -- "$(dirname -- "$home/kept$1")"
  rm -rf -- "$home/kept$1"
  cp -a -- "$1" "$home/kept$1" || fail_or_full 1 "$1 could not be kept, so nothing was taken away"
}

# What tells a text that this script placed from one that a person changed since. Arguments: file
# with the bytes, path that they are for.
sum_line() { printf '%s %s\n' "$(sha256sum <"$1" | cut -c 1-64)" "$2"; }

# Forgets which bytes were placed at a path, but for one line. Arguments: path, that line or "".
forget_sums() {
  [ -s "$state/sums" ] || return 0
  lines=$(awk -v path="$1" -v keep="$2" '$2 == path && $0 != keep' "$state/sums")
  [ -z "$lines" ] || forget_ours sums "$lines"
}

# Before a file of ours goes: what a person changed in it is kept. Argument: path.
keep_if_changed() {
  if [ ! -f "$1" ] || [ ! -s "$state/sums" ] || is_ours sums "$(sum_line "$1" "$1")"; then return 0; fi
  if awk -v path="$1" '$2 == path { known = 1 } END { exit !known }' "$state/sums"; then
    keep_copy "$1"
    attention "$1 had been changed by hand; that is kept as $home/kept$1"
  fi
}

# Arguments: number, noun.
counted() { if [ "$1" -eq 1 ]; then printf '1 %s' "$2"; else printf '%s %ss' "$1" "$2"; fi; }

# Prints what would come: each line of a file, a name and a version, that another one lacks; with the
# version of the other one where it has another. Arguments: file with what is here, file.
tell_new() {
  awk 'FILENAME == ARGV[1] { have[$1] = $2; next }
    !($1 in have) { print "    " $1 " " $2; next }
    have[$1] != $2 { print "    " $1 " " $2 " in the place of " have[$1] }' "$1" "$2"
}

# Puts what a function prints at a path, with a mode, unless the same bytes are there; whole or not
# at all. A file of others is kept beside it, where it is on the disk before theirs goes. Arguments:
# function, path, mode. Leaves placed=yes where something differs.
place_text() {
  "$1" >"$work/file"
  if [ -f "$2" ] && cmp -s -- "$work/file" "$2" && [ "$(stat -c %a -- "$2")" = "$3" ]; then
    if [ "$dry_run" = no ]; then note_placed "$2"; fi
    return 0
  fi
  # shellcheck disable=SC2034  # not every plan has a step that asks
  placed=yes
  if will "write $2"; then
    if is_ours files "$2"; then
      keep_if_changed "$2"
    elif [ -e "$2" ]; then
      cp -p -- "$2" "$2.before-$robot"
      sync -- "$2.before-$robot"
      note_ours before "$2"
      attention "$2 was there before; it is kept as $2.before-$robot"
    else
      forget_ours before "$2"
    fi
    note_ours files "$2"
    note_ours sums "$(sum_line "$work/file" "$2")"
    mkdir -p -- "$(dirname -- "$2")"
    cp -- "$work/file" "$2.new"
    chmod -- "$3" "$2.new"
    sync -- "$2.new"
    mv -f -- "$2.new" "$2"
    note_placed "$2"
  fi
}

# Argument: path of a text that stands there as planned.
note_placed() {
  placed_sum=$(sum_line "$1" "$1")
  note_ours files "$1"
  note_ours sums "$placed_sum"
  forget_sums "$1" "$placed_sum"
}

# A path that is safe in every file that this script writes.
check_path() {
  case $2 in
    /*) ;;
    *) fail 2 "$1 must start at the root of the file system, not be $2" ;;
  esac
  case $2 in
    *[!A-Za-z0-9/._+@:-]* | *//* | */../* | */..) fail 2 "$1 holds characters that are not supported: $2" ;;
  esac
}

systemd_runs() { [ -d /run/systemd/system ]; }

program_runs() {
  systemd_runs && command -v systemctl >/dev/null && systemctl is-active --quiet -- "$robot.service"
}

# Before the network is asked: a wrong clock makes every signature and certificate wrong.
clock_ready() {
  waited=0
  while [ "$(date +%s)" -lt "$newest" ]; do
    if [ "$waited" -ge 120 ] || ! systemd_runs; then
      fail 5 "the clock says $(date -u +%Y-%m-%d), but files of the plan are of a later day: set it (timedatectl set-time) or let it be set by the network, then run this again"
    fi
    if [ "$waited" -eq 0 ]; then say "  the clock is behind: waiting for the network to set it"; fi
    sleep 5
    waited=$((waited + 5))
  done
}

# ---- preflight: is this the machine that the plan was made for? ----------------------------------

# A cut between two files leaves a name in the one and not in the other, which pwconv(8) and
# grpconv(8) make good. Arguments: file of names, file of secrets, command.
half_a_name() {
  [ -f "/etc/$2" ] || return 0
  lone=$(awk -F : 'FILENAME == ARGV[1] { have[$1] = 1; next } $2 == "x" && !($1 in have) { printf " %s", $1 }' "/etc/$2" "/etc/$1")
  [ -n "$lone" ] || return 0
  if will "complete /etc/$2, where a power cut left out:$lone"; then "$3"; fi
}

# What a power cut left while a user was made: a lock, its forerunner named after its process, a file
# that was to be. A lock that names no process is never taken over, and then no tool adds a user or a
# group any more (shadow, lib/commonio.c).
users_repair() {
  for name in passwd group shadow gshadow subuid subgid; do
    for left in "/etc/$name.lock" "/etc/$name."[0-9]* "/etc/$name+"; do
      [ -f "$left" ] || continue
      users_idle "$left" "/etc/$name.lock" || continue
      if will "remove $left, which a power cut left"; then rm -f -- "$left"; fi
    done
  done
  half_a_name passwd shadow pwconv
  half_a_name group gshadow grpconv
}

# Whether no program works with a file that it left in /etc. Arguments: file, lock.
users_idle() {
  case $1 in
    *+) if [ -e "$2" ]; then return 1; else return 0; fi ;;
    *.lock) holder=$(tr -cd 0-9 <"$1") || holder= ;;
    *)
      holder=${1##*.}
      case $holder in *[!0-9]*) return 1 ;; esac
      # it holds its number and nothing else; somebody's copy of the file is longer
      [ "$(wc -c <"$1")" -le 12 ] || return 1
      ;;
  esac
  case $(cat "/proc/${holder:-none}/comm" 2>/dev/null) in
    user* | group* | *passwd | chage | chfn | chsh | newusers | pw*conv | grp*conv | pwck | grpck | vipw | vigr) return 1 ;;
  esac
}

step_preflight() {
  machine=$(dpkg --print-architecture 2>/dev/null) || machine=
  [ -n "$machine" ] || fail 3 "this machine has no dpkg; the plan is for $release"
  [ "$machine" = "$architecture" ] || fail 3 "the plan is for $architecture, this machine is $machine"

  if [ -r /etc/os-release ]; then
    system=$(sed -n 's/^ID=//p; s/^ID_LIKE=//p' /etc/os-release | tr -d '"' | tr '\n' ' ')
    version=$(sed -n 's/^VERSION_ID=//p' /etc/os-release | tr -d '"')
    case " $system " in
      *' debian '*) ;;
      *) fail 3 "the plan is for $release, this machine runs ${system:-something unknown}" ;;
    esac
    [ "debian-$version" = "$release" ] || fail 3 "the plan is for $release, this machine runs debian-$version"
  else
    attention "the release of this machine could not be read; the plan is for $release"
  fi

  if [ -r /proc/device-tree/compatible ]; then
    if ! tr '\0' '\n' </proc/device-tree/compatible | grep -Fqx -e "$board"; then
      fail 3 "the plan is for the board $board, this is $(tr '\0' ' ' </proc/device-tree/compatible)"
    fi
  else
    say "  this machine does not say which board it is; the plan is for $board"
  fi

  # the last mount on / is the one that is seen
  root_mount=$(awk '$2 == "/" { found = $3 " " $4 } END { print found }' /proc/mounts 2>/dev/null) || root_mount=
  case $root_mount in
    overlay*)
      case $root_mount in
        *upperdir=*docker* | *upperdir=*containers*) ;;
        *) fail 9 "the root is an overlay, which forgets at every restart: switch the overlay off, restart, run this again, switch it on" ;;
      esac
      ;;
    *' ro' | *' ro,'*) fail 9 "the root is mounted read-only: mount -o remount,rw /" ;;
  esac

  # what is installed already needs no room any more
  if [ "$(readlink -- "$home/venv" || :)" != "venvs/$venv_id" ]; then
    for folder in / "$(existing_folder "$home")"; do
      free=$(df -Pk -- "$folder" | awk 'NR == 2 { print $4 }')
      [ "$free" -ge "$need_kb" ] || fail 4 "$folder has $((free / 1000)) MB left, up to $((need_kb / 1000)) MB are needed"
    done
  fi
  preflight_python
  if [ "$(id -u)" -eq 0 ]; then users_repair; fi
  if command -v preflight_packages >/dev/null; then preflight_packages; fi
}

# ---- boot: settings of the firmware and the kernel -----------------------------------------------

# Puts the prepared text in the place of a file; the file before stays beside it.
replace_boot_file() {
  if [ -f "$1" ] && cmp -s -- "$work/boot" "$1"; then return 0; fi
  if will "change $1 (the file before is kept as $1.before-$robot)"; then
    boot_writable "$1"
    copy_whole "$work/boot" "$1.new"
    if [ -f "$1" ]; then
      copy_whole "$1" "$1.before-$robot.new"
      mv -f -- "$1.before-$robot.new" "$1.before-$robot"
    fi
    # stays until the hook has run, so that a power cut between the two is made up for
    if [ "$boot_hook" = yes ]; then : >"$home/.boot-pending"; fi
    mv -f -- "$1.new" "$1"
    sync -- "$1"
  fi
  # shellcheck disable=SC2034  # not every plan has a hook that asks
  boot_changed=yes
  attention "boot settings changed: restart the machine"
}

# Boot partitions are small. Arguments: file, its copy; there is a whole copy or none.
copy_whole() {
  if cp -- "$1" "$2" && sync -- "$2"; then return 0; fi
  rm -f -- "$2"
  fail 4 "no room is left for $2; nothing there was changed: make some, then run this again"
}

boot_writable() {
  folder=$(dirname -- "$1")
  if [ ! -w "$(existing_folder "$folder")" ] || { [ -f "$1" ] && [ ! -w "$1" ]; }; then
    fail 9 "$folder is mounted read-only, nothing there was changed: mount -o remount,rw $folder, then run this again"
  fi
}

# Prints where a boot file is on this machine, false where it is not. Images moved /boot/firmware;
# what stands under /etc/default is read if it is there, so it may be made.
boot_file() {
  case $1 in
    /etc/default/*) printf '%s\n' "$1"; return 0 ;;
  esac
  for found in "$1" "/boot/${1#/boot/firmware/}"; do
    if [ -f "$found" ]; then
      printf '%s\n' "$found"
      return 0
    fi
  done
  return 1
}

block_first='# heron: made by install.sh, do not edit from here'
block_last='# heron: to here'

# Prints a boot file without our block. A block whose end is gone loses its first line only: what
# follows may be of others. Argument: file.
without_block() {
  if [ -f "$1" ]; then cat -- "$1"; fi | awk -v first="$block_first" -v last="$block_last" '
    { line = $0; sub(/\r$/, "", line) } # some editors on a PC end every line anew
    line == first { if (inside) printf "%s", held; inside = 1; held = ""; next }
    inside && line == last { inside = 0; next }
    inside { held = held $0 "\n"; next }
    { print }
    END { if (inside) printf "%s", held }
  '
}

# Runs the hook of the kernel packages that puts an edited file into force. Arguments: hook, then
# the variables that it wants.
apply_boot() {
  hook=$1
  shift
  if [ "$dry_run" = no ]; then note_ours boot-hooks "$hook $*"; fi
  if [ "$boot_changed" = no ] && [ ! -e "$home/.boot-pending" ]; then return 0; fi
  if [ ! -x "$hook" ]; then
    attention "$hook is not on this machine: the boot settings have no effect before it is"
    return 0
  fi
  if [ "$dry_run" = yes ]; then return 0; fi
  say "  run $hook"
  env "$@" "$hook" || fail 1 "$hook could not put the boot settings into force"
}

# ---- sources: declared archives, so that later updates reach what came from them -----------------

step_sources() { archive_files place_text /etc/apt; }

archive_lines_0() {
  cat <<'END'
Types: deb
URIs: https://maker.example/debian
Suites: trixie
Components: main
END
}

archive_base64_0() {
  cat <<'END'
bm90IGEga2V5Cg==
END
}

archive_key_0() { archive_base64_0 | base64 --decode; }

archive_text_0() {
  archive_lines_0
  printf 'Signed-By: %s\n' "$key"
}

archive_pins_0() {
  cat <<'END'
Package: *
Pin: origin "maker.example"
Pin-Priority: 1

Package: maker-tools
Pin: origin "maker.example"
Pin-Priority: 600
END
}

# Arguments: function that puts a text at a path, folder of apt's configuration.
archive_files() {
  key="$2/keyrings/robokit-$robot-maker.gpg"
  "$1" archive_key_0 "$key" 644
  "$1" archive_text_0 "$2/sources.list.d/robokit-$robot-maker.sources" 644
  "$1" archive_pins_0 "$2/preferences.d/robokit-$robot-maker.pref" 644
}

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

debian_run_rows() {
  "$1" 'espeak-ng' '1.52.0+dfsg-5' 'arm64' 'espeak-ng_1.52.0+dfsg-5_arm64.deb' 'f8dc5f41187f86d45c0f2acc9f10c685a53b4c51e54432a67b27c9784abf946b'
  "$1" 'libespeak-ng1' '1.52.0+dfsg-5' 'arm64' 'libespeak-ng1_1.52.0+dfsg-5_arm64.deb' 'd91d40e86e777271c89d528133ae5c308e85b0e3384752c689e425f340bd8781'
  "$1" 'python3-venv' '3.13.5-1' 'arm64' 'python3-venv_3.13.5-1_arm64.deb' '2db2e52d3d1415a23d2c30ab2d9c47288e25b4d4d67fb4a53f71f1ebeef0971d'
}

debian_build_rows() {
  "$1" 'gcc' '4:14.2.0-1' 'arm64' 'gcc_4:14.2.0-1_arm64.deb' 'afb1765c57f8eb32fbcca90a4d0b467eb9aca4fbb96183b3cbad93f206100c3b'
}

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
  tell_builds
  if [ -d "$bundle/python" ]; then
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

python_files() {
  "$1" 'numpy-2.3.1-cp313-cp313-manylinux_2_27_aarch64.manylinux_2_28_aarch64.whl' '8fed37f028a562d4c2327c94faffc15b6c567f9adeb3fe15c7123b2775b03afa'
  "$1" 'paho_mqtt-2.1.0-py3-none-any.whl' 'f2a443ee961da320f04599b973d1a972c12f70c0cad1640dc3eca5843afbcd4f'
  "$1" 'setuptools-80.9.0-py3-none-any.whl' 'd369112ec118aba0f61afe30ebf8466f097e23d797cdb7e6bf15047ad451c68a'
  "$1" 'spidev-3.8.tar.gz' '9f64c3e8cc3753b01f15ce418a34c737837dd4448ca070d0dc5b4995e7414c06'
}

python_pins() {
  cat <<'END'
numpy 2.3.1
paho-mqtt 2.1.0
spidev 3.8
END
}

python_indexes() {
  "$1" 'https://index.example/simple/' 'numpy' 'default'
}

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

source_rows() {
  "$1" 'spidev' '3.8' 'spidev-3.8.tar.gz' 'ec8d483465312280' '0'
}

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

build_wheels_0() {
  cat <<'END'
setuptools==80.9.0 --hash=sha256:d369112ec118aba0f61afe30ebf8466f097e23d797cdb7e6bf15047ad451c68a
END
}

# What has no wheel is built apart, so that no build tool stays with the robot.
build_environment() {
  TMPDIR="$work" "$python" -m venv "$work/build"
  requirements build_wheels_0 >"$work/build_wheels_0.txt"
  pip_of "$work/build" install --no-deps --require-hashes --only-binary :all: -r "$work/build_wheels_0.txt"
}

sdist_0() {
  cat <<'END'
spidev==3.8 --hash=sha256:9f64c3e8cc3753b01f15ce418a34c737837dd4448ca070d0dc5b4995e7414c06
END
}

build_0() {
  requirements sdist_0 >"$work/sdist_0.txt"
  # a subshell, so that the variables end with this build
  (
    export SOURCE_DATE_EPOCH='315532800'
    export SPIDEV_CHECK='1'
    pip_of "$work/build" wheel --no-deps --require-hashes --no-build-isolation --no-cache-dir \
      --wheel-dir "$work/made" -r "$work/sdist_0.txt"
  ) || exit $?
}

wheels_0() {
  cat <<'END'
numpy==2.3.1 --hash=sha256:8fed37f028a562d4c2327c94faffc15b6c567f9adeb3fe15c7123b2775b03afa
paho-mqtt==2.1.0 --hash=sha256:f2a443ee961da320f04599b973d1a972c12f70c0cad1640dc3eca5843afbcd4f
END
}

venv_make() {
  TMPDIR="$work" "$python" -m venv "$new"
  requirements wheels_0 >"$work/wheels_0.txt"
  pip_of "$new" install --no-deps --require-hashes --only-binary :all: -r "$work/wheels_0.txt"
  mkdir -p -- "$work/wheels"
  : >"$work/built.txt"
  source_rows take_wheel
  pip_of "$new" install --no-deps --no-index --require-hashes --find-links "$work/wheels" -r "$work/built.txt"
}

# ---- groups: what the program may open -----------------------------------------------------------

join_group() {
  if ! getent group "$1" >/dev/null; then
    if [ "$2" = opens ]; then :; else
      attention "the group $1 was not known here: it opens nothing before a udev rule names it"
    fi
    if will "make the group $1"; then
      note_ours made-groups "$1"
      groupadd --system -- "$1"
    fi
  fi
  if [ "$user" = root ]; then return 0; fi
  if id -nG -- "$user" 2>/dev/null | tr ' ' '\n' | grep -Fqx -e "$1"; then return 0; fi
  if will "add $user to the group $1"; then
    note_ours groups "$1 $user"
    usermod --append --groups "$1" -- "$user"
  fi
  attention "$user is new in the group $1: log in anew, or restart what runs as $user"
}

step_groups() {
  if ! getent passwd "$user" >/dev/null; then
    if will "make the user $user"; then
      own_group=--user-group
      if getent group "$user" >/dev/null; then own_group="--gid $user"; fi
      # shellcheck disable=SC2086  # an option with its word
      useradd --system --create-home $own_group --shell /usr/sbin/nologin -- "$user"
    fi
  fi
  group_rows join_group
}

group_rows() {
  "$1" 'gpio' ''
  "$1" 'i2c' ''
}

# ---- udev: names and rights of devices -----------------------------------------------------------

step_udev() {
  placed=no
  place_text udev_text "/etc/udev/rules.d/60-robokit-$robot.rules" 644
  if [ "$placed" = yes ] && [ "$dry_run" = no ] && systemd_runs && command -v udevadm >/dev/null; then
    udevadm control --reload || :
    udevadm trigger --action=change || :
  fi
}

udev_text() {
  cat <<'END'
SUBSYSTEM=="spidev", GROUP="spi", MODE="0660"
END
}

# ---- services ------------------------------------------------------------------------------------

unit_state() { systemctl is-enabled -- "$1" 2>/dev/null || :; }

# The hardware watchdog has one owner, and on some images that is systemd: systemd-system.conf(5).
check_watchdog() {
  case $1 in
    watchdog.service | wd_keepalive.service) ;;
    *) return 0 ;;
  esac
  fed=$(cat /usr/lib/systemd/system.conf.d/*.conf /etc/systemd/system.conf /etc/systemd/system.conf.d/*.conf 2>/dev/null | sed -n 's/^RuntimeWatchdogSec=//p' | tail -n 1)
  case $fed in
    '' | 0 | off | infinity) ;;
    *) attention "systemd feeds the hardware watchdog already (RuntimeWatchdogSec=$fed), and $1 cannot do so as well: do without one of the two" ;;
  esac
}

start_unit() {
  check_watchdog "$1"
  state_of_unit=$(unit_state "$1")
  case $state_of_unit in
    enabled | enabled-runtime | static | indirect | generated | alias) ;;
    disabled | masked)
      if will "enable $1"; then
        note_ours services "start $1 $state_of_unit"
        if [ "$state_of_unit" = masked ]; then systemctl unmask -- "$1"; fi
        systemctl enable -- "$1"
      fi
      ;;
    *)
      attention "$1 must run, but this machine has no such service"
      return 0
      ;;
  esac
  if systemd_runs && ! systemctl is-active --quiet -- "$1"; then
    if will "start $1"; then systemctl start -- "$1"; fi
  fi
}

stop_unit() {
  active=no
  if systemd_runs && systemctl is-active --quiet -- "$1"; then active=yes; fi
  if [ "$(unit_state "$1")" != masked ]; then
    if will "keep $1 from starting"; then
      note_ours services "stop $1 $active"
      systemctl mask -- "$1"
    fi
  fi
  if [ "$active" = yes ]; then
    if will "stop $1"; then systemctl stop -- "$1"; fi
  fi
}

step_services() {
  if ! command -v systemctl >/dev/null; then
    attention "services could not be set: this machine has no systemd"
    return 0
  fi
  service_rows
}

service_rows() {
  stop_unit 'ModemManager.service'
  start_unit 'mosquitto.service'
}

# ---- kernel: modules -----------------------------------------------------------------------------

# A module that the running kernel lacks comes with a restart, where an upgrade brought another
# kernel, or with a build for it. Argument: module.
check_module() {
  kernel=$(uname -r)
  [ -d /lib/modules ] || return 0
  if [ ! -d "/lib/modules/$kernel" ]; then
    attention "the running kernel $kernel is not the installed one: restart the machine, then run this again"
  elif command -v modprobe >/dev/null && ! modprobe -n -q -- "$1" && ! grep -Fqx -e "blacklist $1" /etc/modprobe.d/*.conf 2>/dev/null; then
    attention "the kernel $kernel has no module $1: if its driver is built on this machine, that takes linux-headers-$kernel"
  fi
}

modules_load() {
  cat <<'END'
i2c-dev
END
}

modules_block() {
  cat <<'END'
blacklist snd_bcm2835
install snd_bcm2835 /bin/false
END
}

step_kernel() {
  placed=no
  place_text modules_load "/etc/modules-load.d/robokit-$robot.conf" 644
  place_text modules_block "/etc/modprobe.d/robokit-$robot.conf" 644
  [ "$placed" = no ] || attention "kernel modules changed: restart the machine"
  check_module 'i2c-dev'
}

# ---- permissions: narrow rights ------------------------------------------------------------------

rights_rule() {
  cat <<'END'
polkit.addRule(function (action, subject) {
  if (["org.freedesktop.login1.power-off"].indexOf(action.id) >= 0 && subject.user == "@USER@") {
    return polkit.Result.YES;
  }
});
END
}

rights_text() { rights_rule | sed "s/@USER@/$user/"; }

step_permissions() {
  place_text rights_text "/etc/polkit-1/rules.d/50-robokit-$robot.rules" 644
  if [ ! -d /usr/share/polkit-1 ]; then
    attention "rights of $user have no effect before polkitd is installed"
  fi
}

# Replaces our block in a boot file, or appends it; the rest of the file stays as it is. Arguments:
# function, file, the plan's name of it.
place_block() {
  without_block "$2" >"$work/boot"
  { printf '%s\n' "$block_first"; "$1"; printf '%s\n' "$block_last"; } >>"$work/boot"
  if [ "$dry_run" = no ]; then note_ours boot "block $3"; fi
  replace_boot_file "$2"
}

boot_block_0() {
  cat <<'END'
[all]
dtparam=i2c_arm=on
dtparam=spi=on
END
}

step_boot() {
  boot_changed=no
  boot_hook=no
  if file=$(boot_file '/boot/firmware/config.txt'); then
    place_block boot_block_0 "$file" '/boot/firmware/config.txt'
  else
    attention 'this machine has no /boot/firmware/config.txt: make these boot settings by hand: dtparam=i2c_arm=on; dtparam=spi=on'
  fi
}

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

asset_rows() {
  "$1" 'https://models.example/voice.onnx' 'c57d7e92019708b614c90fa3685cd644f543a60153fb99ec9b67c381a245fb2a' '48123' 'assets/spoken-alarm/models/voice.onnx'
}

# ---- wiring: what is where -----------------------------------------------------------------------

wiring_text() {
  cat <<'END'
{
  "format": 1,
  "robot": "heron",
  "profile": null,
  "board": "raspberrypi,4-model-b",
  "instances": {
    "bow-lights": {
      "plugin": "nav-lights",
      "version": "0.3.1",
      "variant": "spi",
      "behaviour": "bow_lights.part:Part",
      "settings": {
        "dim": null,
        "leds": 8,
        "name": "bow"
      },
      "provides": [],
      "assets": {},
      "claims": {
        "data": {
          "section": "signals",
          "function": "led-string",
          "resource": "gpio10",
          "line": "gpio10",
          "position": "19",
          "direction": "out",
          "level-mv": 5000,
          "converter": "shifter",
          "ma": 1,
          "wire": "YE"
        }
      }
    },
    "compass": {
      "plugin": "compass",
      "version": "0.3.1",
      "variant": null,
      "behaviour": "compass.part:Part",
      "settings": {},
      "provides": [],
      "assets": {},
      "claims": {
        "imu": {
          "section": "i2c",
          "resource": "i2c1 0x28",
          "bus": "i2c1",
          "address": 40,
          "device": "/dev/i2c-1",
          "lines": {
            "sda": "gpio2",
            "scl": "gpio3"
          },
          "directions": {
            "sda": "both",
            "scl": "out"
          },
          "level-mv": 3300,
          "wires": {
            "sda": "BU",
            "scl": "YE"
          }
        }
      }
    },
    "helm": {
      "plugin": "helm",
      "version": "0.3.1",
      "variant": null,
      "behaviour": "helm.part:Part",
      "settings": {},
      "provides": [
        "steering"
      ],
      "assets": {},
      "claims": {}
    },
    "spoken-alarm": {
      "plugin": "spoken-alarm",
      "version": "0.3.1",
      "variant": null,
      "behaviour": "spoken_alarm.part:Part",
      "settings": {},
      "provides": [
        "alarm-sound"
      ],
      "assets": {
        "models/voice.onnx": "assets/spoken-alarm/models/voice.onnx"
      },
      "claims": {
        "horn": {
          "section": "audio",
          "resource": "audio analog"
        }
      }
    }
  },
  "controllers": {},
  "providers": {
    "alarm-sound": "spoken-alarm",
    "steering": "helm"
  }
}
END
}

step_wiring() { place_text wiring_text "$home/wiring.json" 644; }

# ---- secrets: a file to fill in, never overwritten -----------------------------------------------

check_variable() {
  if [ -e "$home/environment" ] && [ ! -r "$home/environment" ]; then
    attention "only root can see whether $1 has a value in $home/environment"
    return 0
  fi
  if [ -e "$home/environment" ] && grep -q "^$1=." "$home/environment"; then return 0; fi
  attention "$1 has no value yet: write it into $home/environment"
}

step_secrets() {
  if [ ! -e "$home/environment" ]; then
    if will "write $home/environment, to be filled in"; then
      mkdir -p -- "$home"
      (
        umask 077
        secrets_text >"$home/environment.new"
      )
      sync -- "$home/environment.new"
      mv -f -- "$home/environment.new" "$home/environment"
    fi
  elif [ "$(stat -L -c %a -- "$home/environment")" != 600 ]; then
    if will "let only its owner read $home/environment"; then chmod 600 -- "$home/environment"; fi
  fi
  variable_rows check_variable
}

secrets_text() {
  cat <<'END'
# helm: token of the shore radio account
SHORE_TOKEN=
END
}

variable_rows() {
  "$1" 'SHORE_TOKEN'
}

# ---- program: a service that starts the robot's own program --------------------------------------

step_program() {
  placed=no
  place_text program_unit "/etc/systemd/system/$robot.service" 644
  if ! command -v systemctl >/dev/null; then return 0; fi
  if [ "$placed" = yes ] && [ "$dry_run" = no ] && systemd_runs; then systemctl daemon-reload; fi
  if [ "$lingers" = yes ] && [ "$user" != root ] && [ ! -e "/var/lib/systemd/linger/$user" ]; then
    if will "let the sound server of $user run without a login"; then
      note_ours files "/var/lib/systemd/linger/$user"
      mkdir -p -- /var/lib/systemd/linger
      : >"/var/lib/systemd/linger/$user"
    fi
  fi
  if [ "$autostart" = yes ]; then
    if [ "$(systemctl is-enabled -- "$robot.service" 2>/dev/null || :)" != enabled ]; then
      if will "start $robot.service at boot"; then systemctl enable -- "$robot.service"; fi
      attention "the program starts at the next boot, or now with: systemctl start $robot.service"
    fi
  else
    attention "the program can move or hurt and is not started by itself; when all is safe: systemctl enable --now $robot.service"
  fi
  if program_runs && [ "$changes" -gt 0 ]; then
    attention "the program still runs as it was before; when all is safe: systemctl restart $robot.service"
  fi
}

unit_start() {
  cat <<'END'
# made by install.sh
[Unit]
Description=Program of the robot heron
Wants=network-online.target
After=network-online.target

[Service]
Type=exec
Restart=on-failure
RestartSec=5
StateDirectory=heron
WorkingDirectory=/var/lib/heron
LogsDirectory=heron
StandardOutput=append:/var/log/heron/heron.log
StandardError=inherit
END
}

unit_run() {
  cat <<'END'
ExecStart=/usr/bin/env "python" "-m" "heron"
END
}

unit_end() {
  cat <<'END'
ExecStartPre=-/bin/sh -c "cd /var/log/heron && test -s heron.log || exit 0; mv -f heron.log.1 heron.log.2 2>/dev/null; mv -f heron.log heron.log.1"

[Install]
WantedBy=multi-user.target
END
}

# Only the machine knows where things were put and for whom.
program_unit() {
  unit_start
  printf 'User=%s\n' "$user"
  printf 'Environment="PATH=%s/venv/bin:/usr/local/bin:/usr/bin:/bin"\n' "$home"
  printf 'Environment="PYTHONPATH=%s"\n' "$code"
  printf 'Environment="ROBOT_WIRING=%s/wiring.json"\n' "$home"
  printf 'Environment="ROBOT_HOME=%s"\n' "$home"
  uid=$(id -u -- "$user" 2>/dev/null) || uid=0
  printf 'Environment="XDG_RUNTIME_DIR=/run/user/%s"\n' "$uid"
  printf 'EnvironmentFile=-%s/environment\n' "$home"
  unit_run
  unit_end
}

# ---- remove: what an earlier lock brought and this one does not need -----------------------------

# Calls a function for each line that was noted and is not planned any more. Arguments: kind,
# function that prints what is planned, function to call.
each_unplanned() {
  [ -s "$state/$1" ] || return 0
  "$2" | sort -u >"$work/planned"
  sort -u "$state/$1" | comm -23 - "$work/planned" >"$work/unplanned.$1"
  # the list is read from another place than standard input, which commands may want
  while read -r line <&4; do "$3" "$line"; done 4<"$work/unplanned.$1"
}

remove_file() {
  if [ -e "$1" ]; then
    will "remove $1" || return 0
    case $1 in
      /etc/systemd/system/*.service)
        if command -v systemctl >/dev/null; then
          systemctl disable -- "${1##*/}" >/dev/null 2>&1 || :
          if systemd_runs; then systemctl stop -- "${1##*/}" || :; fi
        fi
        ;;
      /etc/udev/* | /etc/mod*) attention "rules of devices or kernel modules are gone: restart the machine" ;;
    esac
    if [ -e "$1.before-$robot" ]; then
      keep_if_changed "$1"
      mv -f -- "$1.before-$robot" "$1"
    elif ! is_ours before "$1" || is_ours sums "$(sum_line "$1" "$1")"; then
      keep_if_changed "$1"
      rm -f -- "$1"
    fi # else theirs is back in its place, and a power cut came before that was noted
    # a folder that no package has came with the file
    folder=$(dirname -- "$1")
    if ! dpkg-query -S "$folder" >/dev/null 2>&1; then rmdir --ignore-fail-on-non-empty -- "$folder" || :; fi
    case $1 in
      /etc/systemd/system/*) if systemd_runs; then systemctl daemon-reload; fi ;;
    esac
  fi
  if [ "$dry_run" = no ]; then
    forget_sums "$1" ""
    forget_ours files "$1"
    forget_ours before "$1"
  fi
}

# What a power cut left between the notes of a file that is gone.
forget_before() { if [ "$dry_run" = no ] && ! is_ours files "$1"; then forget_ours before "$1"; fi; }

remove_asset() {
  if [ -e "$home/$1" ]; then
    will "remove $home/$1" || return 0
    rm -f -- "$home/$1" "$home/$1.part"
    (cd -- "$home" && rmdir -p --ignore-fail-on-non-empty -- "$(dirname -- "$1")" 2>/dev/null) || :
  fi
  if [ "$dry_run" = no ]; then forget_ours assets "$1"; fi
}

leave_group() {
  group=${1%% *}
  member=${1#* }
  if id -nG -- "$member" 2>/dev/null | tr ' ' '\n' | grep -Fqx -e "$group"; then
    will "take $member out of the group $group" || return 0
    gpasswd --delete "$member" "$group" >/dev/null || :
  fi
  if [ "$dry_run" = no ]; then forget_ours groups "$1"; fi
}

remove_group() {
  if members=$(getent group "$1"); then
    case $members in
      *:) ;;
      *) return 0 ;; # somebody else is in it now
    esac
    will "remove the group $1" || return 0
    groupdel -- "$1" || :
  fi
  if [ "$dry_run" = no ]; then forget_ours made-groups "$1"; fi
}

undo_service() {
  # shellcheck disable=SC2086  # three words
  set -- $1 "$1"
  command -v systemctl >/dev/null || return 0
  if [ "$1" = stop ]; then
    if [ "$(systemctl is-enabled -- "$2" 2>/dev/null || :)" = masked ]; then
      will "let $2 start again" || return 0
      systemctl unmask -- "$2"
      if [ "$3" = yes ] && systemd_runs; then systemctl start -- "$2" || :; fi
    fi
  elif [ "$(systemctl is-enabled -- "$2" 2>/dev/null || :)" = enabled ]; then
    will "disable $2" || return 0
    systemctl disable -- "$2" || :
    if systemd_runs; then systemctl stop -- "$2" || :; fi
    if [ "$3" = masked ]; then systemctl mask -- "$2"; fi
  fi
  if [ "$dry_run" = no ]; then forget_ours services "$4"; fi
}

# A service is planned whatever its state before was.
planned_services() {
  [ -s "$state/services" ] || return 0
  while read -r what unit before; do
    if service_lines | grep -Fqx -e "$what $unit"; then printf '%s %s %s\n' "$what" "$unit" "$before"; fi
  done <"$state/services"
}

planned_boot() {
  [ -s "$state/boot" ] || return 0
  while read -r what file word; do
    case $what in
      block) boot_lines | grep -Fqx -e "block $file" && printf 'block %s\n' "$file" ;;
      added) boot_lines | grep -Fqx -e "added $file $word" && printf 'added %s %s\n' "$file" "$word" ;;
      dropped) boot_lines | grep -Fqx -e "dropped $file ${word%%,*}" && printf 'dropped %s %s\n' "$file" "$word" ;;
    esac || :
  done <"$state/boot"
}

undo_boot() {
  what=${1%% *}
  file=${1#* }
  word=${file#* }
  file=${file%% *}
  if target=$(boot_file "$file") && [ -f "$target" ]; then
    case $what in
      block)
        without_block "$target" >"$work/boot"
        ;;
      added)
        awk -v drop="$word" '{ kept = ""; for (at = 1; at <= NF; at++) if ($at != drop) kept = kept (kept == "" ? "" : " ") $at; print kept }' "$target" >"$work/boot"
        ;;
      dropped)
        tr '\r\n' '  ' <"$target" | awk -v add="$word" '{ $1 = $1; have = 0; for (at = 1; at <= NF; at++) if ($at == add) have = 1; print have ? $0 : $0 " " add }' >"$work/boot"
        ;;
    esac
    if ! cmp -s -- "$work/boot" "$target"; then
      before=$boot_changed
      boot_changed=no
      replace_boot_file "$target"
      [ "$boot_changed" = yes ] || boot_changed=$before
    fi
  fi
  if [ "$dry_run" = no ]; then forget_ours boot "$1"; fi
}

undo_hook() {
  # shellcheck disable=SC2086  # a hook and its variables
  apply_boot $1
  if [ "$dry_run" = no ]; then forget_ours boot-hooks "$1"; fi
}

step_remove() {
  boot_changed=no
  boot_hook=no
  if [ -s "$state/boot-hooks" ]; then boot_hook=yes; fi
  each_unplanned services planned_services undo_service
  each_unplanned files planned_files remove_file
  each_unplanned before planned_files forget_before
  each_unplanned assets planned_assets remove_asset
  each_unplanned groups planned_groups leave_group
  each_unplanned made-groups planned_made_groups remove_group
  each_unplanned boot planned_boot undo_boot
  if [ "$boot_changed" = yes ] && [ -s "$state/boot-hooks" ]; then
    while read -r line <&4; do undo_hook "$line"; done 4<"$state/boot-hooks"
    if [ "$dry_run" = no ]; then rm -f -- "$home/.boot-pending"; fi
  fi
  for folder in "$home/venvs"/*; do
    case $folder in
      "$home/venvs/$venv_id" | */'*') ;;
      *)
        [ -e "$folder" ] || continue
        if program_runs; then
          attention "the program still uses the environment before, which the next run of this script removes"
        elif [ "$(readlink -- "$home/venv" || :)" = "venvs/$venv_id" ]; then
          if will "remove $folder"; then rm -rf -- "$folder"; fi
        fi
        ;;
    esac
  done
  remove_builds
}

# What was built from what is not planned any more, once the environment stands without it.
remove_builds() {
  if [ ! -d "$home/built" ] || [ "$(readlink -- "$home/venv" || :)" != "venvs/$venv_id" ]; then return 0; fi
  for folder in "$home/built"/*; do
    if [ ! -e "$folder" ] && [ ! -L "$folder" ]; then continue; fi
    if planned_builds | grep -Fqx -e "${folder##*/}"; then continue; fi
    if will "remove $folder"; then rm -rf -- "$folder"; fi
  done
  if [ "$dry_run" = no ]; then rmdir --ignore-fail-on-non-empty -- "$home/built" || :; fi
}

planned_files() {
  printf '%s\n' "$home/wiring.json"
  printf '%s\n' "/etc/apt/sources.list.d/robokit-$robot-maker.sources"
  printf '%s\n' "/etc/apt/keyrings/robokit-$robot-maker.asc"
  printf '%s\n' "/etc/apt/keyrings/robokit-$robot-maker.gpg"
  printf '%s\n' "/etc/apt/preferences.d/robokit-$robot-maker.pref"
  printf '%s\n' "/etc/udev/rules.d/60-robokit-$robot.rules"
  printf '%s\n' "/etc/modules-load.d/robokit-$robot.conf"
  printf '%s\n' "/etc/modprobe.d/robokit-$robot.conf"
  printf '%s\n' "/etc/polkit-1/rules.d/50-robokit-$robot.rules"
  printf '%s\n' "/etc/systemd/system/$robot.service"
  printf '%s\n' "/var/lib/systemd/linger/$user"
}

planned_assets() {
  printf '%s\n' 'assets/spoken-alarm/models/voice.onnx'
}

planned_groups() {
  printf '%s\n' 'gpio'" $user"
  printf '%s\n' 'i2c'" $user"
}

planned_made_groups() {
  printf '%s\n' 'gpio'
  printf '%s\n' 'i2c'
}

planned_builds() {
  printf '%s\n' 'ec8d483465312280'
}

service_lines() {
  printf '%s\n' 'stop ModemManager.service'
  printf '%s\n' 'start mosquitto.service'
}

boot_lines() {
  printf '%s\n' 'block /boot/firmware/config.txt'
}

# ---- tidy: packages that only builds need --------------------------------------------------------

# What was asked for in this call: drop, keep, or nothing.
build_tools=

# Whether they belong on this machine: until everything is built, here or before, and after that
# unless somebody sent them away.
build_tools_wanted() {
  case $build_tools in
    keep) return 0 ;;
    drop) ;;
    *) [ -f "$state/no-build-tools" ] || return 0 ;;
  esac
  ! venv_ready "$home/venvs/$venv_id" && something_to_build
}

debian_rows() {
  debian_run_rows "$1"
  if build_tools_wanted; then debian_build_rows "$1"; fi
}

step_tidy() {
  if [ "$build_tools" = keep ] && [ "$dry_run" = no ]; then rm -f -- "$state/no-build-tools"; fi
  if [ "$build_tools" = drop ] && [ "$dry_run" = no ]; then
    mkdir -p -- "$state"
    : >"$state/no-build-tools"
  fi
  if build_tools_wanted; then
    say "  $(counted "$(debian_build_rows package_word | grep -c .)" package) that only builds need; --drop-build-tools removes what nothing else needs of them"
  elif [ "$dry_run" = no ]; then
    # a dry run has told in the step debian what goes
    step_debian
  fi
}

# ---- test: does what the plugins import come up? -------------------------------------------------

import_all='
import importlib, sys
bad = 0
for name in sys.argv[1:]:
    try:
        importlib.import_module(name)
    except ImportError as error:
        bad += 1
        print(f"  {name} cannot be imported: {error}")
    except BaseException as error:
        # a missing library of C is no ImportError where the package looks for it itself
        bad += type(error) is OSError
        print(f"  {name} complained: {type(error).__name__}: {error}")
sys.exit(bad > 0)
'

step_test() {
  if [ ! -x "$home/venv/bin/python" ]; then
    say "  there is nothing to test yet"
    return 0
  fi
  # some libraries make files where they stand
  mkdir -p -- "$work/test"
  chmod 711 -- "$work"
  chmod 777 -- "$work/test"
  set -- env -i "PATH=$PATH" HOME="$work/test" LC_ALL=C.UTF-8 "$home/venv/bin/python" -B -c "$import_all"
  if [ "$user" != root ] && [ "$(id -u)" -eq 0 ] && getent passwd "$user" >/dev/null; then
    set -- runuser -u "$user" -- "$@"
  fi
  # shellcheck disable=SC2046  # names of modules
  if (cd -- "$work/test" && "$@" $(module_rows)); then
    say "  every declared module can be imported"
  elif [ "$dry_run" = yes ]; then
    say "  not every declared module can be imported yet"
  else
    fail 1 "a declared module cannot be imported; the robot is installed, but its program may not start"
  fi
}

module_rows() {
  cat <<'END'
numpy
paho.mqtt.client
END
}

# ---- start ---------------------------------------------------------------------------------------

finish() {
  status=$?
  trap - EXIT
  if [ "$status" -ne 0 ] && [ "$told" = no ]; then
    # a command of the system failed: its own words stand above
    (fail_if_full) || status=$?
    if [ "$status" -eq 1 ]; then printf 'stopped: see above; run this again once it is mended\n' >&2; fi
  fi
  new=$home/venvs/$venv_id
  if [ "$dry_run" = no ] && [ -d "$new.before" ] && [ ! -f "$new/.complete" ]; then
    rm -rf -- "$new"
    mv -T -- "$new.before" "$new" || :
  fi
  if [ -n "$tee_pid" ]; then
    exec >&3 2>&3
    # what was started on the way and goes on may still hold the other end of the log
    (sleep 10 && kill "$tee_pid") </dev/null >/dev/null 2>&1 3>&- 9>&- &
    wait "$tee_pid" || :
    kill "$!" 2>/dev/null || :
  fi
  [ -z "$work" ] || rm -rf -- "$work"
  exit "$status"
}

# Everything that is printed goes into a log as well; the log of the run before is kept.
start_log() {
  if [ -f "$home/install.log" ]; then mv -f -- "$home/install.log" "$home/install.log.1"; fi
  mkfifo -- "$work/log"
  exec 3>&1
  # a lost connection to the robot ends neither the run nor its log
  trap '' HUP
  tee -p -- "$home/install.log" <"$work/log" >&3 9>&- &
  tee_pid=$!
  exec >"$work/log" 2>&1
}

run_step() {
  if [ -n "$only" ] && [ "$only" != "$1" ] && [ "$1" != preflight ]; then return 0; fi
  say "$1"
  "step_$1"
}

while [ $# -gt 0 ]; do
  case $1 in
    --dry-run) dry_run=yes ;;
    --allow-downgrade) allow_downgrade=yes ;;
    --drop-build-tools) build_tools=drop ;;
    --keep-build-tools) build_tools=keep ;;
    --only)
      [ $# -gt 1 ] || { usage >&2; exit 2; }
      shift
      only=$1
      case " $steps " in
        *" $only "*) ;;
        *) printf 'no step is named %s; there are: %s\n' "$only" "$steps" >&2; exit 2 ;;
      esac
      ;;
    -h | --help) usage; exit 0 ;;
    *) usage >&2; exit 2 ;;
  esac
  shift
done

check_path ROBOT_HOME "$home"
check_path ROBOT_CODE "$code"
check_path ROBOT_BUNDLE "$bundle"
case $user in
  '' | -* | *[!A-Za-z0-9_.-]*) fail 2 "this user name is not supported: $user" ;;
esac
trap finish EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

if [ "$dry_run" = yes ]; then
  # on the disk where it can be, since /tmp may be memory
  work=$(mktemp -d -p /var/tmp 2>/dev/null) || work=$(mktemp -d)
  say "dry run: nothing is changed"
else
  [ "$(id -u)" -eq 0 ] || fail 2 "it changes the system and must run as root: sudo sh $0 (or look first: sh $0 --dry-run)"
  mkdir -p -- "$home" || fail 9 "$home cannot be made"
  # one run at a time; the lock goes with the process, so a power cut leaves none behind
  exec 9>"$home/.lock"
  flock -n 9 || fail 8 "another run is at work in $home"
  # on the disk, since /tmp may be memory
  rm -rf -- "$home"/.work.* "$state"/*.new "$home"/built/*.new
  work=$(mktemp -d "$home/.work.XXXXXX") || fail_or_full 9 "nothing can be written in $home"
  start_log
fi

# the lock stays with this shell: what a step leaves running must not hold it
for step in $steps; do run_step "$step" 9>&-; done

if [ "$dry_run" = no ] && [ -z "$only" ]; then
  # shellcheck disable=SC2086  # one line a lock file
  lock_text() { printf '%s\n' $lock_sha256; }
  put_state() {
    mkdir -p -- "$state"
    lock_text >"$work/lock"
    if cmp -s -- "$work/lock" "$state/lock"; then return 0; fi
    sync -- "$work/lock"
    mv -f -- "$work/lock" "$state/lock"
  }
  put_state
fi

say
what=$robot
if [ -n "$only" ]; then what="the step $only of $robot"; fi
if [ "$changes" -eq 0 ]; then
  say "$what is as planned; nothing had to change"
elif [ "$dry_run" = yes ]; then
  say "$what differs from its plan in what stands above"
else
  say "$what is set up as planned"
fi
[ -z "$notes" ] || say "still to do:$notes"
