"""A unit whose points lie in order, and the walk along them as the state tells it."""

import contextlib

from tests.daemon.test_keeper import Desk

POINTS = (("B12", "", 12.0), ("PBD", "", 10.6), ("Q302", "C", 6.54), ("Q302", "E", 0.63), ("Z", "", 0.0))

DRAWING = '[drawing]\nunit = "cassette deck"\nmodes = ["STOP", "PLAY"]\n' + "".join(
    f'[[point]]\nname = "{name}"\nleg = "{leg}"\nprinted_v = {{ PLAY = {volts} }}\n' for name, leg, volts in POINTS
)


def kept(desk):
    """Point and rounded value of every settled placement that counts."""
    with desk.records() as records:
        rows = records.placements().to_dict("records")
    return [(f"{r['point']} {r['leg']}".strip(), round(r["value"], 1)) for r in rows if r["count"] and not r["struck"]]


def walk(desk, probe="red"):
    return next(each for each in desk.state()["probes"] if each["probe"] == probe)["walk"]


def here(desk):
    at = walk(desk)["here"]
    return at and f"{at['point']} {at['leg']}".strip()


def touch(desk, volts, seconds=2.0):
    desk.volts(volts, seconds)
    desk.floating()


@contextlib.contextmanager
def laid(folder):
    """A desk with that unit switched on in PLAY."""
    desk = Desk(folder, DRAWING)
    desk.say("mode", mode="PLAY")
    desk.say("power", state="on")
    yield desk
    desk.keeper.close()
