"""The one error tree of probetrail. Every error carries a sentence that names the cure.

::

    ProbetrailError
    |-- DriverError                an instrument or the way to it
    |   |-- LinkError              the bytes did not pass
    |   |   |-- LinkRefused        nobody answers at that address (unit off, wrong port)
    |   |   |-- LinkClosed         the other end went away in the middle of a conversation
    |   |   |-- LinkTimeout        the other end is there and silent
    |   |   `-- OutOfStep          bytes that belong to an earlier question, or to none
    |   |-- AnswerError            an answer that the syntax does not permit ("12.3.4")
    |   |-- InstrumentRefused      the instrument's own error queue objects (-113 ...)
    |   |-- WrongInstrument        another identity answers at the address than before
    |   `-- ResourceNameError      the bench file's resource is not a VISA resource name
    |-- BenchFileError             one line a mistake: file, table, key, cure
    |-- DrawingError               one line a mistake: file, line or key, cure
    |-- ReadingsError              one line a mistake: file, line, cure
    |-- TraceFileError             a waveform file that cannot be read: file, line, cure
    |-- SessionError               the session file
    |   |-- NotASession            another kind of file
    |   |-- NewerSession           written by a newer version of this program
    |   |-- DamagedSession         the file is torn; what can be saved is named
    |   |-- SessionBusy            another daemon is writing it
    |   `-- StoreFull              no room on the disk; storing goes on when there is
    |-- CommandError               something said to the daemon that it cannot take (field, cure)
    `-- DoorError                  the daemon or dashboard cannot be reached, or refuses
"""

from collections.abc import Sequence


class ProbetrailError(Exception):
    """Base of all errors raised on purpose: its text is fit to be shown to the user."""


class DriverError(ProbetrailError):
    """Something is wrong with an instrument or with the way to it."""


class LinkError(DriverError):
    """The bytes did not pass."""


class LinkRefused(LinkError):
    """Nobody answers at the address."""


class LinkClosed(LinkError):
    """The other end closed in the middle of a conversation."""


class LinkTimeout(LinkError):
    """The other end stayed silent for the allowed time."""


class OutOfStep(LinkError):
    """Bytes arrived that do not belong to the question asked."""


class AnswerError(DriverError):
    """An answer that the syntax of IEEE 488.2 or SCPI-99 does not permit."""


class InstrumentRefused(DriverError):
    """The instrument's error queue objects to what it was asked."""


class WrongInstrument(DriverError):
    """Another instrument than before answers at this address."""


class ResourceNameError(DriverError):
    """Not a VISA resource name, or one of a kind that no link serves."""


class _Mistakes(ProbetrailError):
    """Carries one line for each mistake found, so that all can be mended at once."""

    def __init__(self, mistakes: Sequence[str]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(self.mistakes))


class BenchFileError(_Mistakes):
    """A bench file with mistakes; ``mistakes`` has one line for each."""


class DrawingError(_Mistakes):
    """A drawing file with mistakes; ``mistakes`` has one line for each."""


class ReadingsError(ProbetrailError):
    """A file of readings that cannot be taken: one line a mistake, each with its cure."""


class TraceFileError(ProbetrailError):
    """A waveform file that cannot be read."""


class SessionError(ProbetrailError):
    """The session file cannot do what was asked of it."""


class NotASession(SessionError):
    """The file is of another kind."""


class NewerSession(SessionError):
    """The file was written by a newer version of this program."""


class DamagedSession(SessionError):
    """The file is torn or incomplete."""


class SessionBusy(SessionError):
    """Another daemon is writing this file."""


class StoreFull(SessionError):
    """There is no room left where the session file lies."""


class CommandError(ProbetrailError):
    """A command that cannot be taken; ``field`` names the part that is wrong."""

    def __init__(self, field: str, message: str) -> None:
        self.field = field
        super().__init__(message)


class DoorError(ProbetrailError):
    """The daemon or the dashboard cannot be reached, or refuses the caller."""
