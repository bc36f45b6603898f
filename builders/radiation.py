"""Builds src/bothheads/physics/data/radiation.npz: the outside air of drums over aspect ratio and frequency.

    python builders/radiation.py [--jobs 2]

Under a minute on two cores. Every number is the solution of the boundary integral equation in
``bothheads.physics.cylinder``; nothing is fitted.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from bothheads.physics import radiation

OUT = Path(__file__).parent.parent / "src/bothheads/physics/data/radiation.npz"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=2)
    jobs = parser.parse_args().jobs
    start = time.perf_counter()
    aspects = radiation.aspect_nodes()
    with ProcessPoolExecutor(jobs) as pool:
        solved = list(pool.map(radiation.solve_aspect, aspects.tolist()))
    upper = np.triu_indices(radiation.SOURCES)
    stored = {key: np.array([one[key] for one in solved]) for key in solved[0]}
    for key in ("load", "load_static"):
        stored[key] = stored[key][..., upper[0], upper[1]]
    for key in ("side", "side_static"):
        stored[key] = stored[key].astype(np.float32)
    OUT.parent.mkdir(exist_ok=True)
    np.savez_compressed(OUT, **stored)
    print(f"{OUT.name}: {OUT.stat().st_size / 1e6:.2f} MB in {time.perf_counter() - start:.1f} s")


if __name__ == "__main__":
    main()
