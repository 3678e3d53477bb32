"""Register two outlines of 5,000 points against one k-d tree build and query of the same points.

The registration goes from points to the signed distance of every point: the search for the pose
from any turn, the sound edges, the exact distances.  What a comparison does after it is not timed:
stretches, features, doubts, files.  The tree is scipy's, queried with the points in the place where
the registration ends; the same from where it starts is printed too.
Processor time, the best of many, in turns, so that neighbours on the machine count little.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import time
from collections.abc import Callable

import numpy as np
from scipy.spatial import KDTree

from digitize.comparing.boundary import Boundary
from digitize.comparing.pose import Pose
from digitize.comparing.registration import register_edges

POINTS, ROUNDS = 5000, 40


def main() -> None:
    t = np.linspace(0.0, 2 * np.pi, POINTS, endpoint=False)
    r = 100 + 12 * np.sin(t) + 4 * np.cos(2 * t) + 10 * np.cos(3 * t) + 5 * np.sin(7 * t)
    old = r[:, None] * np.column_stack((np.cos(t), np.sin(t)))
    rng = np.random.default_rng(1)
    true = Pose(2.1, (30.0, -70.0))
    new = true.back(old + rng.normal(0.0, 0.05, old.shape))
    placed = true.of(new)

    def register() -> float:
        found = register_edges(Boundary.of_points(new), Boundary.of_points(old))
        assert len(found.nearest.signed_mm) == POINTS
        return found.rms_mm

    jobs: dict[str, Callable[[], object]] = {
        "tree, points in place": lambda: KDTree(old).query(placed),
        "tree, points as they start": lambda: KDTree(old).query(new),
        "registration": register,
    }
    best = dict.fromkeys(jobs, np.inf)
    for _ in range(ROUNDS):
        for name, job in jobs.items():
            began = time.process_time()
            job()
            best[name] = min(best[name], time.process_time() - began)
    for name, seconds in best.items():
        print(f"{name:28s} {1e3 * seconds:7.2f} ms")
    for name in list(jobs)[:2]:
        print(
            f"registration / {name:28s} {best['registration'] / best[name]:5.2f} (target 5 at most)"
        )


if __name__ == "__main__":
    main()
