# Sourced: `make_environment DIR EXTRA` makes a Python environment in DIR with this checkout
# installed in it, EXTRA being '' or '[test]', and sets $ENV_PYTHON.
# shellcheck shell=sh disable=SC2015

find_python() {
  for candidate in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11 python; do
    [ -n "$candidate" ] && command -v "$candidate" >/dev/null 2>&1 || continue
    if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      echo "$candidate"
      return 0
    fi
  done
  echo "fairtake needs Python 3.11 or newer with its venv module (on Debian: apt-get install python3-venv)." >&2
  return 1
}

make_environment() {
  python=$(find_python) || exit 2
  if [ ! -x "$1/bin/python" ]; then
    echo "Making a Python environment in $1 ..."
    "$python" -m venv "$1" || exit 2
  fi
  ENV_PYTHON="$1/bin/python"
  echo "Installing fairtake and what it needs ..."
  "$ENV_PYTHON" -m pip install --quiet --disable-pip-version-check --upgrade --force-reinstall --no-deps "$2" &&
    "$ENV_PYTHON" -m pip install --quiet --disable-pip-version-check "$2$3" || {
      echo "The installation failed; the lines above say why." >&2
      exit 2
    }
}
