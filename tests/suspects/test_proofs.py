"""A bypass as a proof: before, during, after. Each of the three counts, and two of them prove nothing."""

import pytest

from daemon.suspects.answer import answer, in_words
from daemon.suspects.marks import Mark, Stay, evidence_of
from daemon.suspects.proofs import proofs
from daemon.suspects.readings import Seen

BEFORE, IN, DURING = Seen("A", "ON", "dc_v", 0.01), Seen("F1", "ON", "bypassed"), Seen("A", "ON", "dc_v", 19.8)
OUT, AFTER = Seen("F1", "ON", "unmended"), Seen("A", "ON", "dc_v", 0.02)
STAYS_DEAD = Seen("A", "ON", "dc_v", 0.0)

PHASES = [
    ((IN,), "wanting", "No faulty reading was taken before"),
    ((BEFORE, IN), "wanting", "read again what was faulty: A 0.01 V (ON)"),
    ((BEFORE, IN, DURING), "for", "Take the bypass away and read again"),
    ((BEFORE, IN, STAYS_DEAD), "against", "it is not F1 alone"),
    ((BEFORE, IN, Seen("A", "ON", "dc_v", 9.0)), "unclear", "is not right"),
    ((BEFORE, IN, OUT), "wanting", "Nothing was read while"),
    ((BEFORE, IN, DURING, OUT), "for", "Read again without the bypass"),
    ((BEFORE, IN, DURING, OUT, AFTER), "proved", "F1 is proved"),
    ((BEFORE, IN, DURING, OUT, Seen("A", "ON", "dc_v", 19.9)), "unclear", "the fault has not come back"),
    ((BEFORE, Seen("F1", "ON", "mended"), DURING), "for", "with F1 replaced"),
]


@pytest.mark.parametrize(("evidence", "state", "words"), PHASES)
def test_each_phase_of_a_bypass_says_what_it_is_worth_and_what_is_wanting(diagnosis, evidence, state, words):
    (proof,) = proofs(diagnosis.posterior(evidence))
    assert (proof.part, proof.state) == ("F1", state)
    assert words in proof.said
    assert proof.in_place == (OUT not in evidence and IN in evidence)


def test_during_speaks_for_the_part_and_after_more_so(diagnosis):
    chances = [diagnosis.posterior(told).by_part["F1"] for told in [(BEFORE,), (BEFORE, IN, DURING)]]
    assert chances[0] < 0.6 < 0.9 < chances[1]
    assert diagnosis.posterior((BEFORE, IN, DURING, OUT, AFTER)).by_part["F1"] > 0.9


def test_a_bypass_that_changes_nothing_speaks_against_the_part(diagnosis):
    assert diagnosis.posterior((BEFORE, IN, STAYS_DEAD)).by_part.get("F1", 0.0) < 0.05


def test_a_link_across_a_short_mends_nothing(diagnosis):
    """Dead because C2 is shorted: with something across C2 it stays dead, which says nothing against the short."""
    dead = (Seen("A", "ON", "dc_v", 20.0), Seen("B", "ON", "dc_v", 0.02))
    before = diagnosis.posterior(dead).by_part["C2"]
    assert diagnosis.posterior((*dead, Seen("C2", "ON", "bypassed"), dead[1])).by_part["C2"] > 0.8 * before
    sound = (*dead, Seen("C2", "ON", "bypassed"), Seen("B", "ON", "dc_v", 12.0))
    assert diagnosis.posterior(sound).by_part.get("C2", 0.0) < 0.3


def test_a_reading_on_the_lamp_or_of_a_unit_that_is_off_is_no_phase_of_a_proof(diagnosis):
    for condition in ("series lamp 60 W", "off"):
        on_it = Seen("A", "ON", "dc_v", 19.8, None, condition)
        (proof,) = proofs(diagnosis.posterior((BEFORE, IN, on_it)))
        assert proof.state == "wanting"


def test_works_before_and_during_is_a_proof_too(diagnosis):
    fails, works = Seen("", "ON", "works", 0.0), Seen("", "ON", "works", 1.0)
    (proof,) = proofs(diagnosis.posterior((fails, IN, works, OUT, fails)))
    assert proof.state == "proved"
    assert proof.said.startswith("ON does not work before, ON works with F1 bypassed, ON does not work after")


def test_a_proof_stands_with_its_suspect_and_a_bypass_in_place_is_called_out(diagnosis):
    posterior = diagnosis.posterior((BEFORE, IN, DURING))
    said = answer(posterior, "ON")
    suspect = next(each for each in said["suspects"] if each["part"] == "F1" and each["fault"] == "open")
    assert any("with F1 bypassed" in line for line in suspect["for"])
    assert "BYPASSED: F1" in in_words(said, posterior)
    assert all(each["quantity"] != "bypassed" for each in said["otherwise"])
    proved = diagnosis.posterior((BEFORE, IN, DURING, OUT, AFTER))
    assert answer(proved, "ON")["otherwise"] == []
    assert "BYPASSED" not in in_words(answer(proved, "ON"), proved)


def test_the_marks_and_stays_of_a_session_make_a_proof(lamp, diagnosis):
    """As the daemon keeps them: a note of the kind "bypassed", and one that says it is taken away."""

    def stay(number, at_us, value):
        return Stay(number, at_us, "A", "", "ON", "direct", "dc_v", value, 0.05)

    said = ((20, "F1, a clip lead"), (40, "clip lead of F1 removed"))
    marks = [Mark(at_us, "bypassed", text, "ON", {}) for at_us, text in said]
    found = evidence_of([stay(1, 10, 0.0), stay(2, 30, 19.9), stay(3, 50, 0.0)], marks, lamp)
    (proof,) = proofs(diagnosis.posterior(found.seen))
    assert proof.state == "proved"


def test_a_persons_own_proof_is_evidence_for_and_against(lamp, chance):
    dead = (Seen("A", "ON", "dc_v", 20.0), Seen("B", "ON", "dc_v", 0.02))
    gone, stays = (
        evidence_of([], [Mark(5, "proof", text, "ON", {})], lamp).seen for text in ("R1: hum gone", "R1: no change")
    )
    assert (gone[0].value, stays[0].value) == (1.0, 0.0)
    assert chance("R1", *dead, *gone) > 0.8 > 2 * chance("R1", *dead)
    assert chance("R1", *dead, *stays) < 0.3 * chance("R1", *dead)


def test_a_part_that_tested_bad_is_proved_until_a_new_one_is_in(diagnosis):
    """The program does not ask for a test again that was made; and it does not ask for a new part that is fitted."""
    bad = (BEFORE, Seen("F1", "", "good", 0.0))
    said = answer(diagnosis.posterior(bad), "ON")
    assert [(each["part"], each["how"], each["state"]) for each in said["proofs"]] == [("F1", "tested", "proved")]
    assert said["otherwise"] == []
    assert "F1 tested bad by itself: it is faulty" in in_words(said, diagnosis.posterior(bad))
    fitted = diagnosis.posterior((*bad, Seen("F1", "ON", "mended"), DURING))
    assert "fit the new part" not in in_words(answer(fitted, "ON"), fitted)
    again = answer(diagnosis.posterior((*bad, Seen("F1", "", "good"))), "ON")
    assert all(each["how"] != "tested" for each in again["proofs"])


def test_a_proved_part_that_was_replaced_is_not_asked_for_again(diagnosis):
    fitted = diagnosis.posterior((BEFORE, IN, DURING, OUT, AFTER, Seen("F1", "ON", "mended"), DURING))
    assert "fit the new part" not in in_words(answer(fitted, "ON"), fitted)


def test_a_part_that_was_tested_is_not_proposed_for_a_test(diagnosis):
    short = (Seen("A", "ON", "dc_v", 20.0), Seen("B", "ON", "dc_v", 0.02), Seen("RAW", "ON", "dc_v", 20.0))
    tested = answer(diagnosis.posterior((*short, Seen("C2", "", "good"))), "ON")["otherwise"]
    assert "C2" not in [each["point"] for each in tested if each["quantity"] == "part_good"]
