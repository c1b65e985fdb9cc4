"""Scripted instruments of each kind, healthy."""

from tests.drivers.conformance import block
from tests.drivers.scripted import Scripted

DC_10_V = '"VOLT +1.000000E+01,+1.000000E-05"'


def bench_meter(**more):
    return Scripted({"CONF?": DC_10_V, "FETC?": "+1.250000E+01", "READ?": "+1.250000E+01", "SYST:LOC": None} | more)


def two_channel_scope():
    """8-bit unsigned codes 0, 64, 128, 255 at 0.04 V a step around 128; 1 ms a sample; rolling."""
    return Scripted(
        {
            "CHAN1:DISP?": "1",
            "CHAN2:DISP?": "1",
            "CHAN1:COUP?": "DC",
            "CHAN2:COUP?": "AC",
            "WAV:SOUR": lambda channel: None,
            "WAV:PRE?": "0,0,4,1,1.0E-3,0,0,4.0E-2,0,128",
            "WAV:DATA?": block(bytes([0, 64, 128, 255])),
            "WAV:UNS?": "1",
            "TIM:MODE?": "ROLL",
            "TRIG:STAT?": "RUN",
            "STOP": None,
            "RUN": None,
        }
    )


def generator():
    state = {"FREQ": "1.0E+06", "POW": "-47.0", "OUTP": "0"}

    def setter(name):
        def store(value):
            state[name] = {"ON": "1", "OFF": "0"}.get(value, value.removesuffix(" DBM"))

        return store

    answers = {f"{name}?": (lambda name=name: state[name]) for name in state}
    return Scripted(answers | {name: setter(name) for name in state} | {"UNIT:POW?": "DBM", "SYST:LOC": None})


def supply():
    return Scripted({"MEAS:CURR?": "+4.100000E-01", "MEAS:VOLT?": "+2.370000E+02", "SYST:LOC": None})


class OneQuestionAMessage(Scripted):
    """Answers only the first of several questions in a message."""

    def _answer(self, text):
        return super()._answer(text.partition(";")[0])
