#!/bin/sh
# Before a release: writes deploy/requirements.lock and LICENCES.md anew, from pyproject.toml and from what
# the package index has today. Makes .venv-lock for it.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
cd "$here"
. deploy/environment.sh
python=$(find_python) || exit 2
[ -x .venv-lock/bin/python ] || "$python" -m venv .venv-lock
.venv-lock/bin/python -m pip install --quiet --disable-pip-version-check --upgrade uv packaging
uv=.venv-lock/bin/uv
lock=deploy/requirements.lock
{
  echo "# What a service is installed with, in exact versions: for every Python from 3.11 on and every system."
  echo "#   pip install --require-hashes -r $lock && pip install --no-deps ."
  echo "# Written by deploy/lock.sh."
  "$uv" pip compile pyproject.toml --universal --python-version 3.11 --generate-hashes --upgrade --no-header --quiet
} > "$lock.part"
mv "$lock.part" "$lock"
rm -rf .venv-lock/all   # the newest Python of the classifiers has the most dependencies
"$uv" pip install --quiet --target .venv-lock/all --python-version 3.14 --no-deps -r "$lock"
.venv-lock/bin/python deploy/licences.py .venv-lock/all
