"""Isolation trees grown and read without the library's work around each tree.

The trees are the library's own (``ExtraTreeRegressor``), with its seeds, so scores
are those of its ``IsolationForest`` to the bit. That one copies, checks and weighs
all rows once for each tree, which takes five sixths of a fit of 32 small trees.

References
----------
Liu, Ting and Zhou, Isolation Forest, ICDM 2008.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MOST_SEED = int(np.iinfo(np.int32).max)


@dataclass(frozen=True)
class Trees:
    """A grown forest."""

    trees: list[Any]
    """The library's plain trees."""
    lengths: list[FloatArray]
    """By tree, the path length that ends in each node, shape (nodes,)."""
    usual: float
    """Mean path length of a search among a tree's rows, times the number of trees."""

    def scores(self, rows: FloatArray) -> FloatArray:
        """Return minus the paper's anomaly score; lower is odder.

        Parameters
        ----------
        rows
            Finite numbers, shape (n, features).
        """
        single = np.ascontiguousarray(rows, dtype=np.float32)
        depth = np.zeros(len(rows))
        for tree, length in zip(self.trees, self.lengths, strict=True):
            depth += length[tree.apply(single)]
        return np.asarray(-(2.0 ** -(depth / self.usual)))


def grow(rows: FloatArray, trees: int, samples: int, seed: int) -> Trees:
    """Grow a forest.

    Parameters
    ----------
    rows
        Finite numbers, shape (n, features), n at least ``samples``.
    trees, samples
        How many trees, and rows of each, at least 3.
    seed
        Makes all that is random.
    """
    from sklearn import config_context
    from sklearn.tree import ExtraTreeRegressor
    from sklearn.utils.random import sample_without_replacement

    single = np.ascontiguousarray(rows, dtype=np.float32)
    n, width = single.shape
    # One generator is sown again for each use: making one costs as much as a small tree.
    random = np.random.RandomState(seed)
    target = np.asarray(random.uniform(size=n), dtype=np.float64)
    random.seed(seed)
    seeds = random.randint(MOST_SEED, size=trees).tolist()
    grown, lengths = [], []
    means = mean_path(samples)
    depth = math.ceil(math.log2(samples))
    with config_context(assume_finite=True, skip_parameter_validation=True):
        for one in seeds:
            random.seed(one)
            sample_without_replacement(width, width, random_state=random)  # features: all
            # Sorted, as if the rows left out had no weight.
            own = np.sort(sample_without_replacement(n, samples, random_state=random))
            random.seed(one)
            random.seed(random.randint(MOST_SEED))
            tree = ExtraTreeRegressor(max_depth=depth, max_features=1, random_state=random)
            inner = tree.fit(single[own], target[own], check_input=False).tree_
            grown.append(inner)
            lengths.append(inner.compute_node_depths() + means[inner.n_node_samples] - 1.0)
    return Trees(grown, lengths, trees * float(means[samples]))


def mean_path(most: int) -> FloatArray:
    """Return the mean path length of an unsuccessful search among 0 to ``most`` rows."""
    n = np.arange(3.0, most + 1.0)
    tail = 2.0 * (np.log(n - 1.0) + np.euler_gamma) - 2.0 * (n - 1.0) / n
    return np.concatenate([[0.0, 0.0, 1.0], tail])
