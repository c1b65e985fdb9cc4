"""What the readings so far make of every hypothesis. Evidence is a list; undo is the same list with less in it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.net import Floats
from daemon.suspects.readings import Seen, log_likelihood
from daemon.suspects.worlds import Table

CREDIBLE = 0.9
SPEAKS = 0.7  # nats (a factor of two) by which a reading is for or against a suspect
NEW_BITS = 0.05


@dataclass(frozen=True, slots=True)
class Weighed:
    """One reading's log likelihood in every world (None: it says nothing), and the bits that it taught."""

    seen: Seen
    logs: Floats | None
    bits: float


class Posterior:
    """Weights of a table's worlds after the evidence; a new one for each step, so that undo is to take the last."""

    def __init__(self, table: Table, drawing: Drawing, evidence: Sequence[Seen] = ()) -> None:
        self.table, self.drawing = table, drawing
        self.weighed: tuple[Weighed, ...] = ()
        self._mended: frozenset[str] = frozenset()
        self._log = np.log(np.maximum(table.prior, 1e-300))
        self._log[table.prior == 0] = -np.inf
        self._weigh_all(evidence)

    def _weigh_all(self, evidence: Sequence[Seen]) -> None:
        for seen in evidence:
            if seen.quantity in ("mended", "unmended"):
                change = self._mended.union if seen.quantity == "mended" else self._mended.difference
                self._mended = frozenset(change([seen.point]))
                self.weighed += (Weighed(seen, None, 0.0),)
                continue
            logs = log_likelihood(self.table, self.drawing, seen, self.volts_now)
            before = self.by_hypothesis
            if logs is not None:
                self._log = self._log + logs
            self.weighed += (Weighed(seen, logs, _bits(before, self.by_hypothesis)),)

    def after(self, *evidence: Seen) -> "Posterior":
        """The posterior with further evidence."""
        new = object.__new__(Posterior)
        new.table, new.drawing, new.weighed = self.table, self.drawing, self.weighed
        new._mended, new._log = self._mended, self._log
        new._weigh_all(evidence)
        return new

    def without(self, number: int) -> "Posterior":
        """The posterior as if the evidence of that number (from 0) had never been: the rest is replayed."""
        rest = [each.seen for index, each in enumerate(self.weighed) if index != number]
        return Posterior(self.table, self.drawing, rest)

    @property
    def volts_now(self) -> Floats:
        """Volts in every world as things stand: a world whose fault is mended reads like its healthy twin."""
        if not self._mended:
            return self.table.volts
        mended = self.table.of_world([bool(e.parts) and set(e.parts) <= self._mended for e in self.table.hypotheses])
        worlds = np.where(mended > 0, self.table.healthy, np.arange(len(mended)))
        return self.table.volts[:, :, worlds]

    @property
    def weights(self) -> Floats:
        """Of each world; they sum to 1."""
        weights = np.exp(self._log - self._log.max())
        return np.asarray(weights / weights.sum())

    @property
    def by_hypothesis(self) -> Floats:
        """Probability of each hypothesis of the table."""
        return np.bincount(self.table.of, self.weights, len(self.table.hypotheses)).astype(float)

    @property
    def by_part(self) -> dict[str, float]:
        """Probability of each part ("" is none of them), highest first; a pair counts for both of its parts."""
        found: dict[str, float] = {}
        for each, probability in zip(self.table.hypotheses, self.by_hypothesis, strict=True):
            for part in each.parts or (each.part,):
                found[part] = found.get(part, 0.0) + float(probability)
        return dict(sorted(found.items(), key=lambda item: -item[1]))

    @property
    def credible_set(self) -> list[str]:
        """The fewest parts that together hold 90 %."""
        total, chosen = 0.0, []
        for part, probability in self.by_part.items():
            if total >= CREDIBLE:
                break
            chosen.append(part)
            total += probability
        return chosen

    def readings_for(self, hypothesis: int) -> tuple[list[str], list[str]]:
        """Which readings speak for a hypothesis and which against; the others are silent."""
        of = self.table.of
        speaks: tuple[list[str], list[str]] = ([], [])
        prior = self.table.prior
        own, rest = prior * (of == hypothesis), prior * (of != hypothesis)
        for each in self.weighed:
            if each.logs is not None and own.sum() > 0 and rest.sum() > 0:
                likely = np.exp(each.logs)
                ratio = np.log(np.average(likely, weights=own) / np.average(likely, weights=rest))
                if abs(ratio) > SPEAKS:
                    speaks[0 if ratio > 0 else 1].append(each.seen.words())
        return speaks

    @property
    def silent_since(self) -> int:
        """How many of the last readings taught nothing."""
        count = 0
        for each in reversed(self.weighed):
            if each.bits >= NEW_BITS:
                break
            count += 1
        return count

    @property
    def unexplained(self) -> float:
        """How much better the readings are explained by wrong points than by the likeliest world, in nats."""
        told = [each.logs for each in self.weighed if each.logs is not None]
        best = int(np.argmax(self.weights))
        return float(sum(logs.max() - logs[best] for logs in told))


def _bits(before: Floats, after: Floats) -> float:
    kept = after > 1e-12
    return float((after[kept] * np.log2(after[kept] / np.maximum(before[kept], 1e-12))).sum())
