"""How the script speaks and acts: what every step calls."""

# ruff: noqa: E501  shell text keeps its own lines

BASE = r"""
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
"""
