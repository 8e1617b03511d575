#!/bin/sh
# The README's pictures of the pages, from the demo's own outbox. Needs chromium, and takes pngquant
# where there is one, to make them smaller.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
sh "$here/deploy/demo.sh"
outbox="$here/.demo/root/outbox"
into="$here/samples/pages"
mkdir -p "$into"
picture() { # NAME WIDTH,HEIGHT PAGE
  chromium --headless --no-sandbox --disable-gpu --hide-scrollbars --window-size="$2" \
    --screenshot="$into/$1.png" "file://$3" >/dev/null 2>&1
  if command -v pngquant >/dev/null; then pngquant --force --ext .png 32 "$into/$1.png"; fi
}
picture index 1000,620 "$outbox/index.html"
picture take 1000,1120 "$outbox/Nine%20Lamps%20at%20Orrowmere/02%20A%20Letter%20in%20Salt.html"
picture trailer 1000,1000 "$outbox/Trailer/Orrowmere%20Calls.html"
echo "Wrote $into/index.png, $into/take.png and $into/trailer.png."
