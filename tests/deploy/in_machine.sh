#!/bin/bash
# What try_systemd.sh does in its Debian: install, serve, upgrade in the middle of a take, roll back, remove.
set -euo pipefail
cd /source
rm -rf /dropped && mkdir /dropped
sample="samples/Nine Lamps at Orrowmere/01 The Harbour Bell.wav"
trap 'echo "FAILED at line $LINENO."; journalctl --unit fairtake --no-pager --lines 40 || true' ERR

step() { printf '\n== %s (%s s)\n' "$*" "$SECONDS"; }
await() { # SECONDS COMMAND...
  local left=$1
  shift
  until "$@"; do
    left=$((left - 1))
    [ $left -gt 0 ] || { echo "It never came about: $*" && return 1; }
    sleep 0.2
  done
}
drop() { # NAME; each has bytes of its own, and comes by a rename, as from a careful program
  cat "$sample" - >"/dropped/$1.wav" <<<"$1"
  install -o fairtake -g fairtake -m 0640 "/dropped/$1.wav" /srv/fairtake/inbox/.arriving
  mv /srv/fairtake/inbox/.arriving "/srv/fairtake/inbox/$1.wav"
}
finished() { [ -e "/srv/fairtake/outbox/$1.receipt.json" ]; }
in_work() { compgen -G '/var/lib/fairtake/scratch/*/*' >/dev/null; }
same_take() { cmp "/dropped/$1.wav" "/srv/fairtake/originals/$1.wav"; }
next_version() { sed -i 's/^version = .*/version = "'"$1"'"/' pyproject.toml; }

step "install"
sh deploy/install.sh
sed -i 's/^settle_s = .*/settle_s = 1.0/' /srv/fairtake/fairtake.toml
systemctl restart fairtake
systemctl is-active fairtake
systemctl show fairtake --property=User,StatusText,MainPID
stat --format='%A %U:%G %n' /srv/fairtake /srv/fairtake/* /var/lib/fairtake
systemd-analyze security fairtake --no-pager | tail -1

step "a take"
drop one
await 300 finished one
same_take one
runuser -u fairtake -- fairtake check /srv/fairtake
runuser -u fairtake -- fairtake status /srv/fairtake

step "again, the same version"
sh deploy/install.sh
systemctl is-active fairtake

step "a newer version, in the middle of a take"
next_version 0.2.0
sed -i 's/^settle_s = .*/settle_s = 1.0/' /srv/fairtake/fairtake.toml
drop two
await 300 in_work
systemctl stop fairtake
[ -e /srv/fairtake/inbox/two.wav ] # as the log says, too: unclaimed, the service ends
journalctl --unit fairtake --no-pager --output cat | grep -q 'unclaimed .*two.wav'
systemctl start fairtake
for copy in 1 2 3 4 5 6 7 8; do drop "many $copy"; done # some will be in work when the installer ends it
sh deploy/install.sh
[ "$(fairtake --version)" = "fairtake 0.2.0" ]
for name in two "many "{1..8}; do
  await 600 finished "$name"
  same_take "$name"
done
[ -z "$(find /srv/fairtake/quarantine /srv/fairtake/.fairtake/claims -type f)" ]
versions=(/opt/fairtake/versions/*)
[ ${#versions[@]} = 2 ]

step "a version that does not start"
next_version 0.3.0
cp service/fairtake/serving/serve.py /serve.kept
sed -i '1i raise SystemExit("it does not serve")' service/fairtake/serving/serve.py
if sh deploy/install.sh; then false; fi
[ "$(fairtake --version)" = "fairtake 0.2.0" ]
systemctl is-active fairtake
drop three
await 300 finished three
cp /serve.kept service/fairtake/serving/serve.py

step "remove"
find /srv/fairtake -type f ! -name '*.html' ! -name '*.csv' -exec sha256sum {} + | sort >/before
sh deploy/uninstall.sh
find /srv/fairtake -type f ! -name '*.html' ! -name '*.csv' -exec sha256sum {} + | sort >/after
diff /before /after
[ ! -e /opt/fairtake ] && [ ! -e /usr/local/bin/fairtake ]
if systemctl is-active fairtake; then false; fi

step "done"
echo "All went well."
