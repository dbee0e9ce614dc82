"""Start and end of a run: options, lock, log, steps, summary."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from ._tidy import OPTIONS

MAIN = r"""
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
@BUILD@@PROFILE@    --only)
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
@CHOOSE@trap finish EXIT
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
"""

_OPTION = r"""    --profile)
      [ $# -gt 1 ] || { usage >&2; exit 2; }
      shift
      profile=$1
      case " $profiles " in
        *" $profile "*) ;;
        *) printf 'no profile is named %s; there are: %s\n' "$profile" "$profiles" >&2; exit 2 ;;
      esac
      ;;
"""


def start(*, several: bool, builds: bool) -> str:
    """
    Return what runs at last.

    Args:
        several: It takes the choice of one of several profiles.
        builds: It takes whether packages that only builds need stay.
    """
    return (
        MAIN.replace("@BUILD@", OPTIONS if builds else "")
        .replace("@PROFILE@", _OPTION if several else "")
        .replace("@CHOOSE@", "choose_profile\n" if several else "")
    )
