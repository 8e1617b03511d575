"""Stands here so that tests can import the signal makers beside it: ``from signals import tone``."""

import os

# Small matrices gain nothing from threads, and lose a lot where other work fills the cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
