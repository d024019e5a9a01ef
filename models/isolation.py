"""Isolation trees, grown and read on arrays, many trees at once.

Scores are those of scikit-learn's ``IsolationForest``, to the bit (``tests/models/test_forest.py``
compares them): the same rows a tree, the same draws of signs and thresholds in the same order.
Loading the library takes ten times as long as growing a month's trees does, in each process
and each night, and its draws may change from one version to the next, which a finding must not.

References
----------
Liu, Ting and Zhou, Isolation Forest, ICDM 2008. Marsaglia, Xorshift RNGs, Journal of
Statistical Software 8 (2003), 14: the generator of draws within a tree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
SingleArray = NDArray[np.float32]
IntArray = NDArray[np.int64]

MOST_SEED: Final = int(np.iinfo(np.int32).max)
ALIKE: Final = np.float32(1e-7)
"""Values of a sign that differ by no more are one value (the library's)."""
ROWS_AT_ONCE: Final = 512
"""Rows that are read at once: what a step needs then stays near the processor (by timing)."""


@dataclass(frozen=True)
class Trees:
    """A grown forest; each tree is filled up to its full depth with splits that send all left."""

    feature: list[NDArray[np.intp]]
    """By depth, the sign that each node splits on, shape (trees, 2 ** depth)."""
    threshold: list[SingleArray]
    """Values up to this go left, same shapes."""
    length: FloatArray
    """Path length that ends in each leaf, shape (trees, 2 ** depth)."""
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
        for first in range(0, len(rows), ROWS_AT_ONCE):
            chunk = slice(first, first + ROWS_AT_ONCE)
            depth[chunk] = self._depth(single[chunk])
        return np.asarray(-(2.0 ** -(depth / self.usual)))

    def _depth(self, rows: SingleArray) -> FloatArray:
        """Return the path lengths of some rows over all trees, shape (n,)."""
        n, width = rows.shape
        flat = rows.ravel()
        begin = (np.arange(n, dtype=np.intp) * width)[None, :]
        node = np.repeat(np.arange(len(self.length), dtype=np.intp)[:, None], n, axis=1)
        for feature, threshold in zip(self.feature, self.threshold, strict=True):
            right = flat.take(feature.take(node) + begin) > threshold.take(node)
            node += node
            node += right
        return np.asarray(np.add.reduce(self.length.take(node), axis=0))  # tree after tree


def grow(rows: FloatArray, trees: int, samples: int, seed: int) -> Trees:
    """Grow one forest; see ``grow_all``."""
    return grow_all([rows], trees, samples, [seed])[0]


def grow_all(
    blocks: Sequence[FloatArray], trees: int, samples: int, seeds: Sequence[int]
) -> list[Trees]:
    """Grow forests beside each other, a step of every tree at a time.

    Parameters
    ----------
    blocks
        Finite numbers by forest, shape (n, features), n at least ``samples``.
    trees, samples
        How many trees, and rows of each, at least 3.
    seeds
        Make all that is random, one a forest.
    """
    values, widths, draws = [], [], []
    for rows, seed in zip(blocks, seeds, strict=True):
        single = np.ascontiguousarray(rows, dtype=np.float32)
        for own, state in _drawn(len(single), trees, samples, seed):
            values.append(single[own])
            draws.append(state)
            widths.append(single.shape[1])
    most = max(widths)
    padded = np.zeros((len(values), samples, most), dtype=np.float32)
    for one, width, block in zip(padded, widths, values, strict=True):
        one[:, :width] = block
    grown = _Growing(padded, np.array(widths), np.array(draws, dtype=np.uint32))
    return [grown.finish(slice(i * trees, (i + 1) * trees), samples) for i in range(len(blocks))]


def _drawn(n: int, trees: int, samples: int, seed: int) -> list[tuple[IntArray, int]]:
    """Return each tree's rows, in order, and where its generator of draws begins."""
    random = np.random.RandomState(seed)
    out = []
    for one in random.randint(MOST_SEED, size=trees).tolist():
        # One generator is sown again for each use: making one takes longer.
        random.seed(one)
        own = _chosen(random, n, samples)
        random.seed(one)
        random.seed(random.randint(MOST_SEED))
        out.append((own, int(random.randint(0, MOST_SEED))))
    return out


def _chosen(random: Any, n: int, samples: int) -> IntArray:
    """Draw rows without putting back; in order."""
    if samples / n < 0.99:
        return np.sort(random.permutation(n)[:samples])
    kept = np.arange(samples)
    for i in range(samples, n):  # nearly all: those that are left out are drawn
        j = int(random.randint(0, i + 1))
        if j < samples:
            kept[j] = i
    return np.sort(kept)


class _Growing:
    """Trees while they grow: each takes its nodes depth first, left before right."""

    def __init__(self, values: SingleArray, widths: IntArray, draws: NDArray[np.uint32]) -> None:
        trees, samples, most = values.shape
        self.depth = math.ceil(math.log2(samples))
        self.flat, self.width, self.samples, self.most = values.ravel(), widths, samples, most
        self.row = np.arange(trees * samples) * most
        """Where each row's values begin; rows of one node stand together."""
        self.random = np.where(draws == 0, np.uint32(1), draws)
        self.order = np.tile(np.arange(most), trees)
        """Signs of each tree as they are drawn from: those known to be constant first."""
        self.constant = np.zeros((trees, most), dtype=np.int64)
        self.feature = np.zeros(trees << self.depth, dtype=np.intp)
        """Of each node, at the place that follows those of lesser depth in its tree."""
        self.threshold = np.full(trees << self.depth, np.inf, dtype=np.float32)
        self.count = np.zeros(trees << self.depth, dtype=np.int64)
        self.level = np.zeros(trees << self.depth, dtype=np.int64)
        # A node waits with its first and last row, depth, place in its depth, known constants.
        self.stack = np.zeros((trees, self.depth + 2, 5), dtype=np.int64)
        self.stack[:, 0] = [0, samples, 0, 0, 0]
        self.height = np.ones(trees, dtype=np.int64)
        while (tree := np.flatnonzero(self.height)).size:
            self._step(tree)

    def finish(self, at: slice, samples: int) -> Trees:
        """Return some of the trees as one forest."""
        means = mean_path(samples)
        spans = [slice((1 << d) - 1, (2 << d) - 1) for d in range(self.depth)]
        feature, threshold, count, level = (
            x.reshape(-1, 1 << self.depth)[at]
            for x in (self.feature, self.threshold, self.count, self.level)
        )
        return Trees(
            [feature[:, d].copy() for d in spans],
            [threshold[:, d].copy() for d in spans],
            (level + 1) + means[count] - 1.0,
            len(level) * float(means[samples]),
        )

    def _step(self, tree: IntArray) -> None:
        """Let trees that have nodes waiting take the next one each."""
        self.height[tree] -= 1
        node = self.stack[tree, self.height[tree]].T
        sign, low, high, known = self._draw(tree, node[0], node[1], node[4])
        splits = sign >= 0
        if not splits.all():
            ends = ~splits
            self._leaf(tree[ends], node[2][ends], node[3][ends], (node[1] - node[0])[ends])
            tree, node, sign, known = tree[splits], node[:, splits], sign[splits], known[splits]
            low, high = low[splits], high[splits]
        if not tree.size:
            return
        first, last, depth, place, _ = node
        least, most = low.astype(np.float64), high.astype(np.float64)
        between = (most - least) * self._next(tree) / MOST_SEED + least
        limit = _down(np.where(between == most, least, between))
        middle = self._part(tree, first, last, sign, limit)
        at = (tree << self.depth) + (1 << depth) - 1 + place
        self.feature[at], self.threshold[at] = sign, limit
        depth = depth + 1
        for side, begin, end in ((1, middle, last), (0, first, middle)):
            below = 2 * place + side
            more = (depth < self.depth) & (end - begin >= 2)
            ends = ~more
            self._leaf(tree[ends], depth[ends], below[ends], (end - begin)[ends])
            own = tree[more]
            waiting = np.stack([begin, end, depth, below, known], axis=1)
            self.stack[own, self.height[own]] = waiting[more]
            self.height[own] += 1

    def _leaf(self, tree: IntArray, depth: IntArray, place: IntArray, rows: IntArray) -> None:
        # Its way goes on to the left, down to the full depth.
        at = (tree << self.depth) + (place << (self.depth - depth))
        self.count[at], self.level[at] = rows, depth

    def _next(self, tree: IntArray) -> IntArray:
        """Draw a number below 2 ** 31 for each tree."""
        x = self.random[tree]
        x ^= x << np.uint32(13)
        x ^= x >> np.uint32(17)
        x ^= x << np.uint32(5)
        self.random[tree] = x
        return (x & np.uint32(MOST_SEED)).astype(np.int64)

    def _draw(
        self, tree: IntArray, first: IntArray, last: IntArray, known: IntArray
    ) -> tuple[IntArray, SingleArray, SingleArray, IntArray]:
        """Draw signs until one is not constant in a node; -1 where all are.

        Returns the sign, its least and greatest value, and how many signs are known to be
        constant then; shape (trees,) each.
        """
        sign = np.full(tree.size, -1)
        low, high = np.zeros((2, tree.size), dtype=np.float32)
        drawn, found, place = np.zeros((3, tree.size), dtype=np.int64)
        width, begin = self.width[tree], tree * self.most
        at = np.flatnonzero(width > known)
        while at.size:
            waiting = at
            while waiting.size:  # a constant that was known costs a draw, and is not drawn again
                done = drawn[waiting]
                span = width[waiting] - found[waiting] - done
                where = done + self._next(tree[waiting]) % span
                place[waiting] = where
                old = where < known[waiting]
                waiting = waiting[old]
                self._swap(begin[waiting] + done[old], begin[waiting] + where[old])
                drawn[waiting] += 1
            where = begin[at] + place[at] + found[at]
            chosen = self.order[where]
            least, most = self._ends(tree[at], first[at], last[at], chosen)
            alike = most <= least + ALIKE
            aside = np.where(alike, known[at] + found[at], width[at] - 1)
            self._swap(where, begin[at] + aside)
            sign[at], low[at], high[at] = np.where(alike, -1, chosen), least, most
            at = at[alike]
            found[at] += 1
            at = at[width[at] > known[at] + found[at]]
        self._settle(tree, known, found, np.flatnonzero(drawn + found))
        return sign, low, high, known + found

    def _settle(self, tree: IntArray, known: IntArray, found: IntArray, at: IntArray) -> None:
        """Keep the order of signs that are known to be constant for all nodes below."""
        own, column = tree[at], np.arange(self.most)
        order = self.order.reshape(-1, self.most)
        before = column < known[at, None]
        now = column < (known + found)[at, None]
        kept = np.where(before, self.constant[own], order[own])
        order[own] = kept
        self.constant[own] = np.where(now, kept, self.constant[own])

    def _swap(self, one: IntArray, other: IntArray) -> None:
        held = self.order[one]
        self.order[one] = self.order[other]
        self.order[other] = held

    def _rows(
        self, tree: IntArray, first: IntArray, counts: IntArray
    ) -> tuple[IntArray, IntArray]:
        """Return where the rows of nodes stand, node after node, and where each begins."""
        begins = np.cumsum(counts) - counts
        at = np.repeat(tree * self.samples + first - begins, counts)
        at += np.arange(at.size)
        return at, begins

    def _ends(
        self, tree: IntArray, first: IntArray, last: IntArray, sign: IntArray
    ) -> tuple[SingleArray, SingleArray]:
        """Return the least and the greatest value of a sign in each node."""
        counts = last - first
        at, begins = self._rows(tree, first, counts)
        value = self.flat[self.row[at] + np.repeat(sign, counts)]
        return np.minimum.reduceat(value, begins), np.maximum.reduceat(value, begins)

    def _part(
        self, tree: IntArray, first: IntArray, last: IntArray, sign: IntArray, limit: SingleArray
    ) -> IntArray:
        """Put the rows of each node that go left first; return where the others begin."""
        counts = last - first
        at, begins = self._rows(tree, first, counts)
        own = self.row[at]
        right = self.flat[own + np.repeat(sign, counts)] > np.repeat(limit, counts)
        passed = np.cumsum(right)
        more = np.add.reduceat(right, begins, dtype=np.int64)
        middle = last - more
        # A row goes left by those before it that go right, or to their end in its turn.
        before = passed - np.repeat(passed[begins] - right[begins], counts)
        to = np.where(right, np.repeat(begins + counts - more, counts) + before - 1, 0)
        stays = np.arange(at.size) - before
        self.row[at[np.where(right, to, stays)]] = own
        return middle


def _down(limit: FloatArray) -> SingleArray:
    """Return the largest single numbers that are not above limits: they part singles alike."""
    single = limit.astype(np.float32)
    return np.where(single > limit, np.nextafter(single, np.float32(-np.inf)), single)


def mean_path(most: int) -> FloatArray:
    """Return the mean path length of an unsuccessful search among 0 to ``most`` rows."""
    n = np.arange(3.0, most + 1.0)
    tail = 2.0 * (np.log(n - 1.0) + np.euler_gamma) - 2.0 * (n - 1.0) / n
    return np.concatenate([[0.0, 0.0, 1.0], tail])
