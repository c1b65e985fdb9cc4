"""Instruments that answer a broadcast or announce themselves; everybody asked here is on 127.0.0.1."""

import contextlib
import select
import socket
import struct
import threading

import pytest
import zeroconf
from hypothesis import given
from hypothesis import strategies as st
from pyvisa_py.protocols import rpc, vxi11

from drivers.errors import LinkError
from drivers.find import find
from drivers.finding.broadcast import broadcast_addresses, vxi11_names
from drivers.finding.portmapper import getport_call, read_getport_reply
from drivers.finding.services import HISLIP, LXI, RAW, VXI11, Service, names_of, service_names
from tests.drivers.scripted import Scripted
from tests.drivers.servers import TcpServer, Vxi11Server


def reply(xid, port, **changed):
    """A reply as pyvisa-py, which nobody here wrote, packs it."""
    packer = rpc.Packer()
    packer.pack_replyheader(changed.get("xid", xid), changed.get("verifier", (0, b"")))
    packer.pack_uint(port)
    return packer.get_buf()


def test_the_call_is_the_one_that_another_library_packs():
    """pyvisa-py's own port mapper client, which follows RFC 1057."""
    packer = rpc.PortMapperPacker()
    packer.pack_callheader(0x01020304, rpc.PMAP_PROG, rpc.PMAP_VERS, 3, (0, b""), (0, b""))
    packer.pack_mapping((vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS, rpc.IPPROTO_TCP, 0))
    assert getport_call(0x01020304) == packer.get_buf()


def test_the_reply_that_another_library_packs_is_read():
    assert read_getport_reply(reply(7, 1024), 7) == 1024
    assert read_getport_reply(reply(7, 1024, verifier=(1, b"12345")), 7) == 1024


def test_only_the_own_reply_of_a_host_with_a_core_channel_counts():
    """RFC 1057, appendix A: port 0 means that the program is not registered."""
    assert read_getport_reply(reply(7, 0), 7) is None
    assert read_getport_reply(reply(8, 1024), 7) is None
    assert read_getport_reply(reply(7, 70000), 7) is None
    refused = struct.pack("!6I", 7, 1, 1, 0, 2, 2)  # MSG_DENIED, RPC_MISMATCH
    assert read_getport_reply(refused, 7) is None
    assert read_getport_reply(getport_call(7), 7) is None


@given(st.binary(max_size=80), st.integers(0, 2**32 - 1))
def test_any_datagram_is_a_port_or_nothing(datagram, xid):
    port = read_getport_reply(datagram, xid)
    assert port is None or 1 <= port <= 65535


@given(st.integers(0, 27))
def test_a_reply_that_was_cut_off_is_nothing(length):
    assert read_getport_reply(reply(7, 1024)[:length], 7) is None


class Portmapper:
    """Answers every GETPORT over UDP with one port; ``deaf_to`` first calls are lost."""

    def __init__(self, core, deaf_to=0):
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self._core, self._deaf_to = core, deaf_to
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        while not self._ending.is_set():
            if not select.select([self._socket], [], [], 0.02)[0]:
                continue
            call, caller = self._socket.recvfrom(2048)
            if self._deaf_to:
                self._deaf_to -= 1
                continue
            (xid,) = struct.unpack("!I", call[:4])
            assert call == getport_call(xid)
            for datagram in (b"noise", reply(xid ^ 1, 9), reply(xid, self._core)):
                self._socket.sendto(datagram, caller)

    def stop(self):
        self._ending.set()
        self._thread.join(5)
        self._socket.close()


@pytest.fixture
def portmapper():
    with contextlib.ExitStack() as stack:

        def start(core, deaf_to=0):
            place = Portmapper(core, deaf_to)
            stack.callback(place.stop)
            return place

        yield start


def test_a_host_that_answers_the_broadcast_is_found_and_asked_over_vxi11(serve, clock, portmapper):
    instrument = serve(Vxi11Server, Scripted())
    place = portmapper(instrument.port)
    ways = {"VXI-11 broadcast": lambda within_s: vxi11_names(clock, 0.3, ["127.0.0.1"], place.port)}
    (found,) = find(clock, 4, ways, list)
    assert found.resource == f"TCPIP::127.0.0.1,{instrument.port}::inst0::INSTR"
    assert str(found.identity) == "BENCH, SCRIPTED, 0042, 1.0"


def test_a_call_that_was_lost_is_sent_again(clock, portmapper):
    place = portmapper(1024, deaf_to=2)
    assert vxi11_names(clock, 0.6, ["127.0.0.1"], place.port) == ["TCPIP::127.0.0.1,1024::inst0::INSTR"]


def test_a_host_without_a_core_channel_is_no_instrument(clock, portmapper):
    assert vxi11_names(clock, 0.3, ["127.0.0.1"], portmapper(0).port) == []


def test_nobody_there_is_an_empty_list(clock):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    assert vxi11_names(clock, 0.15, ["127.0.0.1"], port) == []


def test_without_an_interface_that_broadcasts_it_says_so(clock):
    with pytest.raises(LinkError, match="no network interface can broadcast"):
        vxi11_names(clock, 0.1, [])


def test_a_broadcast_that_cannot_be_sent_says_so(clock):
    with pytest.raises(LinkError, match="could not be sent"):
        vxi11_names(clock, 0.1, ["no such host.invalid"])


def test_every_interface_is_asked_at_its_own_broadcast_address(monkeypatch):
    class Address:
        def __init__(self, broadcast, family=socket.AF_INET):
            self.broadcast, self.family = broadcast, family

    interfaces = {
        "lo": [Address(None)],
        "one": [Address("192.0.2.255"), Address("ff:ff:ff:ff:ff:ff", socket.AF_INET6)],
        "two": [Address("198.51.100.255")],
    }
    monkeypatch.setattr("psutil.net_if_addrs", lambda: interfaces)
    assert broadcast_addresses() == ["192.0.2.255", "198.51.100.255"]


def test_each_announced_service_is_named_by_its_way():
    services = [Service(RAW, "192.0.2.1", 5025), Service(HISLIP, "192.0.2.1", 4880), Service(VXI11, "192.0.2.1", 111)]
    assert names_of([*services, Service(HISLIP, "192.0.2.2", 4881)]) == [
        "TCPIP::192.0.2.1::5025::SOCKET",
        "TCPIP::192.0.2.1::hislip0::INSTR",
        "TCPIP::192.0.2.1::inst0::INSTR",
        "TCPIP::192.0.2.2::hislip0,4881::INSTR",
    ]


def test_a_host_that_announces_only_its_web_page_is_tried_over_vxi11():
    announced = [Service(LXI, "192.0.2.1", 80), Service(LXI, "192.0.2.3", 80), Service(RAW, "192.0.2.1", 5025)]
    assert names_of(announced) == ["TCPIP::192.0.2.1::5025::SOCKET", "TCPIP::192.0.2.3::inst0::INSTR"]


def test_an_instrument_that_announces_itself_is_found_and_asked(serve, clock):
    """Multicast DNS on the loopback interface alone; the announcing side is zeroconf's own."""
    instrument = serve(TcpServer, Scripted())
    with zeroconf.Zeroconf(interfaces=["127.0.0.1"], ip_version=zeroconf.IPVersion.V4Only) as announcer:
        announcer.register_service(
            zeroconf.ServiceInfo(
                f"{RAW}.local.",
                f"a meter of the tests.{RAW}.local.",
                addresses=[socket.inet_aton("127.0.0.1")],
                port=instrument.port,
                server="meter.local.",
            )
        )
        ways = {"multicast DNS": lambda within_s: service_names(clock, 1.5, ["127.0.0.1"])}
        found = find(clock, 8, ways, list)
    identities = {entry.resource: str(entry.identity) for entry in found}
    assert identities[instrument.resource] == "BENCH, SCRIPTED, 0042, 1.0"


def test_a_network_without_multicast_is_a_link_error(clock, monkeypatch):
    def refuse(**_):
        raise OSError(101, "Network is unreachable")

    monkeypatch.setattr("zeroconf.Zeroconf", refuse)
    with pytest.raises(LinkError, match="announced services could not be looked for"):
        service_names(clock, 0.1)
