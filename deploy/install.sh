#!/bin/sh
# Installs fairtake as a service, or brings what is installed up to this version. Safe to run again.
#
#   sudo sh deploy/install.sh [--root /srv/fairtake] [--prefix /opt/fairtake] [--state /var/lib/fairtake]
#
# Options, or variables of the environment:
#   --root DIR     ROOT     the folders of takes                        /srv/fairtake
#   --prefix DIR   PREFIX   the program, each version in its own place  /opt/fairtake
#   --state DIR    STATE    ledger and scratch of a new ROOT            /var/lib/fairtake
#   --source PATH  SOURCE   a source folder or a wheel                  this checkout
#   --etc DIR      ETC      elsewhere than /etc: a trial, without account and systemd
#   --account NAME ACCOUNT  who runs the service                        fairtake
#                  PYTHON   the Python to use, 3.11 or newer
#
# The new version is made beside the old one and has to answer before anything else changes. Then
# the service ends in good order, PREFIX/current is turned to the new version in one step, and the
# service starts. Where it does not start, the old version comes back.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
source=${SOURCE:-$here}
# shellcheck source=deploy/places.sh
. "$here/deploy/places.sh"
# shellcheck source=deploy/environment.sh
. "$here/deploy/environment.sh"

while [ $# -gt 0 ]; do
  case $1 in
    -h | --help) sed -n '2,/^set/{/^set/d;s/^# \{0,1\}//;p}' "$0" && exit 0 ;;
    --source) [ $# -ge 2 ] || fail "--source wants a value."; source=$2 ;;
    *) place_option "$@" || fail "There is no option '$1'. See: sh $0 --help" ;;
  esac
  shift 2
done
require_places
[ -e "$source" ] || fail "There is nothing at $source."

current=$prefix/current
old=$(readlink "$current" || true)
new=versions/$(date -u +%Y%m%dT%H%M%S)-$$

as_account() {
  if [ "$(id -un)" = "$account" ]; then
    "$@"
  else
    runuser -u "$account" -- "$@"
  fi
}

# Files of the system: name it has here, name it gets. Tells whether anything had to be changed.
put_file() {
  mkdir -p "$(dirname "$2")"
  written_for_here <"$here/deploy/$1" >"$2.new"
  if cmp -s "$2.new" "$2"; then
    rm "$2.new"
  else
    mv "$2.new" "$2"
    say "Wrote $2."
  fi
}

written_for_here() {
  sed -e '/^#/!s,/opt/fairtake,'"$prefix"',g' \
    -e '/^#/!s,/srv/fairtake,'"$root"',g' \
    -e '/^d /s,/var/lib/fairtake,'"$state"',' \
    -e '/^[ud] /s, fairtake\b, '"$account"',g' \
    -e 's,^\(User\|Group\)=.*,\1='"$account"',' \
    -e 's,^\(ReadWritePaths\|RequiresMountsFor\)=.*,&'"$elsewhere"','
}

make_account_and_folders() {
  put_file fairtake.sysusers.conf "$etc/sysusers.d/fairtake.conf"
  put_file fairtake.tmpfiles.conf "$etc/tmpfiles.d/fairtake.conf"
  if is_trial; then
    mkdir -p "$root" "$state"
  elif command -v systemd-sysusers >/dev/null && command -v systemd-tmpfiles >/dev/null; then
    systemd-sysusers "$etc/sysusers.d/fairtake.conf"
    systemd-tmpfiles --create "$etc/tmpfiles.d/fairtake.conf"
  else
    id "$account" >/dev/null 2>&1 ||
      useradd --system --user-group --home-dir "$state" --shell /usr/sbin/nologin "$account"
    mkdir -p "$root" "$state"
    chown "$account:" "$root" "$state"
  fi
}

# Run with the new version. What people have changed in a ROOT stays.
make_root() {
  if [ -e "$root/fairtake.toml" ]; then
    as_account "$prefix/$new/bin/fairtake" init "$root" | sed -n 's/^wrote /New in this version: /p'
    return
  fi
  as_account "$prefix/$new/bin/fairtake" init "$root" >/dev/null
  as_account sed -i 's,^state = .*,state = "'"$state"'",' "$root/fairtake.toml"
  # People of the group drop into the inbox and read the rest; strangers see nothing.
  as_account chmod 2770 "$root/inbox"
  as_account chmod 2750 "$root" "$root/outbox" "$root/originals" "$root/quarantine"
  as_account chmod 0700 "$state"
  # Folders that people make in the inbox are open to the service, whatever their umask.
  if command -v setfacl >/dev/null; then
    as_account setfacl --default --modify "user:$account:rwx" "$root/inbox" || true
  fi
  as_account "$prefix/$new/bin/fairtake" init "$root" >/dev/null # now its state folder, too
  say "Made the folders of takes in $root."
}

# Folders that the settings put outside of ROOT, each after a blank, for the unit.
folders_elsewhere() {
  as_account "$prefix/$new/bin/python" - "$root" <<'PYTHON'
import sys
from pathlib import Path
from fairtake.folders import open_root
root = open_root(Path(sys.argv[1]))
places = {root.outbox, root.originals, root.quarantine, root.state} - {Path("/var/lib/fairtake")}
print("".join(f" {place}" for place in sorted(places) if not place.is_relative_to(root.path)))
PYTHON
}

answers() { # VERSION: whether it runs and finds nothing wrong; what it says goes to the file of notes
  "$prefix/$1/bin/fairtake" --version >"$notes" 2>&1 &&
    as_account "$prefix/$1/bin/fairtake" check "$root" >>"$notes" 2>&1
}

turn_to() { # VERSION, in one step
  ln -sfn "$1" "$current.new"
  mv -T "$current.new" "$current"
}

end_service() {
  if has_systemd && systemctl --quiet is-active fairtake; then
    systemctl stop fairtake
    say "The service has ended; takes in work went back into the inbox."
  fi
}

start_service() {
  has_systemd || return 0
  systemctl daemon-reload && systemctl --quiet enable fairtake && systemctl start fairtake
}

# --- the steps -----------------------------------------------------------------------------------

python=$(find_python)
where=$("$python" -c 'import os, sys; print(os.path.realpath(sys.executable))')
case $where in
  /usr/*) ;;
  *) is_trial || fail "The service may run programs below /usr only, and this Python is $where. Name another one: PYTHON=/usr/bin/python3 sh $0" ;;
esac

# An empty mount point looks like a new machine.
if [ ! -e "$root/fairtake.toml" ] && [ -e "$state/drives.json" ]; then
  fail "$state remembers takes, and $root holds none: is its drive not there? If they are gone for good, remove $state/drives.json and run this again."
fi

notes=$(mktemp)
unit_before=$(mktemp)
keep_new=no
clean_up() {
  rm -f "$notes" "$unit_before"
  [ $keep_new = yes ] || rm -rf "${prefix:?}/$new"
}
trap clean_up EXIT
trap 'exit 1' INT TERM

umask 022
mkdir -p "$prefix/versions"
say "Installing fairtake and what it needs into $prefix/$new ..."
"$python" -m venv "$prefix/$new" || fail "No Python environment could be made; the lines above say why."
install_new() {
  pip="$prefix/$new/bin/python -m pip install --quiet --disable-pip-version-check"
  # This checkout knows the exact versions it was tried with; what else is installed brings its own.
  if [ "$source" = "$here" ]; then
    $pip --require-hashes -r "$here/deploy/requirements.lock" && $pip --no-deps "$source"
  else
    $pip "$source"
  fi
}
install_new ||
  fail "The installation failed; the lines above say why. Nothing else was changed."
"$prefix/$new/bin/fairtake" --version >"$notes" 2>&1 || {
  cat "$notes" >&2
  fail "The new version does not run. Nothing else was changed."
}

elsewhere=""
make_account_and_folders
umask 027
make_root
umask 022
if ! answers "$new"; then
  cat "$notes" >&2
  if [ -z "$old" ] || answers "$old"; then
    fail "The new version finds the faults above. Nothing was started${old:+, and the old version stays}."
  fi
  say "The faults above are older than this version: mend them soon."
fi
elsewhere=$(folders_elsewhere)
[ ! -e "$(unit_file)" ] || cp "$(unit_file)" "$unit_before"
put_file fairtake.service "$(unit_file)"

end_service
keep_new=yes
turn_to "$new"
if ! start_service; then
  systemctl --no-pager --lines=20 status fairtake >&2 || true
  [ -n "$old" ] || fail "The service does not start; the lines above say why."
  systemctl stop fairtake || true
  turn_to "$old"
  keep_new=no
  cp "$unit_before" "$(unit_file)"
  start_service || fail "Neither version starts; the lines above say why."
  fail "The new version does not start; the old one runs again."
fi

# Of the older versions one stays, to go back to.
[ -z "$old" ] || ln -sfn "$old" "$prefix/previous"
for version in "$prefix"/versions/*; do
  case ${version#"$prefix/"} in
    "$new" | "$old") ;;
    *) rm -rf "$version" ;;
  esac
done
is_trial || ln -sfn "$current/bin/fairtake" /usr/local/bin/fairtake

say "$("$current/bin/fairtake" --version) is installed in $prefix${old:+; the version before it stays in $prefix/previous}."
say "Drop takes into $root/inbox; the finished ones come to $root/outbox."
if has_systemd; then
  say "The service runs, and starts with the machine. How it is: sudo fairtake status $root"
else
  say "systemd does not run here: start the service yourself, as $account: $current/bin/fairtake serve $root"
  [ -z "$old" ] || say "A service that runs already goes on with the old version until you end it (kill -TERM)."
fi
