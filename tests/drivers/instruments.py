"""Scripted instruments of each kind, healthy."""

from tests.drivers.conformance import block
from tests.drivers.scripted import Scripted

DC_10_V = '"VOLT +1.000000E+01,+1.000000E-05"'


def bench_meter(**more):
    answers = {"CONF?": DC_10_V, "FETC?": "+1.250000E+01", "READ?": "+1.250000E+01", "SYST:LOC": None}
    return Scripted(answers | {"SENS:VOLT:APER?": "+2.0E-02"} | more)


def two_channel_scope():
    """8-bit unsigned codes 0, 64, 128, 255 at 0.04 V a step around 128; 1 ms a sample; rolling."""
    return Scripted(
        {
            "CHAN1:DISP?": "1",
            "CHAN2:DISP?": "1",
            "CHAN1:COUP?": "DC",
            "CHAN2:COUP?": "AC",
            "CHAN1:SCAL?": "+1.0E+00",
            "CHAN2:SCAL?": "+2.0E-01",
            "CHAN1:PROB?": "10",
            "CHAN2:PROB?": "1",
            "WAV:SOUR": lambda channel: None,
            "WAV:PRE?": "0,0,4,1,1.0E-3,0,0,4.0E-2,0,128",
            "WAV:DATA?": block(bytes([0, 64, 128, 255])),
            "WAV:UNS?": "1",
            "TIM:MODE?": "ROLL",
            "TRIG:STAT?": "RUN",
            "STOP": None,
            "RUN": None,
            "SING": None,
        }
    )


def generator():
    state = {"FREQ": "1.0E+06", "POW": "-47.0", "OUTP": "0"}
    state |= {"AM:STAT": "0", "AM:DEPT": "30", "AM:SOUR": "INT", "FM:STAT": "0", "FM:DEV": "75000", "FM:SOUR": "INT"}

    def setter(name):
        def store(value):
            state[name] = {"ON": "1", "OFF": "0"}.get(value, value.removesuffix(" DBM"))

        return store

    answers = {f"{name}?": (lambda name=name: state[name]) for name in state}
    return Scripted(answers | {name: setter(name) for name in state} | {"UNIT:POW?": "DBM", "SYST:LOC": None})


def supply():
    return Scripted({"MEAS:CURR?": "+4.100000E-01", "MEAS:VOLT?": "+2.370000E+02", "SYST:LOC": None})


def bench_supply():
    """Programmable: 12 V and 0.5 A at most are set, and the output is on."""
    answers = {"MEAS:CURR?": "0.41", "MEAS:VOLT?": "11.98", "OUTP?": "1", "VOLT?": "12.0", "CURR?": "0.5"}
    return Scripted(answers | {"SYST:LOC": None})


class OneQuestionAMessage(Scripted):
    """Answers only the first of several questions in a message."""

    def _answer(self, text):
        return super()._answer(text.partition(";")[0])
