#!/bin/sh
# The demo: from nothing to finished takes. Everything it makes lies in .demo, or in $1.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
demo=${1:-$here/.demo}
. "$here/deploy/environment.sh"
mkdir -p "$demo"
make_environment "$demo/env" "$here" ""

root="$demo/root"
rm -rf "$root"
"$demo/env/bin/fairtake" init "$root"
# The samples are copied by nobody slow: a short wait will do.
sed -i.bak 's/^settle_s = .*/settle_s = 1.0/' "$root/fairtake.toml" && rm "$root/fairtake.toml.bak"
cp -R "$here/samples/Nine Lamps at Orrowmere" "$here/samples/Trailer" "$root/inbox/"
echo
echo "Dropped into the inbox: the takes of 'Nine Lamps at Orrowmere', and a mix. Running the service:"
# It ends with 1 because one take is damaged on purpose.
"$demo/env/bin/fairtake" serve "$root" --once || [ $? -eq 1 ]
echo
"$ENV_PYTHON" "$here/deploy/demo_table.py" "$root"
