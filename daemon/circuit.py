"""A drawing as a graph to look at: nets in columns away from the sources, parts between them. Pure.

Places are whole numbers (column, row); how large a cell is belongs to whoever draws it.
"""

from typing import Any

from daemon.drawing import GROUND, Drawing, Part

MAIN_ENDS = {"npn": (0, 2), "pnp": (2, 0), "regulator": (0, 1)}  # the two legs that current flows between


def circuit(drawing: Drawing, columns: int = 99) -> dict[str, Any]:
    """``nets`` [{net, point, leg, printed_v, access, column, row, parent}], ``parts`` [{name, kind, from, to, also}].

    ``to`` is "0" for a part to 0 V; ``also`` are a part's other nets. Without a network the nets are points and the
    parts are arrows: kind ``feeds``, without a name. ``parent`` is the net that one hangs on ("": none): it stands one
    column to the left of it, or, where the next column would be beyond ``columns``, somewhere above it.
    """
    links = [_link(part) for part in drawing.parts] if drawing.parts else _arrows(drawing)
    names = _names(drawing, links)
    parents = _parents(names, links, _starts(drawing, links))
    places = _places(parents, columns)
    points = {point.net or point.name: point for point in reversed(drawing.points)}
    nets = []
    for name in names:
        point = points.get(name)
        column, row = places[name]
        told = {"point": "", "leg": "", "printed_v": {}, "access": "easy"}
        if point is not None:
            own = {"point": point.name, "leg": point.leg, "printed_v": dict(point.printed_v), "access": point.access}
            told.update(own)
        nets.append({"net": name, **told, "column": column, "row": row, "parent": parents[name]})
    return {"unit": drawing.unit, "modes": list(drawing.modes), "nets": nets, "parts": links}


def _link(part: Part) -> dict[str, Any]:
    first, second = (part.nets[end] for end in MAIN_ENDS.get(part.kind, (0, 1)))
    if first == GROUND:
        first, second = second, first
    also = [net for net in part.nets if net not in (first, second)]
    return {"name": part.name, "kind": part.kind, "from": first, "to": second, "also": also}


def _arrows(drawing: Drawing) -> list[dict[str, Any]]:
    """From the point that feeds to the one that is fed."""
    net = {point.name: point.net or point.name for point in drawing.points}
    return [
        {"name": "", "kind": "feeds", "from": net[feeder], "to": point.net or point.name, "also": []}
        for point in drawing.points
        for feeder in point.fed_by[:1]
        if feeder in net
    ]


def _names(drawing: Drawing, links: list[dict[str, Any]]) -> list[str]:
    told = [net for link in links for net in (link["from"], link["to"], *link["also"])]
    told += [point.net or point.name for point in drawing.points]
    return [name for name in dict.fromkeys(told) if name != GROUND]


def _starts(drawing: Drawing, links: list[dict[str, Any]]) -> list[str]:
    fed = {link["to"] for link in links}
    return [link["from"] for link in links if link["kind"] == "source"] or [
        point.net or point.name for point in drawing.points if (point.net or point.name) not in fed
    ]


def _parents(names: list[str], links: list[dict[str, Any]], starts: list[str]) -> dict[str, str]:
    """Which net each hangs on, nearest to the sources first; in that order."""
    near: dict[str, list[str]] = {name: [] for name in names}
    for link in links:
        ends = [net for net in (link["from"], link["to"], *link["also"]) if net != GROUND]
        for one in ends:
            near[one] += [other for other in ends if other != one]
    parents: dict[str, str] = {}
    for first in [starts, *([name] for name in names)]:
        waiting = [(start, "") for start in first]
        while waiting:
            name, parent = waiting.pop(0)
            if name not in parents:
                parents[name] = parent
                waiting += [(other, name) for other in near[name] if other not in parents]
    return parents


def _places(parents: dict[str, str], columns: int) -> dict[str, tuple[int, int]]:
    """Chains run to the right in a row of their own; what would be beyond the last column begins a new row."""
    children: dict[str, list[str]] = {name: [] for name in ("", *parents)}
    for name, parent in parents.items():
        children[parent].append(name)
    places: dict[str, tuple[int, int]] = {}
    taken: set[tuple[int, int]] = set()

    def lay(name: str, column: int, row: int) -> None:
        places[name] = column, row
        taken.add((column, row))
        for child in children[name]:
            if column + 1 >= columns:
                lay(child, 0, max(below for _, below in taken) + 1)
            elif (column + 1, row) not in taken:
                lay(child, column + 1, row)
            else:
                below = row + 1  # the place to the left of it is kept free for its name
                while {(column, below), (column + 1, below)} & taken:
                    below += 1
                taken.add((column, below))
                lay(child, column + 1, below)

    for start in children[""]:
        lay(start, 0, max((row for _, row in taken), default=-1) + 1)
    return places
