"""``probetrail find`` and ``probetrail check`` as they are typed."""

import functools
import json

import pytest

from daemon.bench_file import read_bench
from daemon.command_line import instruments, main
from drivers.find import find
from tests.drivers.conftest import clock, serve
from tests.drivers.instruments import bench_meter, two_channel_scope
from tests.drivers.scripted import Scripted
from tests.drivers.servers import PtyServer, TcpServer

__all__ = ["clock", "serve"]


@pytest.fixture
def network(monkeypatch):
    """``network(places, ports)``: the only instruments and serial ports that there are to be found."""
    monkeypatch.setattr("drivers.finding.kinds.TRY_S", 0.15)
    monkeypatch.setattr("drivers.find.SERIAL_ANSWER_WITHIN_S", 0.2)

    def start(places=(), serial_places=()):
        ways = {"a list": lambda within_s: [place.resource for place in places]}
        ports = [(place.resource.removeprefix("ASRL").removesuffix("::INSTR"), "a cable") for place in serial_places]
        monkeypatch.setattr(instruments, "find", functools.partial(find, ways=ways, ports=lambda: ports))

    return start


def test_find_prints_who_answers_at_which_resource_name(serve, network, capsys):
    place = serve(TcpServer, bench_meter())
    network([place])
    assert main(["find", "--seconds", "4"]) == 0
    assert capsys.readouterr().out == f"{place.resource}  BENCH, SCRIPTED, 0042, 1.0\n"


def test_find_json_is_one_object_and_nothing_else(serve, network, capsys):
    place = serve(TcpServer, bench_meter())
    network([place])
    assert main(["find", "--json"]) == 0
    (entry,) = json.loads(capsys.readouterr().out)["found"]
    assert (entry["resource"], entry["identity"]) == (place.resource, "BENCH, SCRIPTED, 0042, 1.0")


def test_what_find_writes_is_a_bench_file_that_the_daemon_takes(serve, network, tmp_path, capsys):
    places = [serve(TcpServer, bench_meter()), serve(TcpServer, two_channel_scope())]
    for number, place in enumerate(places):
        place.instrument.identity = f"BENCH,SCRIPTED,{number + 1},1.0"
    network(places)
    path = tmp_path / "bench.toml"
    assert main(["find", "--write", str(path)]) == 0
    setups = {setup.spec.kind: setup for setup in read_bench(path).setups}
    assert {kind: setup.spec.resource for kind, setup in setups.items()} == {
        "meter": places[0].resource,
        "scope": places[1].resource,
    }
    assert len(setups["scope"].probes) == 2
    assert f"probetrail check {path}" in capsys.readouterr().out


def test_what_find_writes_is_well_at_once(serve, network, tmp_path, capsys):
    network([serve(TcpServer, bench_meter())])
    path = tmp_path / "bench.toml"
    main(["find", "--write", str(path)])
    assert main(["check", str(path), "--seconds", "0.1"]) == 0
    assert capsys.readouterr().out.endswith("All is well.\n")


def test_find_overwrites_no_file(network, tmp_path, capsys):
    network()
    path = tmp_path / "bench.toml"
    path.write_text("mine")
    assert main(["find", "--write", str(path)]) == 1
    assert path.read_text() == "mine"
    assert "give another name" in capsys.readouterr().err


def test_a_file_that_appears_during_the_search_is_kept_too(serve, network, tmp_path, monkeypatch, capsys):
    network([serve(TcpServer, bench_meter())])
    path, search = tmp_path / "bench.toml", instruments.find

    def slow(*words, **more):
        found = search(*words, **more)
        path.write_text("mine")
        return found

    monkeypatch.setattr(instruments, "find", slow)
    assert main(["find", "--write", str(path)]) == 1
    assert path.read_text() == "mine"


def test_where_nobody_answers_no_file_is_written(network, tmp_path, capsys):
    network()
    path = tmp_path / "bench.toml"
    assert main(["find", "--write", str(path)]) == 1
    assert not path.exists()
    assert "is not written: nobody answered." in capsys.readouterr().out


def test_without_a_terminal_no_serial_port_is_written_to(serve, network, capsys):
    place = serve(PtyServer, Scripted())
    network(serial_places=[place])
    assert main(["find"]) == 0
    assert place.instrument.heard == []
    assert "not asked: a cable" in capsys.readouterr().out


def test_ask_serial_is_the_consent(serve, network, capsys):
    place = serve(PtyServer, Scripted())
    network(serial_places=[place])
    assert main(["find", "--ask-serial"]) == 0
    assert set(place.instrument.heard) == {"*IDN?"}
    assert "BENCH, SCRIPTED, 0042, 1.0  9600 baud" in capsys.readouterr().out


@pytest.mark.parametrize(("answer", "asked"), [("y", True), ("", False), ("no", False), (EOFError, False)])
def test_on_a_terminal_each_port_is_asked_about(serve, network, capsys, monkeypatch, answer, asked):
    questions = []

    def typed(question):
        questions.append(question)
        if answer is EOFError:
            raise EOFError
        return answer

    place = serve(PtyServer, Scripted())
    network(serial_places=[place])
    monkeypatch.setattr("builtins.input", typed)
    for stream in ("stdin", "stdout"):
        monkeypatch.setattr(f"daemon.command_line.instruments.sys.{stream}.isatty", lambda: True)
    assert main(["find"]) == 0
    assert len(questions) == 1
    assert bool(place.instrument.heard) == asked


def test_json_asks_no_questions(serve, network, capsys, monkeypatch):
    place = serve(PtyServer, Scripted())
    network(serial_places=[place])
    for stream in ("stdin", "stdout"):
        monkeypatch.setattr(f"daemon.command_line.instruments.sys.{stream}.isatty", lambda: True)
    assert main(["find", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["found"][0]["identity"] == ""
    assert place.instrument.heard == []


def bench_file(folder, place, kind="meter"):
    path = folder / "bench.toml"
    path.write_text(f'[[instrument]]\nname = "m"\nkind = "{kind}"\nresource = "{place.resource}"\nprobe = "red"\n')
    return path


def test_check_says_all_is_well_and_ends_with_zero(serve, tmp_path, capsys):
    path = bench_file(tmp_path, serve(TcpServer, bench_meter()))
    assert main(["check", str(path), "--seconds", "0.1"]) == 0
    said = capsys.readouterr().out
    assert "BENCH, SCRIPTED, 0042, 1.0 answers." in said
    assert "poll_s = 0.2 is kept." in said
    assert said.endswith("All is well.\n")


def test_check_of_a_bench_with_nobody_on_it_ends_with_one(serve, tmp_path, capsys):
    place = serve(TcpServer, bench_meter())
    place.stop()
    assert main(["check", str(bench_file(tmp_path, place)), "--json"]) == 1
    content = json.loads(capsys.readouterr().out)
    (entry,) = content["instruments"]
    assert (content["well"], entry["well"], entry["polls"], entry["identity"]) == (False, False, 0, "")
    assert "nobody answers" in entry["wrong"][0]


def test_check_names_the_mistakes_of_a_wrong_bench_file(tmp_path, capsys):
    path = tmp_path / "bench.toml"
    path.write_text('[[instrument]]\nname = "m"\n')
    assert main(["check", str(path)]) == 1
    assert "kind: is missing" in capsys.readouterr().err


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "soon"])
def test_seconds_that_are_no_time_are_refused(seconds, capsys):
    with pytest.raises(SystemExit):
        main(["find", "--seconds", seconds])
