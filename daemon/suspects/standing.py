"""How a suspect stands: which readings are for, against or silent, and the reading that would kill it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.infer import Posterior
from daemon.suspects.lifting import named_parts
from daemon.suspects.mending import DONE, Work
from daemon.suspects.net import Ints
from daemon.suspects.outlook import Outlook
from daemon.suspects.probes import caution_of
from daemon.suspects.worlds import Hypothesis

SPEAKS = 0.7  # nats (a factor of two) by which a reading is for or against a suspect
NEAR_SD = 3.0
WORTH_NAMING = 0.2  # share of all else that a killing reading must tell from the suspect


@dataclass(frozen=True, slots=True)
class Standing:
    """Readings in words, each in one of three lists; ``kill`` is a sentence, "" where no reading of volts would."""

    speaks_for: list[str]
    speaks_against: list[str]
    silent: list[str]
    kill: str


def standing(posterior: Posterior, outlook: Outlook, hypotheses: Sequence[int]) -> Standing:
    """Of one suspect: one hypothesis of the table, or several that are one suspicion of a person's."""
    lists: tuple[list[str], list[str], list[str]] = ([], [], [])
    own = np.isin(posterior.table.of, hypotheses)
    before = posterior.table.prior.copy()
    work = Work()
    for each in posterior.weighed:
        if each.seen.quantity in DONE:
            work = work.after(each.seen)
            continue
        said = each.seen.words() + work.words()
        if each.logs is None:
            lists[2].append(said)
            continue
        likely = before * np.exp(each.logs - each.logs.max())
        ratio = _log_odds(likely, before, own)
        lists[2 if abs(ratio) <= SPEAKS else 0 if ratio > 0 else 1].append(said)
        before = likely / max(float(likely.sum()), 1e-300)
    return Standing(*lists, _killing(posterior, outlook, own))


def _log_odds(likely: np.ndarray, before: np.ndarray, own: np.ndarray) -> float:
    """By how much a reading raised the odds of the suspect, in nats."""
    pairs = (likely[own].sum(), before[own].sum(), likely[~own].sum(), before[~own].sum())
    a, b, c, d = (max(float(value), 1e-300) for value in pairs)
    return float(np.log(a / b) - np.log(c / d))


def _killing(posterior: Posterior, outlook: Outlook, own: np.ndarray) -> str:
    """The reading that most of all else would give and the suspect would not, for the least effort."""
    mine = own[outlook.kept]
    rest = outlook.weights[~mine]
    if not mine.any() or mine.all() or rest.sum() <= 0 or outlook.weights[mine].sum() <= 0:
        return ""
    reach = NEAR_SD * outlook.spread
    low = (outlook.mean - reach)[:, mine].min(axis=1)
    high = (outlook.mean + reach)[:, mine].max(axis=1)
    others = outlook.mean[:, ~mine]
    outside = ((others < low[:, None]) | (others > high[:, None])) @ (rest / rest.sum())
    worth = outside / np.array([each.access for each in outlook.listed])
    best = int(np.argmax(worth))
    if worth[best] <= WORTH_NAMING:
        return ""
    candidate = outlook.listed[best]
    mode = posterior.table.modes[candidate.mode]
    caution = caution_of(posterior, candidate)
    said = f"{candidate.point} ({mode}) {_not_between(float(low[best]), float(high[best]))}"
    return f"{said}. {caution}" if caution else said


def _not_between(low: float, high: float) -> str:
    return f"below {low:.3g} V or above {high:.3g} V"


def meant_by(text: str, hypotheses: Sequence[Hypothesis], drawing: Drawing) -> Ints:
    """Which hypotheses of a table a person's words mean: the parts or nodes named, and the fault where it is named."""
    named = set(named_parts(text, drawing))
    ours = [n for n, each in enumerate(hypotheses) if named and set(each.parts) & named]
    words = text.casefold()
    exact = [n for n in ours if any(word in words for word in _words_of(hypotheses[n].fault))]
    return np.array(exact or ours, dtype=np.int64)


_WORDS: Mapping[str, tuple[str, ...]] = {
    "open": ("open", "broken", "interrupted", "dry", "crack"),
    "shorted": ("short",),
    "leaky": ("leak",),
    "value wrong": ("drift", "value", "wrong"),
    "dead": ("dead",),
    "no output": ("no output", "dead"),
    "stuck closed": ("stuck",),
    "high resistance": ("resistance", "dirty", "contact"),
    "draws too much": ("too much", "overload"),
}


def _words_of(fault: str) -> tuple[str, ...]:
    for key, words in _WORDS.items():
        if key in fault:
            return words
    return (fault.casefold(),)
