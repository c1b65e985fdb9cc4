"""What can be measured on a unit, and what it costs to reach."""

from dataclasses import dataclass

from daemon.drawing import GROUND, Drawing, Point
from daemon.suspects.worlds import Table

ACCESS_COST = {"easy": 1.0, "hard": 3.0}
ACROSS_COST = 0.5  # two probes to place instead of one


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that can be measured: a point, or across two; ``access`` is what it costs to reach."""

    point: str
    mode: int
    plus: int
    minus: int
    access: float

    @property
    def quantity(self) -> str:
        """As the readings file calls it."""
        return "across_v" if self.minus >= 0 else "dc_v"


def candidates(table: Table, drawing: Drawing) -> list[Candidate]:
    """Every named point, and across every part that has a named point at both ends, in every mode."""
    places: dict[int, Point] = {}
    for point in drawing.points:
        column = table.nodes.get(point.net or point.name)
        if column is not None and (column not in places or point.access == "easy"):
            places[column] = point
    pairs = set()
    for part in drawing.parts:
        ends = sorted({table.nodes[net] for net in part.nets if net != GROUND})
        pairs |= {(a, b) for a in ends for b in ends if a < b and a in places and b in places}
    found = []
    for mode in range(len(table.modes)):
        for column, point in places.items():
            found.append(Candidate(_named(point, drawing), mode, column, -1, ACCESS_COST[point.access]))
        for a, b in sorted(pairs):
            access = max(ACCESS_COST[places[a].access], ACCESS_COST[places[b].access]) + ACROSS_COST
            name = f"{_named(places[a], drawing)} - {_named(places[b], drawing)}"
            found.append(Candidate(name, mode, a, b, access))
    return found


def _named(point: Point, drawing: Drawing) -> str:
    alone = sum(p.name == point.name for p in drawing.points) == 1
    return point.name if alone or not point.leg else f"{point.name} {point.leg}"
