"""ackproof: prove after a storage takeover which acknowledged writes survived, and say exactly which were lost."""

import os

# No linear algebra is done here; numpy's threads for it would only spin beside the lanes.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
