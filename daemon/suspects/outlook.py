"""What is to be expected at every candidate as things stand, and how many bits each would teach of the part."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daemon.suspects.candidates import Candidate
from daemon.suspects.infer import AGAIN, Posterior
from daemon.suspects.net import Floats, Ints
from daemon.suspects.weighing import WRONG_POINT, noise_v
from daemon.suspects.worlds import Table

# Five equally likely values with the mean and the variance of a normal distribution.
FIVE = np.array([-1.463, -0.599, 0.0, 0.599, 1.463])
WIDEST = 6.0
BEST_FEW = 90
APART = 4.0  # units of spread between two groups of worlds that a reading tells apart
RELATIVE, ABSOLUTE_V = 0.01, 0.02  # of the scale on which volts are compared


@dataclass(frozen=True, slots=True)
class Outlook:
    """The worlds that matter: ``mean`` and ``spread`` of each candidate's volts (candidates, worlds).

    ``kept`` are the worlds' numbers in the table, ``part`` (worlds,) counts parts from 0, ``weights`` sum to 1.
    """

    listed: tuple[Candidate, ...]
    mean: Floats
    spread: Floats
    kept: Ints
    part: Ints
    weights: Floats

    @classmethod
    def of(cls, posterior: Posterior, listed: tuple[Candidate, ...], most: int) -> "Outlook":
        """The likeliest worlds of a posterior, ``most`` of them."""
        weights = posterior.weights
        kept = np.argsort(-weights)[:most]
        kept = kept[weights[kept] > 1e-6 * weights.max()]
        mean, spread = _foreseen(posterior, listed, kept)
        _as_before(posterior, listed, kept, mean, spread)
        names = {each.part: index for index, each in enumerate(posterior.table.hypotheses)}
        of_hypothesis = np.array([names[each.part] for each in posterior.table.hypotheses])
        part = np.unique(of_hypothesis[posterior.table.of[kept]], return_inverse=True)[1]
        own = weights[kept]
        return cls(listed, mean, spread, kept, part, own / own.sum())

    def fewer(self, most: int) -> "Outlook":
        """The likeliest of these worlds."""
        return self._chosen(np.argsort(-self.weights)[:most])

    def _chosen(self, some: Ints) -> "Outlook":
        part = np.unique(self.part[some], return_inverse=True)[1]
        weights = self.weights[some]
        return Outlook(
            self.listed, self.mean[:, some], self.spread[:, some], self.kept[some], part, weights / weights.sum()
        )

    def gains(self, among: Ints | None = None) -> Floats:
        """Bits that each candidate is expected to teach about the part."""
        chosen = np.arange(len(self.listed)) if among is None else among
        mean, spread = _scaled(self.mean[chosen], self.spread[chosen])
        found = np.zeros(len(chosen))
        if self.part.max() == 0:
            return found
        middle = mean @ self.weights
        between = ((mean - middle[:, None]) ** 2) @ self.weights
        promise = between / np.maximum((spread**2) @ self.weights, 1e-9)
        few = np.argsort(-promise)[:BEST_FEW]
        few = few[promise[few] > 1e-4]
        if len(few):
            found[few] = self._information(mean[few], spread[few])
        return found

    def _information(self, mean: Floats, spread: Floats) -> Floats:
        """Mutual information of part and reading, each candidate in units of its own least spread."""
        unit = np.maximum(np.quantile(spread, 0.2, axis=1, keepdims=True), 1.0)
        wide = np.minimum(np.sqrt(np.maximum((spread / unit) ** 2 - 1, 0)), WIDEST)
        places = (mean / unit)[:, :, None] + wide[:, :, None] * FIVE
        bins = np.floor(places - places.min(axis=(1, 2), keepdims=True)).astype(np.int64)
        widths = bins.max(axis=(1, 2)) + 1
        found = np.zeros(len(mean))
        # Candidates of like width together: one numpy call for each, and no wider than it must be.
        classes = -(-widths // 32) * 32
        for width in np.unique(classes):
            these = np.flatnonzero(classes == width)
            found[these] = self._bits(bins[these], int(width))
        return found

    def _bits(self, bins: Ints, width: int) -> Floats:
        count, parts, full = len(bins), int(self.part.max()) + 1, width + len(KERNEL) - 1
        flat = (np.arange(count)[:, None, None] * parts + self.part[None, :, None]) * full + bins
        weights = np.broadcast_to((self.weights / len(FIVE))[None, :, None], bins.shape)
        counted = np.bincount(flat.ravel(), weights.ravel(), count * parts * full).reshape(count, parts, full)
        blurred = np.zeros_like(counted)
        for shift, share in enumerate(KERNEL):
            blurred[:, :, shift:] += share * counted[:, :, : full - shift]
        part = np.bincount(self.part, self.weights, parts).astype(float)
        joint: Floats = (1 - WRONG_POINT) * blurred + WRONG_POINT * part[None, :, None] / full
        own = _entropy(joint.sum(axis=1)) + float(_entropy(part[None])[0])
        return np.asarray(own - _entropy(joint.reshape(count, -1)))

    def outcomes(self, number: int) -> "list[tuple[float, Outlook]]":
        """What may be read at a candidate: each outcome's share, and what would be left."""
        mean, spread = _scaled(self.mean[number], self.spread[number])
        order = np.argsort(mean)
        gap = APART * (spread[order][1:] + spread[order][:-1]) / 2
        group = np.zeros(len(mean), dtype=np.int64)
        group[order] = np.concatenate([[0], np.cumsum(np.diff(mean[order]) > gap)])
        found = []
        for which in np.unique(group):
            some = np.flatnonzero(group == which)
            share = float(self.weights[some].sum())
            if share > 0.01:
                found.append((share, self._chosen(some)))
        return found


KERNEL = np.exp(-0.5 * np.arange(-3, 4) ** 2 / (1 + 1 / 12))
KERNEL /= KERNEL.sum()


def _foreseen(posterior: Posterior, listed: Sequence[Candidate], kept: Ints) -> tuple[Floats, Floats]:
    """Mean and standard deviation of what each candidate will read in each of these worlds."""
    table, now = posterior.here, posterior.now[kept]
    nodes = len(table.nodes)
    plus = np.array([c.mode * nodes + c.plus for c in listed])
    minus = np.array([c.mode * nodes + c.minus if c.minus >= 0 else -1 for c in listed])
    told = np.concatenate([posterior.lean[None, kept], posterior.known[:, kept]])
    leaning = table.sway[now] @ told.transpose(1, 2, 0)  # (worlds, modes x nodes, 1 + readings)
    moved = leaning[:, plus] - np.where((minus >= 0)[None, :, None], leaning[:, minus], 0)
    if table.pairs:
        moved += _more_loading(table, listed)[:, now].T[:, :, None] * told[:, :, -1].T[:, None, :]
    mean = _readings(table, listed)[:, now] + moved[:, :, 0].T
    variance = _swing(table, listed)[:, now] - (moved[:, :, 1:] ** 2).sum(axis=2).T
    return mean, np.sqrt(np.maximum(variance, 0) + noise_v(table, mean) ** 2)


def _as_before(posterior: Posterior, listed: Sequence[Candidate], kept: Ints, mean: Floats, spread: Floats) -> None:
    """What was read on the right point reads the same again, in place; where it was a wrong one, it is still to see."""
    taken = posterior.taken
    if not taken:
        return
    for number, each in enumerate(listed):
        before = taken.get((each.point, posterior.table.modes[each.mode], each.quantity))
        if before is not None and before.good is not None:
            right = before.good[kept] > 0.5
            mean[number, right] = before.seen.value
            spread[number, right] = AGAIN * noise_v(posterior.table, np.array([before.seen.value]))[0]


def _readings(table: Table, listed: Sequence[Candidate]) -> Floats:
    """What each candidate reads in each world, (candidates, worlds); kept with the table."""
    key = "read " + repr(len(listed)) + listed[0].point + listed[-1].point
    if key not in table.memory:
        table.memory[key] = np.array([table.read(c.mode, c.plus, c.minus) for c in listed])
    return table.memory[key]


def _more_loading(table: Table, listed: Sequence[Candidate]) -> Floats:
    """What a meter between two points adds to their own last spreads, (candidates, worlds); kept with the table."""
    key = "loading " + repr(len(listed)) + listed[0].point + listed[-1].point
    if key not in table.memory:
        table.memory[key] = np.array([table.more_loading(c.mode, c.plus, c.minus) for c in listed])
    return table.memory[key]


def _swing(table: Table, listed: Sequence[Candidate]) -> Floats:
    """Variance of each candidate from unit to unit, before anything was read; kept with the table."""
    key = repr(len(listed)) + listed[0].point + listed[-1].point
    if key not in table.memory:
        rows = [(table.rows(c.mode, c.plus, c.minus) ** 2).sum(axis=1) for c in listed]
        table.memory[key] = np.array(rows)
    return table.memory[key]


def _scaled(mean: Floats, spread: Floats) -> tuple[Floats, Floats]:
    """On a scale on which a meter's own spread is about 1 everywhere."""
    share = np.abs(mean) * RELATIVE / ABSOLUTE_V
    return np.sign(mean) * np.log1p(share) / RELATIVE, spread / (ABSOLUTE_V * (1 + share))


def _entropy(probability: Floats) -> Floats:
    safe = np.maximum(probability, 1e-300)
    return np.asarray(-(probability * np.log2(safe)).sum(axis=-1))
