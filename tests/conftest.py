"""Set before NumPy is imported: with more BLAS threads than one, small fits take ten times as long."""

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
