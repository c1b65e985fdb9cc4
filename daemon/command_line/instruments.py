"""``probetrail find`` and ``probetrail check``: which instruments there are, and whether all is well with them."""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from daemon.bench_draft import draft
from daemon.bench_file import parse_bench, read_bench
from daemon.checkup import SECONDS, Checked, check_bench
from daemon.checkup_words import link_words
from drivers.clock import SystemClock
from drivers.errors import BenchFileError
from drivers.find import WITHIN_S, Consent, Found, find, no_consent

NOTHING_FOUND = (
    "Nothing answers. Is the instrument on, on this LAN, and its remote interface enabled? One that neither announces "
    "itself nor speaks VXI-11 is not found: write its address, which its own LAN menu shows, into a bench file."
)
WRITTEN = "Written to {path}: read it through, then `probetrail check {path}`."
NOT_WRITTEN = "{path} is not written: nobody answered."


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``find`` and ``check``."""
    parser = groups.add_parser("find", help="what answers on this machine and LAN")
    parser.add_argument("--write", type=Path, metavar="BENCH.toml", help="write a bench file to start from")
    parser.add_argument("--ask-serial", action="store_true", help="also write *IDN? to each serial port")
    parser.add_argument(
        "--visa-library", default="@py", metavar="NAME", help="what USB and GPIB are reached through (@py)"
    )
    parser.add_argument("--seconds", type=_seconds, default=WITHIN_S, metavar="N", help="how long to look (12)")
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_find)

    parser = groups.add_parser("check", help="talk to each instrument of a bench file and say what is wrong")
    parser.add_argument("bench", type=Path, metavar="BENCH.toml")
    parser.add_argument("--seconds", type=_seconds, default=SECONDS, metavar="N", help="how long to poll each (2)")
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_check)


def _seconds(text: str) -> float:
    value = float(text)
    if not 0.1 <= value <= 3600:
        raise argparse.ArgumentTypeError("write seconds from 0.1 to 3600")
    return value


def _print_json(content: dict[str, Any]) -> None:
    print(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))


def _find(options: argparse.Namespace) -> int:
    if options.write is not None and options.write.exists():
        raise _is_there(options.write)
    consent, library, with_kinds = _consent(options), options.visa_library, options.write is not None
    found = list(
        find(SystemClock(), options.seconds, may_write=consent, with_kinds=with_kinds, visa_library=library)
    )
    written = _write_draft(options.write, found) if options.write is not None else False
    if options.json:
        _print_json({"found": [_row(entry) for entry in found], "written": str(options.write) if written else None})
    else:
        _print_found(found)
        if options.write is not None:
            print((WRITTEN if written else NOT_WRITTEN).format(path=options.write))
    return 0 if written or options.write is None else 1


def _consent(options: argparse.Namespace) -> Consent:
    if options.ask_serial:
        return lambda device, description: True
    # A question in a pipe or between two lines of JSON would wait for ever, or be taken for an answer.
    return no_consent if options.json or not (sys.stdin.isatty() and sys.stdout.isatty()) else _ask_person


def _ask_person(device: str, description: str) -> bool:
    print(f"Serial port {device} ({description or 'no description'}).")
    print("What hangs on it may be no instrument, and take what is written for a command.")
    try:
        return input("Write *IDN? to it at some bit rates? [y/N] ").strip().lower() in ("y", "yes")
    except EOFError:
        return False


def _is_there(path: Path) -> BenchFileError:
    return BenchFileError([f"{path}: is there already, and no file is ever overwritten: give another name."])


def _write_draft(path: Path, found: Sequence[Found]) -> bool:
    """Write what was found to a new file; False where nobody answered, so that there is nothing to begin with."""
    if not any(entry.identity for entry in found):
        return False
    text = draft(found)
    parse_bench(text, path.name, path.parent)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise _is_there(path) from error
    except OSError as error:
        raise BenchFileError([f"{path}: cannot be written ({error}): give a name in a folder of yours."]) from error
    return True


def _row(entry: Found) -> dict[str, Any]:
    return {
        "resource": entry.resource,
        "identity": str(entry.identity or ""),
        "remark": entry.remark,
        "kind": entry.guess.kind if entry.guess else "",
        "told_by": entry.guess.because if entry.guess else "",
        "baud": entry.baud,
    }


def _print_found(found: Sequence[Found]) -> None:
    for entry in found:
        kind = f"seems to be a {entry.guess.kind}" if entry.guess and entry.guess.kind else ""
        baud = f"{entry.baud} baud" if entry.baud else ""
        words = (entry.resource, str(entry.identity or ""), kind, baud, _one_line(entry.remark))
        print("  ".join(word for word in words if word))
    if not any(entry.resource for entry in found):
        print(NOTHING_FOUND)


def _check(options: argparse.Namespace) -> int:
    results = check_bench(read_bench(options.bench), SystemClock(), options.seconds)
    well = all(checked.well for checked in results)
    if options.json:
        _print_json({"well": well, "instruments": [_entry(checked) for checked in results]})
    else:
        print("\n\n".join("\n".join(_lines(checked)) for checked in results))
        print(f"\n{_sum(results)}")
    return 0 if well else 1


def _sum(results: Sequence[Checked]) -> str:
    ailing = [checked.setup.spec.name for checked in results if not checked.well]
    return f"Not well: {', '.join(ailing)}." if ailing else "All is well."


def _lines(checked: Checked) -> Iterator[str]:
    spec = checked.setup.spec
    yield f"{spec.name} ({spec.kind}), {link_words(spec)}"
    yield f"  {checked.identity} answers." if checked.identity is not None else "  Nobody says who it is."
    yield from (f"  {ability[:1].upper()}{ability[1:]}." for ability in checked.abilities)
    yield from (f"  Now: {words}." for words in checked.says)
    if checked.speed is not None:
        yield f"  {_speed(checked)}"
    yield from (f"  To mind: {_one_line(words)}" for words in checked.mind)
    yield from (f"  WRONG: {_one_line(words)}" for words in checked.wrong)


def _one_line(text: str) -> str:
    """Another program's words inside of an error may have several."""
    return " ".join(text.split())


def _speed(checked: Checked) -> str:
    speed = checked.speed
    assert speed is not None
    kept = "is kept" if speed.median_s <= checked.setup.poll_s else "is not kept"
    median_ms, slowest_ms = speed.median_s * 1e3, speed.slowest_s * 1e3
    return (
        f"A poll takes {median_ms:.3g} ms, the slowest of {speed.count} took {slowest_ms:.3g} ms: "
        f"poll_s = {checked.setup.poll_s:g} {kept}."
    )


def _entry(checked: Checked) -> dict[str, Any]:
    spec, speed = checked.setup.spec, checked.speed
    return {
        "name": spec.name,
        "kind": spec.kind,
        "resource": spec.resource,
        "link": link_words(spec),
        "identity": str(checked.identity or ""),
        "abilities": checked.abilities,
        "now": checked.says,
        "polls": speed.count if speed else 0,
        "median_s": speed.median_s if speed else None,
        "slowest_s": speed.slowest_s if speed else None,
        "poll_s": checked.setup.poll_s,
        "poll_s_kept": speed is not None and speed.median_s <= checked.setup.poll_s,
        "mind": checked.mind,
        "wrong": checked.wrong,
        "well": checked.well,
    }
