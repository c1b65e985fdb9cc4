"""How fast and how steady instruments are read: beside a bare socket, pyvisa, and threads that only sleep."""

import sys

from tests.benchmarks import asking, sixteen
from tests.benchmarks.figures import at_least, at_most, ratio_in_turns, run

FAST_US = 30  # a bare socket asks such an instrument 20,000 times a second: a fast compiled one on loopback


def over_tcp(pairs, count):
    """The driver and the link alone, beside a bare socket; the driver with an instrument that takes no time too."""
    with asking.quick_instrument("tcp", str(FAST_US)) as (port,), asking.quick_instrument("tcp", "0") as (at_once,):
        whole, _ = _beside_bare(int(port), pairs, count)
        harshest, alone = _beside_bare(int(at_once), pairs, count)
    return [
        at_least(f"reading through the driver, proved in step, / bare socket query, TCP ({FAST_US} us)", whole, 0.6),
        at_least("the same with an instrument that takes no time to answer", harshest, 0.6),
        at_least("link alone / bare socket query, TCP, no time to answer", alone, 0.85),
    ]


def _beside_bare(port, pairs, count):
    """Driver / bare and link / bare."""
    with (
        asking.opened(asking.bare_socket(port)) as bare,
        asking.opened(asking.own_link(port)) as link,
        asking.opened(asking.meter(f"TCPIP::127.0.0.1::{port}::SOCKET")) as driver,
    ):
        ask_bare = lambda: asking.rate(asking.ask_bare(bare), count)  # noqa: E731 because it is one of a pair
        whole = ratio_in_turns(lambda: asking.rate(asking.poll(driver), count), ask_bare, pairs)
        return whole, ratio_in_turns(lambda: asking.rate(asking.ask_link(link), count), ask_bare, pairs)


def over_serial(pairs, count):
    """The driver beside pyvisa, each on a line of its own."""
    with (
        asking.quick_instrument("tty", "2") as (ours, theirs),
        asking.opened(asking.meter(f"ASRL{ours}::INSTR")) as driver,
        asking.opened(asking.visa(f"ASRL{theirs}::INSTR")) as session,
    ):
        ratio = ratio_in_turns(
            lambda: asking.rate(asking.poll(driver), count),
            lambda: asking.rate(asking.ask_visa(session), count),
            pairs,
        )
    return [at_least("reading through the driver, proved in step, / pyvisa query, serial", ratio, 3.0)]


def blocks(pairs):
    """One million bytes, beside bare recv_into and pyvisa as it comes."""
    with asking.quick_instrument("tcp", "0") as (port,):
        port = int(port)
        with (
            asking.opened(asking.bare_socket(port)) as bare,
            asking.opened(asking.own_link(port)) as link,
            asking.opened(asking.visa(f"TCPIP::127.0.0.1::{port}::SOCKET")) as session,
        ):
            ours = lambda: asking.rate(asking.link_block(link), 5)  # noqa: E731 because it is one of a pair
            to_bare = ratio_in_turns(ours, lambda: asking.rate(asking.bare_block(bare), 5), pairs)
            to_visa = ratio_in_turns(ours, lambda: asking.rate(asking.visa_block(session), 1), max(3, pairs // 4))
    return [
        at_least("1 MB block / bare recv_into, TCP", to_bare, 0.5),
        at_least("1 MB block / pyvisa as it comes, TCP", to_visa, 20.0),
    ]


def steadiness(instruments, rounds, seconds, memory_s):
    """A daemon that polls many instruments, beside threads that only sleep."""
    said = sixteen.run_apart(instruments, rounds, seconds, memory_s)
    return [
        at_most(f"{instruments} instruments at 20 Hz: start lateness p99 / sleep only", said["lateness_ratio"], 2.0),
        at_most(f"{instruments} instruments at 20 Hz: daemon's share of one core", said["cpu"], 0.25),
        at_least(f"{instruments} instruments at 20 Hz: polls made / polls due", said["made"], 0.98),
        at_most("memory growth in ten minutes / memory", said["growth"], 0.02),
    ]


def measure(full):
    """All figures; with ``full`` longer, and the memory over an hour."""
    scale = 3 if full else 1
    return [
        *over_tcp(25 * scale, 400),
        *over_serial(15 * scale, 200),
        *blocks(20 * scale),
        *steadiness(16, 12 * scale, 3.0, 3600.0 if full else 3.05 * sixteen.PERIOD_S),
    ]


if __name__ == "__main__":
    sys.exit(run(measure, __doc__))
