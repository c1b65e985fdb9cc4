"""Readings as they come: stored, pushed, and followed by the probe and the walk that they belong to."""

import math

from daemon.judge.ripple import peak_to_peak
from daemon.keeper import placing, walking
from daemon.keeper.desk import Desk
from daemon.keeper.meter_following import follow
from drivers.readings import Flag, Quantity, Reading, Trace


def take_reading(desk: Desk, instrument: str, reading: Reading) -> None:
    """Store one reading, push it, and follow the probe that it comes from."""
    series = desk.series_id(instrument, reading.channel, reading.quantity)
    t_us = desk.writer.append(series, reading.t_us, reading.value, int(reading.flags))
    reading = reading._replace(t_us=t_us)
    follow(desk, instrument, series, reading)
    value = None if math.isnan(reading.value) else reading.value
    desk.publish({"kind": "reading", "series": series, "row": [t_us, value, int(reading.flags)]})
    probe = desk.probe_of(instrument, reading.channel)
    if probe is None:
        return
    phase = probe.phase
    walking.catch_up(desk)  # with what came about otherwise than by a reading
    walking.heard(desk, probe, t_us, reading.value)
    for change in probe.feed(reading):
        walking.before_change(desk, probe, change)
        placing.apply(desk, probe, change)
        walking.catch_up(desk)
    walking.settled(desk, probe)
    desk.state_is_old |= probe.phase != phase


def take_trace(desk: Desk, instrument: str, trace: Trace) -> None:
    """A trace on the screen of a scope: kept for the live picture, and read for its peak to peak."""
    desk.last_traces[instrument, trace.channel] = trace
    size_v, resolution_v = peak_to_peak(trace)
    reading = Reading(
        t_us=trace.t1_us,
        value=size_v,
        quantity=Quantity.RIPPLE,
        channel=trace.channel,
        flags=_flags_of(desk, trace),
        half_width_us=trace.t0_half_width_us,
        range=abs(trace.scale_v) * (trace.highest_code - trace.lowest_code + 1),
        resolution=resolution_v,
    )
    take_reading(desk, instrument, reading.within(desk.instruments[instrument].setup.spec.accuracy))


def _flags_of(desk: Desk, trace: Trace) -> Flag:
    """A trace that spans a switch-on or switch-off holds a kick, and its size is no ripple."""
    flags = Flag.CLIPPED if trace.clipped else Flag.NONE
    if desk.switched_us is not None and trace.t0_us <= desk.switched_us <= trace.t1_us:
        flags |= Flag.CHANGING
    return flags
