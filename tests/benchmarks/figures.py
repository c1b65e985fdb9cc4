"""What every benchmark says and how: figures with their goals, as words or JSON, and an exit code.

``--json`` prints ``{"figures": [{"name", "value", "goal", "met"}]}`` and nothing else. The exit code is 0
only if every goal is met. A figure is a ratio of two things measured in turns in one run, or a share, never
a time that depends on the machine.
"""

import argparse
import json
import statistics
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Figure:
    """One figure; ``goal`` is in words, such as ">= 0.6"."""

    name: str
    value: float
    goal: str
    met: bool


def at_least(name: str, value: float, least: float) -> Figure:
    """A figure that is to be ``least`` or more."""
    return Figure(name, round(float(value), 4), f">= {least:g}", bool(value >= least))


def at_most(name: str, value: float, most: float) -> Figure:
    """A figure that is to be ``most`` or less."""
    return Figure(name, round(float(value), 4), f"<= {most:g}", bool(value <= most))


def told(name: str, value: float) -> Figure:
    """A figure that no goal was set for."""
    return Figure(name, round(float(value), 4), "none, told only", True)


def ratio_in_turns(first: Callable[[], float], second: Callable[[], float], pairs: int) -> float:
    """Median of first / second over ``pairs``, each measured in turns, each going first every other time."""
    ratios = []
    for number in range(pairs):
        if number % 2:
            below = second()
            ratios.append(first() / below)
        else:
            above = first()
            ratios.append(above / second())
    return statistics.median(ratios)


def run(measure: Callable[[bool], Sequence[Figure]], about: str, arguments: Sequence[str] | None = None) -> int:
    """The command line of a benchmark: ``measure(full)`` gives the figures; returns the exit code."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.add_argument("--full", action="store_true", help="as long as it takes, instead of within 240 s")
    words = parser.parse_args(arguments)
    figures = measure(words.full)
    sys.stdout.write(as_json(figures) if words.json else as_words(figures))
    return 0 if all(figure.met for figure in figures) else 1


def as_json(figures: Sequence[Figure]) -> str:
    """The one JSON object."""
    return json.dumps({"figures": [asdict(figure) for figure in figures]}) + "\n"


def as_words(figures: Sequence[Figure]) -> str:
    """One line a figure."""
    lines = (f"{'met   ' if f.met else 'MISSED'} {f.value:>10.4g}  (goal {f.goal})  {f.name}\n" for f in figures)
    return "".join(lines)
