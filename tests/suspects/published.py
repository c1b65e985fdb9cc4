"""Tables of worlds made by hand, for published examples that are not networks: parts in sets, values at places."""

import itertools

import numpy as np

from daemon.drawing import Drawing, Point
from daemon.suspects.infer import Posterior
from daemon.suspects.readings import Seen
from daemon.suspects.worlds import Hypothesis, Table

EXACT = (0.0, 0.005)


def hand_made(places, worlds):
    """A table and its drawing; ``worlds`` are (parts, prior, values at the places)."""
    names = list(dict.fromkeys(parts for parts, _, _ in worlds))
    shares = [sum(prior for parts, prior, _ in worlds if parts == name) for name in names]
    hypotheses = [
        Hypothesis(" + ".join(name), "faulty", share, tuple(name)) for name, share in zip(names, shares, strict=True)
    ]
    prior = np.array([prior for _, prior, _ in worlds])
    count = len(worlds)
    table = Table(
        ("ON",),
        {place: number for number, place in enumerate(places)},
        tuple(hypotheses),
        np.array([values for _, _, values in worlds], dtype=float).T[None],
        np.zeros((count, len(places), 0), dtype=np.float32),
        np.array([names.index(parts) for parts, _, _ in worlds]),
        prior / prior.sum(),
        np.arange(count),
        np.ones(count),
        0.0,
        EXACT,
    )
    return table, Drawing("by hand", ("ON",), points=tuple(Point(place) for place in places))


def gates(parts, values, simulate, places, most_faulty=2, chance=0.01):
    """Worlds in which up to two parts put out anything at all of ``values``."""
    worlds = []
    for count in range(most_faulty + 1):
        for faulty in itertools.combinations(parts, count):
            drawn = list(itertools.product(values, repeat=count))
            for outputs in drawn:
                found = simulate(dict(zip(faulty, outputs, strict=True)))
                worlds.append((faulty, chance**count / len(drawn), [found[place] for place in places]))
    return hand_made(places, worlds)


def left_over(table, drawing, **readings):
    """Minimal sets of parts that explain all readings: none of them put down to a wrong point."""
    found = Posterior(table, drawing, [Seen(place, "ON", "dc_v", value, 0.001) for place, value in readings.items()])
    good = np.min([each.good for each in found.weighed], axis=0) > 0.5
    sets = {frozenset(table.hypotheses[n].parts) for n in np.unique(table.of[good])}
    return {each for each in sets if not any(other < each for other in sets)}
