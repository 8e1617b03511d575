#!/bin/sh
# The whole test suite, in an environment of its own: .venv-test, or $FAIRTAKE_TEST_ENV.
set -eu
here=$(cd "$(dirname "$0")/.." && pwd)
cd "$here"
. deploy/environment.sh
make_environment "${FAIRTAKE_TEST_ENV:-$here/.venv-test}" "$here" "[test]"
"$ENV_PYTHON" -m ruff check .
"$ENV_PYTHON" -m ruff format --check .
"$ENV_PYTHON" -m mypy
# On every core, each file on one of them: a file's tests share what is dear to make.
exec "$ENV_PYTHON" -m pytest -n auto --dist loadfile "$@"
