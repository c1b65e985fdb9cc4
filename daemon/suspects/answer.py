"""Suspects and next probes of a drawing and its readings: as plain JSON values, and in a colleague's words."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, NamedTuple

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.cautions import DISCHARGE
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.infer import Posterior
from daemon.suspects.otherwise import Way, otherwise
from daemon.suspects.out_of_circuit import lifted_parts
from daemon.suspects.outlook import Outlook
from daemon.suspects.printed import places
from daemon.suspects.probes import ENOUGH_BITS, outlook_of, rank
from daemon.suspects.proofs import proofs
from daemon.suspects.readings import Seen
from daemon.suspects.standing import meant_by, standing
from daemon.suspects.traceless import traceless
from daemon.suspects.worlds import NOTHING, Hypothesis

WORTH_TELLING = 0.005
MOST_SUSPECTS = 20
MOST_PLACES, NOT_FAR = 3, 0.2
MOST_NAMED = 8
CAVEATS = (
    "Likely, never certain: other faults can read alike. Prove a part by bypass or out of circuit before replacing it.",
    "The program does not know whether a point is safe. Believe the meter only after trying it on a known voltage,"
    " before and after. Local rules may require a licensed person for this work.",
)


class Thought(NamedTuple):
    """A person's own suspicion: in their words, with the reading that would kill it, and open, proved or dropped."""

    text: str
    kill: str = ""
    state: str = "open"


def posterior_of(drawing: Drawing, evidence: Sequence[Seen]) -> Posterior:
    """What the evidence makes of the drawing. Raises ``DrawingError`` where it says too little."""
    return Diagnosis(drawing).posterior(evidence)


def answer(
    posterior: Posterior,
    mode: str | None = None,
    look_ahead: bool = True,
    thoughts: Sequence[Thought] = (),
    most: int = MOST_SUSPECTS,
) -> dict[str, Any]:
    """``named``, ``parts``, ``suspects``, ``credible_set``, ``next``, ``otherwise``, ``no_dc_trace``, ``proofs``.

    Plain values. ``named`` says what the names of ``parts`` and ``credible_set`` stand for: parts, or, where only
    printed volts are known, places of the drawing.

    ``otherwise`` is what else would tell, where no probe of ``next`` teaches enough: like ``next``, with a ``caution``.

    ``lifted`` is there while a part is out of circuit, or readings are left out because one was: what they count for.

    A part "" is none of the parts: nothing that DC volts show. ``mode`` is the one the unit is in, else the last
    reading's. ``thoughts`` are a person's own suspicions: they stand among ``suspects``, with ``hypothesis`` and
    ``state`` as they were said, beside the ``most`` likely.
    """
    table = posterior.table
    in_mode = mode or next((w.seen.mode for w in reversed(posterior.weighed) if w.seen.mode in table.modes), None)
    outlook = outlook_of(posterior, look_ahead)
    probes = rank(posterior, in_mode, look_ahead=look_ahead, outlook=outlook)
    lifted = [asdict(each) for each in lifted_parts(posterior)]
    useful = max((probe.gain_bits for probe in probes), default=0.0) >= ENOUGH_BITS
    return {
        "named": named_of(posterior.drawing),
        "parts": [
            {"part": part or NOTHING, "probability": round(probability, 4)}
            for part, probability in posterior.by_part.items()
            if probability >= WORTH_TELLING
        ],
        "suspects": _suspects(posterior, outlook, thoughts, most),
        "credible_set": [part or NOTHING for part in posterior.credible_set],
        "next": [
            {
                "point": probe.candidate.point,
                "mode": table.modes[probe.candidate.mode],
                "quantity": probe.candidate.quantity,
                "gain_bits": round(probe.gain_bits, 3),
                "cost": probe.cost,
                "reason": probe.reason,
            }
            for probe in probes
        ],
        "otherwise": [] if useful else [_way(each) for each in otherwise(posterior, outlook, in_mode, look_ahead)],
        "proofs": [asdict(each) for each in proofs(posterior)],
        "no_dc_trace": [
            {"part": each.part, "fault": each.fault, "would_show": each.would_show}
            for each in traceless(table, posterior.drawing)
        ],
        **({"lifted": lifted} if lifted else {}),
    }


def named_of(drawing: Drawing) -> str:
    """What a suspect's name stands for: "parts", or "places" where the drawing has none."""
    return "parts" if drawing.parts else "places"


def _way(each: Way) -> dict[str, Any]:
    return asdict(each) | {"gain_bits": round(each.gain_bits, 3)}


def _suspects(
    posterior: Posterior, outlook: Outlook, thoughts: Sequence[Thought], most: int
) -> list[dict[str, Any]]:
    chances = posterior.by_hypothesis
    likely = [n for n in np.argsort(-chances)[:most] if chances[n] >= WORTH_TELLING]
    found = []
    for number in likely:
        each = posterior.table.hypotheses[number]
        named = {"part": each.part or NOTHING, "fault": each.fault if each.part else ""}
        found.append(named | _standing(posterior, outlook, [int(number)]))
    for thought in thoughts:
        meant = meant_by(thought.text, posterior.table.hypotheses, posterior.drawing)
        said = {"hypothesis": thought.text, "state": thought.state}
        parts = sorted({posterior.table.hypotheses[n].part for n in meant if posterior.table.hypotheses[n].part})
        named = {"part": ", ".join(parts[:3]), "fault": ""}
        found.append(said | named | _standing(posterior, outlook, [int(n) for n in meant], thought.kill))
    return sorted(found, key=lambda each: -(each["probability"] or 0.0))


def _standing(posterior: Posterior, outlook: Outlook, meant: Sequence[int], kill: str = "") -> dict[str, Any]:
    """A suspicion whose part the drawing does not have has no probability, and all readings are silent of it."""
    found = standing(posterior, outlook, meant)
    return {
        "probability": round(float(posterior.by_hypothesis[list(meant)].sum()), 4) if len(meant) else None,
        "for": found.speaks_for,
        "against": found.speaks_against,
        "silent": found.silent,
        "kill": kill or found.kill,
    }


def in_words(said: dict[str, Any], posterior: Posterior) -> str:
    """The same as a colleague would say it."""
    lines = [*_headline(said, posterior), ""]
    lines += [_suspect_line(each) for each in said["suspects"][:8]]
    lines += [f"  {each['said']}" for each in said["proofs"]]
    lines += [f"  LIFTED: {each['said']}" if each["lifted"] else f"  {each['said']}" for each in said.get("lifted", ())]
    lines += [f"  BYPASSED: {each['part']}. Take it away before the unit goes back." for each in _in_place(said)]
    lines += ["", *_next_lines(said)]
    hidden = _hidden_lines(said)
    return "\n".join([*lines, *(["", *hidden] if hidden else []), "", *CAVEATS])


def _headline(said: dict[str, Any], posterior: Posterior) -> list[str]:
    lines = [_likely_words(said["credible_set"], said["named"])]
    silent = posterior.silent_since
    if silent >= 10:
        lines.append(f"Nothing new was tested with the last {silent} readings.")
    if not posterior.drawing.parts and (where := places(posterior.drawing, _leading(posterior))):
        lines.append(f"Only printed volts are known, so a name stands for a node: look at {where}.")
    return lines


def _likely_words(credible: Sequence[str], named: str) -> str:
    """Names are places or parts; none of them is neither, and stands by itself."""
    names = [each for each in credible if each != NOTHING]
    if len(credible) > MOST_NAMED:
        beside = f", or {NOTHING}," if len(names) < len(credible) else ""
        return f"Still open: {len(names)} {named}{beside} share nine chances in ten."
    told = [("at " if named == "places" else "") + _either(names)] if names else []
    if len(names) < len(credible):
        told.insert(0 if credible[0] == NOTHING else 1, NOTHING)
    return f"{'Most likely' if len(credible) == 1 else 'Nine chances in ten:'} {', or '.join(told)}."


def _either(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} or {names[-1]}" if len(names) > 1 else names[0]


def _leading(posterior: Posterior) -> list[Hypothesis]:
    """The likeliest few suspects, of those that are not far behind the first."""
    chances = posterior.by_hypothesis
    first = [int(n) for n in np.argsort(-chances)[:MOST_PLACES]]
    return [posterior.table.hypotheses[n] for n in first if chances[n] > NOT_FAR * chances[first[0]]]


def _in_place(said: dict[str, Any]) -> list[dict[str, Any]]:
    return [each for each in said["proofs"] if each["in_place"]]


def _suspect_line(each: dict[str, Any]) -> str:
    line = f"  {each['probability'] or 0:6.1%}  {each['part']} {each['fault']}".rstrip()
    for word in ("for", "against"):
        if each[word]:
            line += f"; {word}: {', '.join(each[word][:4])}"
    return line + (f"; killed by {each['kill']}" if each["kill"] else "")


def _next_lines(said: dict[str, Any]) -> list[str]:
    useful = [each for each in said["next"] if each["gain_bits"] >= ENOUGH_BITS]
    if useful:
        return ["Next:", *(f"  {e['point']} in {e['mode']} ({e['quantity']}): {e['reason']}" for e in useful[:3])]
    lines = ["No DC reading at the drawing's points would tell much more."]
    stands = {each["part"]: each["state"] for each in said["proofs"]}  # the last word on each part
    proved = [part for part, state in stands.items() if state == "proved"]
    if proved:
        lines.append(f"{proved[-1]} is proved: fit the new part, then read again what was faulty.")
    if said["otherwise"]:
        lines.append("What would tell instead:")
        lines += [f"  {_told(each)}" for each in said["otherwise"][:4]]
    return lines


def _told(each: dict[str, Any]) -> str:
    mode = f" in {each['mode']}" if each["mode"] else ""
    return f"{each['point']}{mode} ({each['quantity']}): {each['reason']} {each['caution']}".rstrip()


def _hidden_lines(said: dict[str, Any]) -> list[str]:
    parts = {each["part"] for each in said["parts"]} | {NOTHING}
    nothing = any(each["part"] == NOTHING and each["probability"] > 0.1 for each in said["parts"])
    shown = [each for each in said["no_dc_trace"] if nothing or each["part"] in parts][:6]
    if not shown:
        return []
    lines = [f"  {each['part']} {each['fault']}: {each['would_show']}" for each in shown]
    ohms = any("ohms" in each["would_show"] or "lift" in each["would_show"] for each in shown)
    return ["DC volts will hardly show these:", *lines, *([DISCHARGE] if ohms else [])]


