#!/bin/sh
# Removes the service and the program. Takes, settings and what fairtake remembers stay.
#
#   sudo sh deploy/uninstall.sh [--root DIR] [--prefix DIR] [--etc DIR]
#
# Give the same options, or variables of the environment, as to install.sh.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
# shellcheck source=deploy/places.sh
. "$here/deploy/places.sh"

while [ $# -gt 0 ]; do
  case $1 in
    -h | --help) sed -n '2,/^set/{/^set/d;s/^# \{0,1\}//;p}' "$0" && exit 0 ;;
    *) place_option "$@" || fail "There is no option '$1'. See: sh $0 --help" ;;
  esac
  shift 2
done
require_places

if has_systemd && [ -e "$(unit_file)" ]; then
  systemctl --quiet disable --now fairtake
  say "The service has ended; takes in work went back into the inbox."
fi
rm -f "$(unit_file)" "$etc/sysusers.d/fairtake.conf" "$etc/tmpfiles.d/fairtake.conf"
if has_systemd; then systemctl daemon-reload; fi
if ! is_trial && [ "$(readlink /usr/local/bin/fairtake)" = "$prefix/current/bin/fairtake" ]; then
  rm /usr/local/bin/fairtake
fi
rm -rf "${prefix:?}/versions" "$prefix/current" "$prefix/previous"
rmdir "$prefix" 2>/dev/null || true
say "Removed the program from $prefix and its unit from $etc."
say "$root stays, with every take in it${state:+, and $state, with what fairtake remembers of them}. So does the account $account."
for claim in "$root"/.fairtake/claims/*/take; do
  [ ! -e "$claim" ] || say "A take is still in work, in $claim: install fairtake again, or fetch it from there."
done
