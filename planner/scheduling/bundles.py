"""What one request can get: its bundles, that is, the sets of visits that serve it together.

A bundle's value counts every cell once, so it is exact where a sum over
visits is not. Candidates that fill the same cells form a class; bundles of
up to three visits are searched over classes, with the cheapest member of each.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from planner.scheduling.problem import NightProblem

LARGEST = 3  # visits in a bundle that is searched in full; a request that wants more is bounded by their sum
CHUNK = 256  # pairs extended to triples at once


@dataclass(frozen=True)
class Bundle:
    """Visits that serve one request together.

    Attributes
    ----------
    request : int
    visits : tuple of int
        Candidates, sorted.
    value : int
        Value of all their cells, each once.
    reduced : float
        Value less the price of its candidates.
    """

    request: int
    visits: tuple[int, ...]
    value: int
    reduced: float

    def makeable(self, clash: np.ndarray) -> bool:
        """True when none of the visits excludes another."""
        return not any(clash[a, b] for a, b in itertools.combinations(self.visits, 2))


@dataclass(frozen=True)
class RequestValues:
    """The values of one request's candidates, class by class.

    Attributes
    ----------
    request, most : int
        The request, and how many visits it may get.
    members : tuple of ndarray
        Candidates of each class.
    cells : ndarray (class, cell)
        1 where a class fills a cell.
    value : ndarray (cell,)
    apart : ndarray (class, class)
        True where some member of the one can be made together with some member of the other.
    clash : ndarray (candidate, candidate)
        Exclusions among all candidates of the night.
    """

    request: int
    most: int
    members: tuple[np.ndarray, ...]
    cells: np.ndarray
    value: np.ndarray
    apart: np.ndarray
    clash: np.ndarray

    @property
    def whole(self) -> bool:
        """True when bundles hold all the visits that the request may get."""
        return self.most <= LARGEST

    def best(self, price: np.ndarray, most: int) -> list[Bundle]:
        """Return the bundles of largest reduced value, the best first, at most ``most`` of each size.

        They are bounds: each class gives its cheapest member, so the visits of
        a bundle may exclude each other (:meth:`Bundle.makeable` tells).

        Parameters
        ----------
        price : ndarray (candidate,)
            Not negative.
        """
        cheapest = [own[np.argmin(price[own])] for own in self.members]
        cost = price[cheapest]
        single = self.cells @ self.value - cost
        found: list[tuple[tuple[int, ...], float]] = []
        found += [((int(a),), float(single[a])) for a in np.argsort(-single, kind="stable")[:most]]
        if min(self.most, LARGEST) >= 2:
            pair = self._pairs(cost)
            partner = np.argmax(pair, axis=1)
            reduced = pair[np.arange(len(pair)), partner]
            for a in np.argsort(-reduced, kind="stable")[:most]:
                found.append(((int(a), int(partner[a])), float(reduced[a])))
            if min(self.most, LARGEST) >= 3:
                found += self._best_triples(cost, single, pair, most)
        bundles = [
            Bundle(
                self.request,
                tuple(sorted(int(cheapest[a]) for a in classes)),
                round(float(self.value @ self.cells[list(classes)].max(axis=0))),
                reduced,
            )
            for classes, reduced in found
            if np.isfinite(reduced)
        ]
        return sorted(bundles, key=lambda bundle: (-bundle.reduced, bundle.visits))

    def above(self, price: np.ndarray, threshold: float) -> Iterator[Bundle]:
        """Yield every bundle whose reduced value is at least ``threshold``."""
        cost = np.array([price[own].min() for own in self.members])
        single = self.cells @ self.value - cost
        for a in np.flatnonzero(single >= threshold):
            yield from self._expand((int(a),), price, threshold)
        if min(self.most, LARGEST) < 2:
            return
        pair = self._pairs(cost)
        for a, b in np.argwhere(np.triu(pair >= threshold, 1)):
            yield from self._expand((int(a), int(b)), price, threshold)
        if min(self.most, LARGEST) < 3:
            return
        # A third visit adds at most its own value: pairs that cannot reach the threshold are left out.
        reach = np.argwhere(np.triu(pair + single.max() >= threshold, 1))
        for chunk in np.array_split(reach, max(1, len(reach) // CHUNK)):
            third = self._thirds(chunk, cost, pair)
            for row, c in np.argwhere(third >= threshold):
                a, b = chunk[row]
                if b < c:
                    yield from self._expand((int(a), int(b), int(c)), price, threshold)

    def _pairs(self, cost: np.ndarray) -> np.ndarray:
        """Reduced value of every pair of classes, (class, class), -inf where they cannot go together."""
        weighted = self.cells * self.value
        single = weighted.sum(axis=1) - cost
        pair = single[:, None] + single[None, :] - weighted @ self.cells.T
        return np.where(self.apart, pair, -np.inf)

    def _thirds(self, pairs: np.ndarray, cost: np.ndarray, pair: np.ndarray) -> np.ndarray:
        """Reduced value of some pairs with every third class, (pair, class)."""
        a, b = pairs[:, 0], pairs[:, 1]
        rest = self.value * (1.0 - self.cells[a]) * (1.0 - self.cells[b])
        third = pair[a, b][:, None] + rest @ self.cells.T - cost
        return np.where(self.apart[a] & self.apart[b], third, -np.inf)

    def _best_triples(
        self, cost: np.ndarray, single: np.ndarray, pair: np.ndarray, most: int
    ) -> list[tuple[tuple[int, ...], float]]:
        """The best triples, found from the best pairs on until no pair can lead to a better one."""
        a, b = np.triu_indices(len(pair), 1)
        order = np.argsort(-pair[a, b], kind="stable")
        pairs = np.stack([a[order], b[order]], axis=-1)
        found: list[tuple[tuple[int, ...], float]] = []
        for begin in range(0, len(pairs), CHUNK):
            chunk = pairs[begin : begin + CHUNK]
            limit = pair[chunk[0, 0], chunk[0, 1]] + single.max()
            if not np.isfinite(limit) or (len(found) >= most and found[most - 1][1] >= limit):
                break
            third = self._thirds(chunk, cost, pair)
            c = np.argmax(third, axis=1)
            for row in range(len(chunk)):
                classes = tuple(sorted((int(chunk[row, 0]), int(chunk[row, 1]), int(c[row]))))
                found.append((classes, float(third[row, c[row]])))
            found = sorted(dict(found).items(), key=lambda entry: (-entry[1], entry[0]))[: max(most, 1)]
        return found

    def _expand(self, classes: tuple[int, ...], price: np.ndarray, threshold: float) -> Iterator[Bundle]:
        """Yield the bundles of some classes with every choice of members that keeps the threshold."""
        value = float(self.value @ self.cells[list(classes)].max(axis=0))

        def choose(chosen: tuple[int, ...], left: tuple[int, ...], spent: float) -> Iterator[Bundle]:
            if not left:
                yield Bundle(self.request, tuple(sorted(chosen)), round(value), value - spent)
                return
            rest = sum(float(price[self.members[k]].min()) for k in left[1:])
            for candidate in self.members[left[0]].tolist():
                cost = spent + float(price[candidate])
                clear = not any(self.clash[candidate, other] for other in chosen)
                if clear and value - cost - rest >= threshold:
                    yield from choose((*chosen, candidate), left[1:], cost)

        yield from choose((), classes, 0.0)


def request_values(problem: NightProblem, clash: np.ndarray) -> list[RequestValues]:
    """Sort the candidates of each request into classes; requests without candidates are left out."""
    found = []
    for request, most in enumerate(problem.visits_max.tolist()):
        alike: dict[tuple[int, ...], list[int]] = defaultdict(list)
        for candidate in np.flatnonzero(problem.request == request).tolist():
            alike[tuple(problem.cells[candidate].tolist())].append(candidate)
        if not alike:
            continue
        names = sorted({cell for cells in alike for cell in cells})
        place = {cell: column for column, cell in enumerate(names)}
        filled = np.zeros((len(alike), len(names)))
        for row, cells in enumerate(alike):
            filled[row, [place[cell] for cell in cells]] = 1.0
        members = tuple(np.array(own) for own in alike.values())
        apart = np.array([[not clash[np.ix_(a, b)].all() for b in members] for a in members])
        np.fill_diagonal(apart, False)
        value = problem.value[names].astype(float)
        found.append(RequestValues(request, int(most), members, filled, value, apart, clash))
    return found
