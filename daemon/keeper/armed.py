"""The record that a scope was armed for by a command: kept, since its next one writes over it."""

from collections.abc import Sequence

from daemon.keeper.desk import Desk, InstrumentLine
from drivers.readings import Trace


def take_capture(desk: Desk, line: InstrumentLine, traces: Sequence[Trace]) -> None:
    """Keep every channel of the record with the point that its probe touches."""
    line.armed = line.captures = False
    name = line.setup.spec.name
    kept, words = [], []
    for trace in traces:
        probe = desk.probe_of(name, trace.channel)
        point = probe.point if probe else ""
        kept.append(
            desk.writer.add_capture(
                trace,
                role="kept",
                point=point,
                leg=probe.leg if probe else "",
                mode=desk.context["mode"],
                condition=desk.context["condition"],
                instrument=name,
            )
        )
        words.append(f"channel {trace.channel}{f' on {point}' if point else ''}")
    text = f"{name}: triggered; the record of {', '.join(words)} is kept."
    desk.tell("arm", text, traces[0].t1_us, {"scope": name, "captures": kept})
