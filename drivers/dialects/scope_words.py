"""What a family of scopes calls things, and which of the three forms its waveforms come in."""

from collections.abc import Mapping
from dataclasses import dataclass

KINDS_OF_FIELD = ("int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64")


@dataclass(frozen=True, slots=True)
class FormA:
    """A preamble of ten fields, then a data query."""

    preamble: str
    data: str
    byte_order: str
    unsigned: str
    high_byte_first: tuple[str, ...]
    bytes_formats: tuple[int, ...]
    words_formats: tuple[int, ...]
    text_formats: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class FormB:
    """A preamble of keys and values, then a curve query. Each key is a list of its spellings.

    ``one_field`` asks for the value of one ``{key}``, for a scope that answers without the keys.
    """

    preamble: str
    one_field: str
    data: str
    bytes_a_sample: tuple[str, ...]
    encoding: tuple[str, ...]
    number_form: tuple[str, ...]
    byte_order: tuple[str, ...]
    points: tuple[str, ...]
    dt_s: tuple[str, ...]
    start_s: tuple[str, ...]
    first_number: tuple[str, ...]
    scale_v: tuple[str, ...]
    offset_v: tuple[str, ...]
    reference_code: tuple[str, ...]
    text_encodings: tuple[str, ...]
    signed: tuple[str, ...]
    high_byte_first: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a descriptor a field lies, bytes from its beginning, and what kind of number it is."""

    at: int
    kind: str


@dataclass(frozen=True, slots=True)
class FormC:
    """One block: a descriptor with fields at fixed offsets, maybe more tables, then the samples.

    ``before_data`` are the fields with the sizes, bytes, of everything in front of the samples, the
    descriptor's own first. The two marks are 16-bit fields; ``low_byte_first`` and ``words`` are their values.
    """

    data: str
    signature: str
    byte_order_at: int
    low_byte_first: int
    sample_size_at: int
    words: int
    signed: bool
    before_data: tuple[Place, ...]
    data_bytes: Place
    scale_v: Place
    offset_v: Place
    dt_s: Place
    start_s: Place
    lowest_code: Place | None = None
    highest_code: Place | None = None
    probe_factor: Place | None = None
    probe_in_scale: bool = True


@dataclass(frozen=True, slots=True)
class Window:
    """How a long record is asked for in pieces.

    ``select`` are the commands that choose the points of a transfer: ``{first}`` and ``{last}`` or ``{count}`` in
    them, the first point being number ``first_number``. What they are set to is asked with the same header and put
    back afterwards. ``total`` asks for the number of points of the whole record.
    """

    select: tuple[str, ...]
    points_at_most: int
    first_number: int
    total: str


@dataclass(frozen=True, slots=True)
class Transfer:
    """Exactly one of the forms, and a window where long records come in pieces."""

    form_a: FormA | None = None
    form_b: FormB | None = None
    form_c: FormC | None = None
    window: Window | None = None

    @property
    def form(self) -> FormA | FormB | FormC:
        """The one that is there."""
        found = self.form_a or self.form_b or self.form_c
        assert found is not None
        return found


@dataclass(frozen=True, slots=True)
class SlowRoll:
    """How it is made to roll slowly, and put back.

    ``scale`` is the header that sets seconds a division, asked with a question mark behind it; ``divisions`` make a
    record. ``mode`` makes it roll where a slow time base alone does not; ``mode_back`` undoes that, ``{word}``
    in it being what ``time_base_mode`` answered before.
    """

    scale: str
    divisions: int
    mode: str
    mode_back: str


@dataclass(frozen=True, slots=True)
class ScopeDialect:
    """What one family of scopes calls things; an empty word means that the family has none.

    ``{channel}`` in a word stands for the number of a channel, ``{state}`` in ``run`` for what ``state``
    answered before the stop (``running[0]`` where that is not known). ``recognised_by`` is the pattern that
    the whole answer to ``recognise`` has. ``coupling_words`` turns the family's words into DC, AC, GND.
    """

    name: str
    channels: int
    recognise: str
    recognised_by: str
    shown: str
    coupling: str
    coupling_words: Mapping[str, str]
    scale: str
    probe: str
    choose: str
    time_base_mode: str
    state: str
    stop: str
    run: str
    arm: str
    disarm: str
    rolling: tuple[str, ...]
    running: tuple[str, ...]
    stopped: tuple[str, ...]
    waiting: tuple[str, ...]
    transfer: Transfer
    slow_roll: SlowRoll | None = None
