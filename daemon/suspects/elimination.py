"""Gaussian elimination of many matrices of one sparse structure at once, worlds along the last axis.

The order is found once (least degree first, the usual rule for circuit matrices); then each step is a numpy
operation over all worlds. No pivoting: nodal matrices with a leak at every node are dominated by their diagonal,
and Newton's next step corrects what rounding leaves.
"""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Elimination:
    """``size`` unknowns; ``pairs`` are the positions that may be other than zero (both ways round are kept)."""

    def __init__(self, size: int, pairs: Iterable[tuple[int, int]]) -> None:
        near: list[set[int]] = [set() for _ in range(size)]
        for i, j in pairs:
            if i != j:
                near[i].add(j)
                near[j].add(i)
        self.size = size
        self.order: list[tuple[int, list[int]]] = []
        kept = [set(each) for each in near]
        left = set(range(size))
        while left:
            pivot = min(left, key=lambda node: (len(near[node]), node))
            rest = sorted(near[pivot])
            self.order.append((pivot, rest))
            left.remove(pivot)
            for i in rest:
                near[i] |= near[pivot]
                near[i] -= {i, pivot}
                kept[i] |= near[i]
        self.place: dict[tuple[int, int], int] = {(i, i): i for i in range(size)}
        for i in range(size):
            for j in sorted(kept[i]):
                self.place.setdefault((i, j), len(self.place))
                self.place.setdefault((j, i), len(self.place))

    @property
    def entries(self) -> int:
        """How many rows ``matrix`` has."""
        return len(self.place)

    def factor(self, matrix: Floats) -> None:
        """Turn ``matrix`` (entries, worlds) into its factors, in place."""
        place = self.place
        for pivot, rest in self.order:
            inverse = 1.0 / matrix[place[pivot, pivot]]
            matrix[place[pivot, pivot]] = inverse
            for i in rest:
                factor = matrix[place[i, pivot]] * inverse
                matrix[place[i, pivot]] = factor
                for j in rest:
                    matrix[place[i, j]] -= factor * matrix[place[pivot, j]]

    def solve(self, factors: Floats, right: Floats) -> Floats:
        """Solution, shape (size, worlds), in place of ``right``."""
        place = self.place
        for pivot, rest in self.order:
            for i in rest:
                right[i] -= factors[place[i, pivot]] * right[pivot]
        for pivot, rest in reversed(self.order):
            for j in rest:
                right[pivot] -= factors[place[pivot, j]] * right[j]
            right[pivot] *= factors[place[pivot, pivot]]
        return right

    def diagonal_of_inverse(self, factors: Floats) -> Floats:
        """Resistance from each node to 0 V, shape (size, worlds), by Takahashi's recurrence on the factors.

        Source: Takahashi, Fagan, Chen, Proc. 8th PICA Conference (1973) (from memory).
        """
        place = self.place
        inverse = np.zeros_like(factors)
        for pivot, rest in reversed(self.order):
            for j in rest:
                below, right = place[j, pivot], place[pivot, j]
                inverse[below] = -sum(inverse[place[j, k]] * factors[place[k, pivot]] for k in rest)
                first = sum(factors[place[pivot, k]] * inverse[place[k, j]] for k in rest)
                inverse[right] = -factors[place[pivot, pivot]] * first
            over = sum(factors[place[pivot, k]] * inverse[place[k, pivot]] for k in rest)
            inverse[place[pivot, pivot]] = factors[place[pivot, pivot]] * (1.0 - over)
        return inverse[: self.size]
