#!/bin/sh
# The unit and the installer under a real systemd, in a bare Debian of its own. Not part of the suite:
# it takes minutes, root, debootstrap, systemd-nspawn, and a network to install from.
#
#   sudo sh tests/deploy/try_systemd.sh [DIR]      # DIR, here .trial, keeps the Debian for the next time
#
# NSPAWN_OPTIONS are handed on to systemd-nspawn, as --bind-ro=/etc/pip.conf. in_machine.sh is what is
# done inside; it ends with a line that says whether all went well.
set -eu
here=$(cd "$(dirname "$0")/../.." && pwd)
mkdir -p "${1:-$here/.trial}"
dir=$(cd "${1:-$here/.trial}" && pwd)
machine=$dir/systemd

if [ ! -e "$machine/made" ]; then
  rm -rf "$machine"
  debootstrap --variant=minbase \
    --include=systemd,systemd-sysv,dbus,procps,ca-certificates,python3,python3-venv bookworm "$machine"
  touch "$machine/made"
fi
# What a trial before this one left.
for left in source opt/fairtake srv/fairtake var/lib/fairtake trial.log; do rm -rf "${machine:?}/$left"; done
find "$machine/etc/systemd/system" -name fairtake.service -delete
mkdir "$machine/source"
for part in pyproject.toml README.md LICENSE config service deploy samples tests/deploy/in_machine.sh; do
  mkdir -p "$(dirname "$machine/source/$part")"
  cp -R "$here/$part" "$machine/source/$part"
done
cat >"$machine/etc/systemd/system/trial.service" <<'UNIT'
[Service]
Type=oneshot
Environment=HOME=/root
ExecStart=/bin/bash /source/tests/deploy/in_machine.sh
StandardOutput=append:/trial.log
StandardError=append:/trial.log
ExecStopPost=/bin/systemctl --no-block poweroff
UNIT
mkdir -p "$machine/etc/systemd/system/multi-user.target.wants"
ln -sf ../trial.service "$machine/etc/systemd/system/multi-user.target.wants/trial.service"

# The service's workers confine themselves by calls that a container does not allow of itself.
# shellcheck disable=SC2086
systemd-nspawn --quiet --directory="$machine" --machine="fairtake-trial-$$" --register=no --keep-unit \
  --system-call-filter="landlock_create_ruleset landlock_add_rule landlock_restrict_self" ${NSPAWN_OPTIONS:-} --boot systemd.unit=multi-user.target \
  </dev/null >"$dir/boot.log" 2>&1 || true
cat "$machine/trial.log"
grep -q '^All went well.$' "$machine/trial.log"
