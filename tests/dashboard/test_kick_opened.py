"""A verdict on a switch-on can be opened: what was seen, modelled, left and compared with, how much was captured."""

from playwright.sync_api import BrowserContext, expect

from daemon.records import open_session
from tests.dashboard.conftest import DEADLINE_S, TOKEN, Served, wait_until
from tests.dashboard.sample_session import write_sample_session


def running_session_with_a_kick(served: Served) -> dict[str, object]:
    """The running session's record holds one switch-on and its reference; the verdict as the state has it."""
    file = served.sessions / "now.session"
    writer = write_sample_session(file, close=False, start_us=served.bench.now_us() - 180_000_000)
    with open_session(file) as records:
        (verdict,) = records.switch_ons().to_dict("records")
    facts = {
        "capture": int(verdict["capture"]),
        "reference": int(verdict["reference"]),
        "reference_on_us": int(verdict["t_us"]),
        "compared_with": "the healthy switch-on of C308 in PLAY (c308.csv)",
        "point": "C308",
        "mode": "PLAY",
        "switch_on_t_us": int(verdict["t_us"]),
        "switch_on_half_width_us": 150_000,
    }
    writer.add_event(int(verdict["t_us"]), "capture", "Trace of C308 around the switch-on kept.", facts)
    writer.commit()
    writer.close()
    served.bench.change(session={"path": str(file), "name": "now", "started_us": 0, "references": 1})
    return {
        **{key: facts[key] for key in ("capture", "reference", "point", "mode")},
        **{"t_us": verdict["t_us"], "verdict": "missing", "also": [], "ratio": 0.049, "why": "4.9 %.", "leg": ""},
    }


def test_how_a_verdict_came_about_opens_by_key_and_stays_open(served: Served, context: BrowserContext) -> None:
    kick = running_session_with_a_kick(served)
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    served.bench.change(switch_ons=[kick])
    summary = page.locator(".how-judged summary")
    expect(summary).to_have_text("how it was judged", timeout=DEADLINE_S * 1000)
    summary.focus()
    page.keyboard.press("Enter")
    words = page.locator(".how-judged .why")
    expect(words).to_contain_text("Compared with the healthy switch-on of C308 in PLAY (c308.csv).")
    expect(words).to_contain_text("100 % of where the kick would be was captured")
    ink = (
        "() => { const c = document.querySelector('canvas.kick-opened'); const d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; let n = 0; for (let i = 3; i < d.length; i += 4)"
        " if (d[i]) n += 1; return n; }"
    )
    wait_until(lambda: page.evaluate(ink) > 2000, "trace, model and residual are drawn")
    served.bench.change(switch_ons=[{**kick, "why": "Judged again."}])
    expect(page.locator(".how-judged .why")).to_contain_text("Compared with")


def test_what_was_not_captured_has_nothing_to_open(served: Served, context: BrowserContext) -> None:
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    kick = {"capture": None, "reference": None, "point": "C308", "leg": "", "mode": "PLAY", "t_us": 1, "also": []}
    served.bench.change(switch_ons=[{**kick, "verdict": "not observed", "ratio": None, "why": "Not observed."}])
    expect(page.locator("#kicks h3")).to_have_text("C308", timeout=DEADLINE_S * 1000)
    assert page.locator(".how-judged").count() == 0
