"""Makes the helpers in this folder (`far_ends`) importable from the test folders below it.

And sets, before anything imports numpy, what the installed command sets: one thread for its small matrices.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
