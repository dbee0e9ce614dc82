"""Step preflight: is this the machine that the plan was made for?"""

# ruff: noqa: E501  shell text keeps its own lines

PREFLIGHT = r"""
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
"""
