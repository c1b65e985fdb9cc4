"""One instrument from the command line, over every transport, with faults; and a bench over what is asked for."""

import json
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
import pyvisa

from simulated_instruments.serving.choice import TRANSPORTS, where
from tests.simulated_instruments.test_bench import MODULE, PATIENCE_S

ROOT = Path(__file__).parents[2]


@contextmanager
def started(*words):
    process = subprocess.Popen([*MODULE, *words], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
    try:
        yield process, json.loads(process.stdout.readline())
    finally:
        process.terminate()
        assert process.wait(PATIENCE_S) == 0
        process.stdout.close()


@contextmanager
def session(resource):
    opened = pyvisa.ResourceManager("@py").open_resource(resource, open_timeout=5000)
    opened.timeout = 5000
    opened.read_termination = "\r\n" if resource.startswith("ASRL") else "\n"
    opened.write_termination = "\n"
    yield opened
    opened.close()


@pytest.mark.parametrize("over", TRANSPORTS)
def test_it_says_where_it_is_and_answers_there(over):
    with (
        started("instrument", "supply monitor", "--over", over) as (_, said),
        session(said["resource"]) as talk,
    ):
        assert said["name"] == "supply monitor" and where(said["resource"])[0] == over
        assert talk.query("*IDN?").startswith("Benchwright,")
        assert float(talk.query("MEAS:VOLT?")) >= 0


@pytest.mark.parametrize(
    ("kind", "question", "answer"),
    [
        ("scope form b", "*IDN?", "Ostrel,"),
        ("scope form c", "*IDN?", "Ostrel,"),
        ("letters generator", "QR", "RF0"),
        ("scope", "*STB?", "0"),
    ],
)
def test_kinds_that_stand_on_no_bench_can_be_started_too(kind, question, answer):
    with started("instrument", kind) as (_, said), session(said["resource"]) as talk:
        assert talk.query(question).startswith(answer)


@pytest.mark.parametrize(
    ("words", "question", "answer"),
    [
        (("--form", "c"), "CFMT?", "CFMT DEF9,BYTE,BIN"),
        (("--form", "b"), ":HEAD OFF;:WFMP:ENCDG?", "BIN"),
        (("--window", "250"), ":WAV:STAR?;STOP?", "1;250"),
        (("--form", "b", "--window", "250"), ":DATA:STOP?;:HOR:RECO?", "250;"),
    ],
)
def test_a_scopes_form_of_waveform_transfer_can_be_chosen(words, question, answer):
    with started("instrument", "scope", *words) as (_, said), session(said["resource"]) as talk:
        assert talk.query(question).startswith(answer)


def test_each_fault_is_said_when_it_is_put_in():
    words = ("instrument", "meter", "--over", "tcp", "--fault", "duplicate@2", "--fault", "late:0.01@3+")
    with started(*words) as (process, said), session(said["resource"]) as talk:
        assert talk.query("*OPC?") == "1"
        assert talk.query("*OPC?") == "1" and talk.read() == "1"
        assert talk.query("*OPC?") == "1"
        lines = [json.loads(process.stdout.readline()) for _ in range(2)]
    assert [(line["fault"], line["answer"]) for line in lines] == [("duplicate", 2), ("late", 3)]
    assert all(line["t_us"] > 1_600_000_000_000_000 for line in lines)


def test_a_seed_draws_the_faults():
    with started("instrument", "meter", "--fault-rate", "1", "--seed", "6") as (process, said):
        with session(said["resource"]) as talk:
            talk.write("*OPC?")
            drawn = json.loads(process.stdout.readline())
        assert drawn["answer"] == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["toaster"], "clip meter"),
        (["meter", "--over", "fax"], "hislip"),
        (["meter", "--fault", "late"], "KIND"),
        (["meter", "--fault", "late@1", "--fault-rate", "0.5"], "not both"),
        (["meter", "--portmapper", "0"], "VXI-11"),
        (["meter", "--form", "b"], "only a scope"),
        (["scope", "--form", "c", "--window", "9"], "a window has a or b"),
        (["meter", "--scenario", "S9"], "amplifier"),
    ],
)
def test_a_wrong_word_is_one_line_and_exit_2(words, said):
    words = [*MODULE, "instrument", *words]
    ended = subprocess.run(words, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False, timeout=30)
    assert ended.returncode == 2
    assert ended.stderr.count("\n") == 1 and said in ended.stderr


def test_an_instrument_of_a_bench_is_served_over_what_is_asked_for(tmp_path):
    words = ("bench", "S2", "--runtime", str(tmp_path), "--over", "meter=hislip", "--over", "clip meter=vxi11")
    with started(*words) as (_, said):
        ways = {name: where(resource)[0] for name, resource in said["resources"].items()}
        assert ways["meter"] == "hislip" and ways["clip meter"] == "vxi11" and ways["generator"] == "tcp"
        for name in ("meter", "clip meter"):
            with session(said["resources"][name]) as talk:
                assert talk.query("*IDN?").startswith("Benchwright,")
                assert talk.read_stb() & 64 == 0
        assert said["resources"]["meter"] in (tmp_path / "bench.toml").read_text()


@pytest.mark.parametrize("text", ["meter=fax", "toaster=tcp", "meter", "=tcp"])
def test_a_wrong_transport_is_one_line_and_exit_2(tmp_path, text):
    words = [*MODULE, "bench", "S2", "--runtime", str(tmp_path), "--over", text]
    ended = subprocess.run(words, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False, timeout=30)
    assert ended.returncode == 2 and ended.stderr.count("\n") == 1


@pytest.mark.parametrize("over", TRANSPORTS)
def test_the_status_model_is_the_same_on_every_transport(over):
    """IEEE 488.2, 10.10 to 10.12, 10.34 to 10.36, 11; SCPI-99 vol. 2, 21.8.1. Clauses from memory."""
    with started("instrument", "meter", "--over", over) as (_, said), session(said["resource"]) as talk:
        assert talk.query("*ESR?;*ESR?") == "128;0"
        talk.write("*CLS;*ESE 60;*SRE 255")
        assert talk.query("*ESE?;*SRE?;*STB?") == "60;191;80", "MAV is set by the answers before, and asks (bit 6)"
        for _ in range(25):
            talk.write("NONSENSE")
        assert int(talk.query("*STB?")) == 4 + 32 + 64
        assert talk.query("*ESR?") == "32"
        codes = [talk.query("SYST:ERR?").split(",")[0] for _ in range(21)]
        assert codes == ["-113"] * 19 + ["-350", "0"]
        assert talk.query("*OPC?;*STB?") == "1;80"
        talk.write("*SRE 0;*OPC;*WAI")
        assert talk.query("*ESR?;*TST?") == "1;0"


def test_a_resource_name_says_its_way_and_port():
    assert where("TCPIP::127.0.0.1::5025::SOCKET") == ("tcp", 5025)
    assert where("TCPIP::127.0.0.1::hislip0,4880::INSTR") == ("hislip", 4880)
    assert where("TCPIP::127.0.0.1,900::inst0::INSTR") == ("vxi11", 900)
    assert where("ASRL/dev/pts/7::INSTR") == ("tty", 0)
    with pytest.raises(ValueError, match="no server"):
        where("GPIB::9::INSTR")


def test_the_package_needs_numpy_at_most():
    """The servers run where nothing of the project and no other library is."""
    code = (
        "import sys; import simulated_instruments.serving.choice, simulated_instruments.faults;"
        "print({m.split('.')[0] for m in sys.modules} - sys.stdlib_module_names - {'__main__'})"
    )
    words = [sys.executable, "-S", "-c", code]
    found = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "{'simulated_instruments'}"
