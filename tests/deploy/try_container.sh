#!/bin/sh
# deploy/Containerfile, built and run as deploy/compose.yaml runs it, where no container engine is: buildah
# builds it upon a bare Debian from debootstrap, and namespaces stand in for the engine. Not part of the
# suite: it takes minutes, root, debootstrap, buildah, and a network to install from.
#
#   sudo sh tests/deploy/try_container.sh [DIR]    # DIR, here .trial, keeps the Debian for the next time
#
# BUILDAH_OPTIONS are handed on to the build, as -v /etc/pip.conf:/etc/pip.conf:ro. The last line says
# whether all went well.
set -eu
here=$(cd "$(dirname "$0")/../.." && pwd)
mkdir -p "${1:-$here/.trial}"
dir=$(cd "${1:-$here/.trial}" && pwd)
debian=$dir/python takes=$dir/takes
images="--storage-driver vfs --root $dir/images --runroot $dir/images.run"

build() { # what follows, by buildah, without a daemon
  # shellcheck disable=SC2086
  buildah $images "$@"
}

if [ ! -e "$debian/made" ]; then
  rm -rf "$debian"
  debootstrap --variant=minbase --include=ca-certificates,python3,python3-venv bookworm "$debian"
  touch "$debian/made"
fi
base=$(build from scratch)
build add -q "$base" "$debian" / >/dev/null
build commit -q "$base" localhost/trial-base >/dev/null
build rm "$base" >/dev/null
# shellcheck disable=SC2086
build bud --isolation chroot --network host --format docker --build-arg BASE=localhost/trial-base \
  ${BUILDAH_OPTIONS:-} -f "$here/deploy/Containerfile" -t fairtake "$here" >"$dir/build.log" 2>&1 ||
  { tail -30 "$dir/build.log" && exit 1; }
echo "Built: $(build inspect --type image --format '{{.Docker.Config.User}} {{.Docker.Config.Entrypoint}} {{.Docker.Config.Cmd}}' fairtake)"
image=$(build from fairtake)
files=$(build mount "$image")
trap 'build rm "$image" >/dev/null' EXIT
rm -rf "$takes"
install -d -o 10001 -g 10001 "$takes"

# As compose runs it: no right to write but in the takes and /tmp, no network, an account without rights.
inside() {
  # shellcheck disable=SC2016
  unshare --mount --net --pid --ipc --fork --kill-child sh -c '
    set -e
    files=$1 takes=$2
    shift 2
    mount --make-rprivate /
    mount --bind "$files" "$files"
    mount -t proc proc "$files/proc"
    mount -t tmpfs -o size=512m,mode=1777 tmpfs "$files/tmp"
    mount --bind "$takes" "$files/srv/fairtake"
    mount --bind /dev "$files/dev"
    mount -o remount,bind,ro "$files"
    exec chroot --userspec=10001:10001 --groups= "$files" /usr/bin/setpriv --no-new-privs \
      /usr/bin/env -i PATH=/opt/fairtake/bin:/usr/bin:/bin HOME=/tmp PYTHONDONTWRITEBYTECODE=1 "$@"
  ' sh "$files" "$takes" "$@"
}

inside fairtake init /srv/fairtake
sed -i 's/^settle_s = .*/settle_s = 1.0/' "$takes/fairtake.toml"
for place in /opt/fairtake /usr /etc /; do
  if inside touch "$place/mine" 2>/dev/null; then echo "$place can be written." && exit 1; fi
done
inside fairtake check /srv/fairtake
cp -R "$here/samples/Nine Lamps at Orrowmere" "$takes/inbox/"
chown -R 10001:10001 "$takes/inbox" # as by somebody who drops with the account compose.yaml names
inside fairtake serve /srv/fairtake --once || [ $? -eq 1 ] # one take is damaged on purpose
# The service, its health check, and the end as the engine brings it about.
# shellcheck disable=SC2016
inside sh -c '
  fairtake serve /srv/fairtake &
  for try in 1 2 3 4 5 6 7 8 9 10 11 12; do
    sleep 1
    if fairtake status /srv/fairtake --json | grep -q "\"alive\": true"; then healthy=yes && break; fi
  done
  [ "$healthy" = yes ] && kill -TERM $! && wait $!
'
found=$(find "$takes/outbox" -name '*.receipt.json' | wc -l)
failed=$(find "$takes/quarantine" -name '*.reason.json' | wc -l)
echo "Finished: $found. In quarantine: $failed. Of another account: $(find "$takes" ! -user 10001 | wc -l)."
[ "$found" -eq 3 ] && [ "$failed" -eq 1 ]
echo "All went well."
