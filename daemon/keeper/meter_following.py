"""What each series is measured with: kept where it changes, and told where a person has turned a knob.

Function and integration time are turned by a person: an event each. Range and resolution follow the value on most
meters, many times a minute: they are kept beside the readings (``setting``) and shown, and make no event.
"""

from daemon.keeper.desk import Desk, InstrumentLine
from daemon.quantity_words import amount, function_words
from daemon.store.settings import Setting
from drivers.readings import Quantity, Reading


def follow(desk: Desk, instrument: str, series: int, reading: Reading) -> None:
    """Take the next reading of ``series``, at the time that it is stored with."""
    line = desk.instruments[instrument]
    if reading.quantity is Quantity.OUTPUT and line.setup.spec.kind == "generator":
        _follow_output(desk, instrument, line, reading)
    line.values[f"{reading.channel} {reading.quantity}".strip()] = reading.value
    if reading.accuracy is not None:
        desk.stated.add(series)  # a value beyond the range carries none and changes nothing
    accuracy = line.setup.spec.accuracy if series in desk.stated else None
    if desk.writer.note_setting(series, reading.t_us, Setting.of(reading, accuracy)):
        desk.state_is_old = True
    if line.setup.spec.kind == "meter":
        _follow_knobs(desk, instrument, line, reading)


def _follow_output(desk: Desk, instrument: str, line: InstrumentLine, reading: Reading) -> None:
    """An output that goes on or off otherwise than by a command (which has told it already), or is found on."""
    before = line.values.get(Quantity.OUTPUT)
    if reading.value == before or (before is None and not reading.value):
        return
    if line.status != "ok":
        return  # while it is opened: its worker says itself what it found on and switched off
    data = {"generator": instrument, "before": before, "after": reading.value}
    if before is None:
        text = f"{instrument}: its output is on as it was found, and is left so until the daemon or the session ends."
    else:
        text = f"{instrument}: its output went {'on at its own panel' if reading.value else 'off'}."
    desk.tell("output", text, reading.t_us, data)


def _follow_knobs(desk: Desk, instrument: str, line: InstrumentLine, reading: Reading) -> None:
    last, line.last = line.last, reading
    if last is None:
        return
    if reading.quantity is not last.quantity:
        text = f"{instrument}: turned from {function_words(last.quantity)} to {function_words(reading.quantity)}."
        desk.tell("function", text, reading.t_us, {"before": last.quantity.value, "after": reading.quantity.value})
    elif _differ(last.integration_s, reading.integration_s):
        before_s, after_s = last.integration_s or 0.0, reading.integration_s or 0.0
        text = f"{instrument}: looks for {amount(after_s, 's')} at each reading, {amount(before_s, 's')} before."
        desk.tell("integration time", text, reading.t_us, {"before": before_s, "after": after_s})


def _differ(before_s: float | None, after_s: float | None) -> bool:
    return before_s is not None and after_s is not None and before_s != after_s
