"""Aged fish reduced to few numbers, in one or many weightings, for least squares on a curve of age.

Fish of the same age add to the sum of squares only by their number, mean and scatter about that mean. Where ages are many, a
smooth curve is known everywhere from its values at a few Chebyshev nodes, and so are its sums over fish. A bootstrap of
thousands of replicates is then one batch of small problems.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fishreport.methods.growth_curves import Floats

NODES = 32


@dataclass(frozen=True, slots=True)
class AgeGroups:
    """Fish by their distinct ages.

    Attributes
    ----------
    age : array (ages,)
        Distinct ages, ascending.
    weight, mean : array (batch, ages)
        Number of fish, and their mean response (0 where there are none).
    within : array (batch,)
        Sum of squares about those means.
    """

    age: Floats
    weight: Floats
    mean: Floats
    within: Floats

    @property
    def size(self) -> Floats:
        """Length of the vector of responses in each weighting."""
        return np.sqrt(np.einsum("bk,bk->b", self.weight, self.mean**2) + 1e-300)

    def take(self, rows: np.ndarray) -> AgeGroups:
        """Some of the weightings."""
        return AgeGroups(self.age, self.weight[rows], self.mean[rows], self.within[rows])

    def repeat(self, times: int) -> AgeGroups:
        """The first weighting, `times` over."""
        shape = (times, self.age.size)
        return AgeGroups(
            self.age,
            np.broadcast_to(self.weight[:1], shape),
            np.broadcast_to(self.mean[:1], shape),
            np.broadcast_to(self.within[:1], (times,)),
        )

    def pull(self, expected: Floats) -> Floats:
        """Weighted residuals, (batch, ages)."""
        return self.weight * (self.mean - expected)

    def sum_of_squares(self, expected: Floats) -> Floats:
        """Residual sum of squares of each weighting; infinite where `expected` does not exist."""
        rss = np.einsum("bk,bk->b", self.weight, (self.mean - expected) ** 2) + self.within
        return np.where(np.isfinite(rss), rss, np.inf)


@dataclass(frozen=True, slots=True)
class NodeGroups:
    """Fish of many ages, by what they weigh at the nodes of a polynomial through the curve.

    Attributes
    ----------
    age : array (nodes,)
        Chebyshev nodes, ascending, the youngest and the oldest age among them.
    weight, total : array (batch, nodes)
        Sums over fish of the nodes' polynomials, plain and times the response less `centre`.
    square : array (batch,)
        Sum of squares of the response less `centre`.
    centre : float
    """

    age: Floats
    weight: Floats
    total: Floats
    square: Floats
    centre: float

    @property
    def size(self) -> Floats:
        """Length of the vector of responses in each weighting."""
        return np.sqrt(self.square + self.weight.sum(axis=1) * self.centre**2)

    def take(self, rows: np.ndarray) -> NodeGroups:
        """Some of the weightings."""
        return NodeGroups(self.age, self.weight[rows], self.total[rows], self.square[rows], self.centre)

    def pull(self, expected: Floats) -> Floats:
        """Weighted residuals, (batch, nodes)."""
        return self.total - self.weight * (expected - self.centre)

    def sum_of_squares(self, expected: Floats) -> Floats:
        """Residual sum of squares of each weighting; infinite where `expected` does not exist."""
        off = expected - self.centre
        rss = self.square - np.einsum("bk,bk->b", 2 * self.total - self.weight * off, off)
        return np.where(np.isfinite(rss), np.maximum(rss, 0.0), np.inf)


def group_ages(age: Floats, response: Floats, counts: Floats | None = None) -> AgeGroups:
    """Reduce fish to distinct ages.

    Parameters
    ----------
    age, response : array (fish,)
    counts : array (batch, fish), optional
        How often each fish stands in each weighting; once if omitted.
    """
    distinct, place = np.unique(age, return_inverse=True)
    centre = response.mean()
    centred = response - centre
    if counts is None:
        weight = np.bincount(place, minlength=distinct.size)[None].astype(float)
        total = np.bincount(place, centred, distinct.size)[None]
        square = np.bincount(place, centred**2, distinct.size)[None]
    elif distinct.size == age.size:
        order = np.argsort(age)
        weight = counts[:, order].astype(float)
        total, square = weight * centred[order], weight * centred[order] ** 2
    else:
        member = np.zeros((age.size, distinct.size))
        member[np.arange(age.size), place] = 1.0
        weight = counts @ member
        total = counts @ (member * centred[:, None])
        square = counts @ (member * (centred**2)[:, None])
    mean = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)
    within = np.maximum(square - weight * mean**2, 0.0).sum(axis=1)
    return AgeGroups(distinct, weight, np.where(weight > 0, mean + centre, 0.0), within)


def chebyshev_nodes(young: float, old: float) -> Floats:
    """Nodes from `young` to `old`, ends among them."""
    half = np.cos(np.pi * np.arange(NODES)[::-1] / (NODES - 1))
    nodes = young + (old - young) * (half + 1) / 2
    nodes[0], nodes[-1] = young, old
    return nodes


def node_polynomials(age: Floats, nodes: Floats) -> Floats:
    """Value at each age of the polynomial that is 1 at one node and 0 at the others, (fish, nodes); barycentric form."""
    weight = (-1.0) ** np.arange(nodes.size)
    weight[[0, -1]] /= 2
    apart = age[:, None] - nodes
    exact = apart == 0
    terms = weight / np.where(exact, 1.0, apart)
    values = terms / terms.sum(axis=1, keepdims=True)
    on_node = exact.any(axis=1)
    values[on_node] = exact[on_node]
    return values


def group_at_nodes(age: Floats, response: Floats, counts: Floats, nodes: Floats) -> NodeGroups:
    """Reduce fish to nodes; arguments as in `group_ages`."""
    polynomials = node_polynomials(age, nodes)
    centre = float(response.mean())
    centred = response - centre
    return NodeGroups(nodes, counts @ polynomials, counts @ (polynomials * centred[:, None]), counts @ centred**2, centre)
