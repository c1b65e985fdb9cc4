"""The HiSLIP server, by a bare client that follows IVI-6.1 (sections from memory)."""

import struct

import pytest

from simulated_instruments.serving import serve_hislip
from simulated_instruments.serving.hislip_messages import FIRST_ID, HEADER, Type, answer_messages, is_newer
from tests.simulated_instruments.hislip_client import Channel, Client


@pytest.fixture
def opened():
    clients = []

    def open_(server):
        clients.append(Client(server))
        return clients[-1]

    yield open_
    for client in clients:
        client.close()


@pytest.fixture
def server(meter):
    with serve_hislip(meter.instrument) as running:
        yield running


# ---- initialisation (6.1)


def test_both_sides_agree_on_the_older_version_and_synchronised_mode(server, opened):
    client = opened(server)
    kind, control, parameter, payload = client.opened
    assert (kind, control, parameter >> 16, payload) == (Type.INITIALIZE_RESPONSE, 0, 0x0100, b"")


def test_the_server_may_prefer_overlap(meter, opened):
    with serve_hislip(meter.instrument, prefers_overlap=True) as server:
        assert opened(server).opened[1] & 1 == 1


def fatal(server, *sent):
    channel = Channel(server)
    channel.send(*sent)
    kind, code, _, _ = channel.receive()
    assert kind == Type.FATAL_ERROR
    assert channel.receive() is None
    channel.close()
    return code


def test_another_first_message_is_an_invalid_initialisation(server):
    """FatalError 3 (table 11)."""
    assert fatal(server, Type.DATA_END, 0, 0, b"*IDN?\n") == 3
    assert fatal(server, Type.ASYNC_INITIALIZE, 0, 999) == 3
    assert fatal(server, Type.INITIALIZE, 0, 0x0100 << 16, b"hislip7") == 3


def test_a_second_asynchronous_channel_is_refused(server, opened):
    assert fatal(server, Type.ASYNC_INITIALIZE, 0, opened(server).session) == 3


def test_data_before_the_second_channel_is_fatal(server):
    """FatalError 2."""
    channel = Channel(server)
    channel.send(Type.INITIALIZE, 0, 0x0100 << 16, b"hislip0")
    assert channel.receive()[0] == Type.INITIALIZE_RESPONSE
    channel.send(Type.DATA_END, 0, FIRST_ID, b"*IDN?\n")
    assert channel.receive()[:2] == (Type.FATAL_ERROR, 2)
    channel.close()


def test_bytes_that_are_no_header_are_fatal_and_close_both_channels(server, opened):
    """FatalError 1."""
    client = opened(server)
    client.sync.socket.sendall(bytes(HEADER.size))
    assert client.sync.receive()[:2] == (Type.FATAL_ERROR, 1)
    assert client.sync.receive() is None and client.later.receive() is None


def test_one_client_too_many_is_refused(meter, opened):
    """FatalError 4."""
    with serve_hislip(meter.instrument) as server:
        server._most_clients = 1
        opened(server)
        assert fatal(server, Type.INITIALIZE, 0, 0x0100 << 16, b"hislip0") == 4


# ---- errors that are survived (table 12)


def test_what_is_unknown_gets_an_error_and_the_session_goes_on(server, opened):
    client = opened(server)
    client.sync.send(60)
    assert client.sync.receive()[:2] == (Type.ERROR, 1)
    client.sync.send(200)
    assert client.sync.receive()[:2] == (Type.ERROR, 3)
    client.sync.send(Type.DATA_END, 0x40, client.next_id, b"*IDN?\n")
    assert client.sync.receive()[:2] == (Type.ERROR, 2)
    client.later.send(Type.ASYNC_REMOTE_LOCAL, 9)
    assert client.later.receive()[:2] == (Type.ERROR, 2)
    client.sync.send(Type.DATA_END, 0, client.next_id, bytes((1 << 20) + 1))
    assert client.sync.receive()[:2] == (Type.ERROR, 4)
    assert client.query(b"*OPC?\n") == b"1\n"


# ---- messages


def test_a_message_may_come_in_pieces_and_its_answer_has_the_number_of_the_last(server, opened):
    client = opened(server)
    client.write(b"*ESE 7;", kind=Type.DATA)
    client.write(b"*ES", kind=Type.DATA)
    assert client.query(b"E?") == b"7\n"


def test_an_answer_is_cut_to_the_clients_size(server, opened):
    """AsyncMaxMsgSize (6.9): the last piece alone is a DataEnd."""
    client = opened(server)
    client.later.send(Type.ASYNC_MAXIMUM_SIZE, 0, 0, struct.pack("!Q", 24))
    kind, _, _, payload = client.later.receive()
    assert (kind, struct.unpack("!Q", payload)[0]) == (Type.ASYNC_MAXIMUM_SIZE_RESPONSE, 1 << 20)
    sent = client.write(b"*IDN?\n")
    pieces = []
    while not pieces or pieces[-1][0] == Type.DATA:
        pieces.append(client.sync.receive())
    assert {len(piece[3]) for piece in pieces[:-1]} == {8} and pieces[-1][0] == Type.DATA_END
    assert {piece[2] for piece in pieces} == {sent}
    assert b"".join(piece[3] for piece in pieces).startswith(b"Benchwright,")


@pytest.mark.parametrize(("size", "count"), [(1, 1), (8, 1), (9, 2), (16, 2), (17, 3)])
def test_pieces_are_full_and_their_end_is_where_faults_look_for_it(size, count):
    data = bytes(range(size))
    sent = answer_messages(data, 5, 24)
    assert len(sent) == size + count * HEADER.size
    assert sent[sent.body] == data[(count - 1) * 8 :] and sent.body.stop == len(sent)


def test_message_numbers_wrap_around():
    assert is_newer(2, 0xFFFF_FFFE) and not is_newer(0xFFFF_FFFE, 2) and not is_newer(4, 4)


# ---- interruption


def test_in_synchronised_mode_a_new_message_interrupts_an_answer(server, opened, meter):
    """3.1.1: Interrupted on both channels; IEEE 488.2, 6.3.2.3: -410 and the query error bit."""
    client = opened(server)
    client.write(b"*CLS\n")
    client.query(b"*IDN?\n")
    number = client.write(b"*ESR?\n")
    assert client.sync.receive() == (Type.INTERRUPTED, 0, number, b"")
    assert client.later.receive() == (Type.ASYNC_INTERRUPTED, 0, number, b"")
    assert client.sync.receive()[3] == b"4\n"
    assert client.query(b"SYST:ERR?\n", rmt=1) == b'-410,"Query INTERRUPTED"\n'


def test_an_answer_that_was_delivered_is_not_interrupted(server, opened):
    client = opened(server)
    client.query(b"*IDN?\n")
    assert client.query(b"SYST:ERR?\n", rmt=1).startswith(b"0,")


def test_in_overlap_mode_every_question_gets_its_answer(server, opened):
    """3.1.2; the mode is asked for with a device clear (6.12)."""
    client = opened(server)
    assert client.clear(features=1) == 1
    numbers = [client.write(b"*OPC?\n"), client.write(b"*ESE?\n"), client.write(b"SYST:ERR?\n")]
    answers = [client.sync.receive() for _ in numbers]
    assert [answer[2] for answer in answers] == numbers
    assert [answer[3] for answer in answers] == [b"1\n", b"0\n", b'0,"No error"\n']


# ---- status


def test_mav_is_for_an_answer_that_was_not_taken(server, opened):
    """6.14.1: the RMT-delivered flag takes MAV away."""
    client = opened(server)
    assert client.status() & 16 == 0
    client.query(b"*IDN?\n")
    assert client.status() & 16 == 16
    assert client.status(rmt=1) & 16 == 0
    assert client.status() & 16 == 0


def test_mav_is_not_set_while_a_newer_message_is_on_its_way(server, opened):
    client = opened(server)
    client.query(b"*IDN?\n")
    assert client.status(number=client.next_id + 2) & 16 == 0


def test_mav_in_overlap_mode_goes_by_the_number_of_the_last_answer_taken(server, opened):
    """6.14.2."""
    client = opened(server)
    client.clear(features=1)
    first, second = client.write(b"*OPC?\n"), client.write(b"*OPC?\n")
    client.sync.receive()
    client.sync.receive()
    assert client.status(number=first) & 16 == 16
    assert client.status(number=second) & 16 == 0


def test_a_reason_for_service_is_told_once_and_polled_once(server, opened):
    """6.13; IEEE 488.2, 11.3.3: RQS is cleared by the poll, its reason stays."""
    client = opened(server)
    client.write(b"*CLS;*ESE 32;*SRE 32\n")
    client.write(b"NONSENSE\n")
    assert client.later.receive() == (Type.ASYNC_SERVICE_REQUEST, 32 + 64 + 4, 0, b"")
    assert client.status() == 32 + 64 + 4
    assert client.status() == 32 + 4


def test_an_answer_that_waits_can_ask_for_service(server, opened):
    client = opened(server)
    client.write(b"*CLS;*SRE 16\n")
    client.write(b"*OPC?\n")
    assert client.later.receive()[:2] == (Type.ASYNC_SERVICE_REQUEST, 16 + 64)


# ---- clear, locks, panel


def test_clear_empties_both_queues_and_keeps_status(server, opened):
    """IEEE 488.2, 5.8."""
    client = opened(server)
    client.query(b"*ESE 9;*IDN?\n")
    assert client.clear() == 0
    assert client.status() & 16 == 0
    client.write(b"*ES", kind=Type.DATA)
    assert client.clear() == 0
    assert client.query(b"*ESE?\n") == b"9\n"


def test_what_is_sent_during_a_clear_is_thrown_away(server, opened):
    client = opened(server)
    client.later.send(Type.ASYNC_DEVICE_CLEAR)
    assert client.later.receive()[0] == Type.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE
    client.write(b"*ESE 5\n")
    client.sync.send(Type.DEVICE_CLEAR_COMPLETE)
    assert client.sync.receive()[0] == Type.DEVICE_CLEAR_ACKNOWLEDGE
    assert client.query(b"*ESE?\n") == b"0\n"


def lock(client, control, timeout_ms=0, word=b""):
    client.later.send(Type.ASYNC_LOCK, control, timeout_ms, word)
    kind, result, _, _ = client.later.receive()
    assert kind == Type.ASYNC_LOCK_RESPONSE
    return result


def test_an_exclusive_lock_keeps_others_waiting(server, opened):
    """6.5: 1 success, 0 not to be had, 3 an error; AsyncLockInfo tells who holds one."""
    one, two = opened(server), opened(server)
    assert lock(one, 1) == 1 and lock(one, 1) == 3 and lock(two, 1) == 0
    two.later.send(Type.ASYNC_LOCK_INFO)
    assert two.later.receive()[1:3] == (1, 1)
    number = two.write(b"*OPC?\n")
    assert one.query(b"*OPC?\n") == b"1\n"
    assert lock(one, 0) == 1 and lock(one, 0) == 3
    assert two.sync.receive()[1:] == (0, number, b"1\n")


def test_a_shared_lock_is_shared_by_those_who_know_its_word(server, opened):
    one, two, three = opened(server), opened(server), opened(server)
    assert lock(one, 1, 0, b"word") == 1 and lock(two, 1, 0, b"word") == 1 and lock(three, 1, 0, b"other") == 0
    assert lock(one, 0) == 2


def test_a_client_that_goes_gives_its_lock_back(server, opened):
    one, two = opened(server), opened(server)
    assert lock(one, 1) == 1
    one.close()
    assert lock(two, 1, 5000) == 1


@pytest.mark.parametrize(("code", "locked"), [(3, True), (4, True), (5, True), (6, False), (2, False), (0, False)])
def test_remote_and_local_hold_and_free_the_panel(bench, server, opened, code, locked):
    """Table 19."""
    client = opened(server)
    client.later.send(Type.ASYNC_REMOTE_LOCAL, 3)
    client.later.receive()
    client.later.send(Type.ASYNC_REMOTE_LOCAL, code)
    assert client.later.receive()[0] == Type.ASYNC_REMOTE_LOCAL_RESPONSE
    assert bench.ask(ask="panel", instrument="meter")["knobs"]["locked"] is locked


def test_a_trigger_is_a_trg(server, opened):
    """IEEE 488.2, 10.37; this meter has no bus trigger: -211."""
    client = opened(server)
    client.sync.send(Type.TRIGGER, 0, client.next_id)
    client.next_id += 2
    assert client.query(b"SYST:ERR?\n").startswith(b"-211,")
