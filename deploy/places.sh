# Sourced by install.sh and uninstall.sh: where everything lies, by option, by environment, or here.
# shellcheck shell=sh disable=SC2034

prefix=${PREFIX:-/opt/fairtake}     # the program
root=${ROOT:-/srv/fairtake}         # the folders of takes
state=${STATE:-/var/lib/fairtake}   # ledger and scratch; asked for a new ROOT only
etc=${ETC:-/etc}                    # elsewhere: a trial, of which the system hears nothing
account=${ACCOUNT:-fairtake}        # who runs the service

say() { printf '%s\n' "$*"; }
fail() {
  printf '%s\n' "$*" >&2
  exit 1
}

# Takes one option with its value; fails where it is none of them.
place_option() {
  [ $# -ge 2 ] || fail "$1 wants a value."
  case $1 in
    --prefix) prefix=$2 ;;
    --root) root=$2 ;;
    --state) state=$2 ;;
    --etc) etc=$2 ;;
    --account) account=$2 ;;
    *) return 1 ;;
  esac
}

require_places() {
  for place in "$prefix" "$root" "$state" "$etc"; do
    case $place in
      *[!A-Za-z0-9._/-]*) fail "Use letters, digits, and . _ - in the path '$place'." ;;
      /*[!/]*) ;;
      *) fail "'$place' must be a full path." ;;
    esac
  done
  if [ "$etc" = /etc ] && [ "$(id -u)" != 0 ]; then
    fail "Installing for the whole machine needs root: sudo sh $0"
  fi
}

is_trial() { [ "$etc" != /etc ]; }
has_systemd() { ! is_trial && [ -d /run/systemd/system ]; }
unit_file() { say "$etc/systemd/system/fairtake.service"; }
