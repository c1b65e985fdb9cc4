"""Values and points as a person says them: the words themselves, without a voice."""

from playwright.sync_api import Page

VALUES = (
    (14.8, "V", "en", "fourteen point eight volts"),
    (-15.0, "V", "en", "minus fifteen volts"),
    (21.74, "V", "en", "twenty-one point seven volts"),
    (0.0052, "V", "en", "five point two millivolts"),
    (1.0, "V", "en", "one volt"),
    (0.0, "V", "en", "zero volts"),
    (12.07, "Vpp", "en", "twelve point one volts peak to peak"),
    (330.0, "ohm", "en", "three hundred thirty ohms"),
    (4700.0, "ohm", "en", "four point seven kilohms"),
    (1.2e6, "ohm", "en", "one point two megohms"),
    (0.1, "ohm", "en", "zero point one ohms"),
    (0.0303, "A", "en", "thirty point three milliamperes"),
    (220e-6, "F", "en", "two hundred twenty microfarads"),
    (105.0, "V", "en", "one hundred five volts"),
    (14.8, "V", "de", "vierzehn Komma acht Volt"),
    (21.0, "V", "de", "einundzwanzig Volt"),
    (-331.0, "V", "de", "minus dreihunderteinunddreißig Volt"),
    (0.0052, "V", "de", "fünf Komma zwei Millivolt"),
    (4700.0, "ohm", "de", "vier Komma sieben Kiloohm"),
)
# "Q three-oh-two collector": how the trade reads part numbers; common practice, no source.
POINTS = (
    ("Q302", "C", "en", "Q three oh two collector"),
    ("U902", "pin 2", "en", "U nine oh two pin two"),
    ("+15", "U901 out", "en", "plus fifteen U nine oh one out"),
    ("-15", "", "en", "minus fifteen"),
    ("V24S", "", "en", "V twenty-four S"),
    ("PBD", "C301+", "en", "PBD C three oh one plus"),
    ("MIC pin 2", "", "en", "MIC pin two"),
    ("Q302", "B", "de", "Q drei null zwei Basis"),
)


def test_values_are_said_as_a_person_says_them(page: Page) -> None:
    """All in one page: number words, prefixes, singular, and the second language."""
    said = page.evaluate(
        "async (rows) => { const { valueSaid } = await import('/assets/saying.js');"
        " return rows.map(([value, unit, language]) => valueSaid(value, unit, language)); }",
        [list(row[:3]) for row in VALUES],
    )
    assert said == [row[3] for row in VALUES]


def test_points_are_said_as_the_trade_reads_them(page: Page) -> None:
    """Three digits and more one by one; signs and legs as words."""
    said = page.evaluate(
        "async (rows) => { const { pointSaid } = await import('/assets/saying.js');"
        " return rows.map(([point, leg, language]) => pointSaid(point, leg, language)); }",
        [list(row[:3]) for row in POINTS],
    )
    assert said == [row[3] for row in POINTS]


def test_why_there_is_no_verdict_is_said_in_a_few_words(page: Page) -> None:
    """Parts as the trade reads them, each kind together; a part that nobody named is a part."""
    two = [{"part": "R5", "what": "lifted"}, {"part": "C702", "what": "lifted"}, {"part": "F1", "what": "bypassed"}]
    said = page.evaluate(
        "async ([two, none]) => { const { alteredSaid } = await import('/assets/saying.js');"
        " return [alteredSaid(two), alteredSaid(none), alteredSaid(two, 'de')]; }",
        [two, [{"part": "", "what": "bypassed"}]],
    )
    assert said[0] == "R five and C seven oh two lifted, F one bypassed"
    assert said[1] == "a part bypassed"
    assert said[2] == "R fünf und C sieben null zwei ausgelötet, F eins überbrückt"


def test_own_words_replace_any_of_them(page: Page) -> None:
    """A name, a verdict, a mode; a line that is none is passed over."""
    said = page.evaluate(
        "async () => { const { ownWords, phrase, pointSaid } = await import('/assets/saying.js');"
        " const own = ownWords('VPH = V phono\\ninside = fine\\n\\nnonsense\\nC = coll');"
        " return [pointSaid('VPH', 'C', 'en', own), phrase('inside', 'en', own), phrase('outside', 'de', own)]; }"
    )
    assert said == ["V phono coll", "fine", "außerhalb"]
