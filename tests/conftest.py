"""Makes the helpers in this folder (`far_ends`) importable from the test folders below it.

And sets, before anything imports numpy, what the installed command sets: one thread for its small matrices. A shell
starts what runs in the background with Ctrl-C ignored, and every child would inherit that: the tests send it to some.
"""

import os
import signal

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
