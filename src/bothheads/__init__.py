"""bothheads: where a two-headed drum is, what a change would do, and how to get back to it.

A drum has two heads, one body of air and one pair of hands. Everything heard is a joint result of
both heads; everything done is done to one rod of one head. See ``docs/nomenclature.md``.
"""

import os as _os

# A fit works on 200 x 200 matrices; a second BLAS thread only spins and costs a factor of ten.
# This must happen before numpy is imported for the first time; a user's own setting wins.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    _os.environ.setdefault(_name, "1")

__version__ = "0.1.0"
