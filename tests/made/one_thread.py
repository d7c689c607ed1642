"""One thread for every library that could start more: imported before any of them, since they read this when they are loaded.

Two workers of the suite have a core each, and threads that wait for one another cost both. A child that is forked after
threads were begun waits for threads that it does not have (`forked_command.py`). That the bytes of a night are the same with
two threads is looked at in a process of its own (`test_night.py`).
"""

import os
import sys

NAMES = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")

if "numba" in sys.modules and os.environ.get("NUMBA_NUM_THREADS") != "1":
    raise ImportError("numba was imported before one_thread and may have begun its threads: import one_thread first")
os.environ.update(dict.fromkeys(NAMES, "1"))
