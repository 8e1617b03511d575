"""Stands here so that tests can import the signal makers beside it: ``from signals import tone``."""

import os
import signal

# Small matrices gain nothing from threads, and lose a lot where other work fills the cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Started in the background of a script, all that we start would be deaf to Ctrl-C.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
