"""The customer's page: what a customer reads, prints, keeps; and what hostile text cannot do to it."""

import hashlib
import re
import unicodedata
from base64 import b64encode
from dataclasses import replace
from datetime import timedelta
from html import unescape
from html.parser import HTMLParser

import pytest

from checks.registry import CHECKS
from reports.errors import DocumentError, shown
from reports.model.finding import Judgement, Limit, Origin, Verdict, Weight
from reports.model.order import Action, Contents, Line, Piece
from reports.model.record import BaselineNote, Source
from reports.model.verdict import UnitVerdict
from reports.render import expect, words
from reports.render.page import render_page
from reports.verify import verify
from tests.support import repairs, signed

FAILED = repairs.failed("the fan stood still", "reseat the fan cable at its main board end", 0.0, "rpm")
VOID = {"meta", "br", "rect", "path", "polyline", "circle", "col", "link", "img", "input", "hr"}


def raw_of(unsigned):
    return signed.signed(unsigned, repairs.PRACTICE if unsigned.credential["throw_away"] else signed.BENCH)


def page(unsigned=None):
    return render_page(raw_of(unsigned or repairs.report()))


class Reader(HTMLParser):
    """What a browser would make of a page: its elements, and its texts in order."""

    def __init__(self):
        super().__init__()
        self.open, self.elements, self.texts = [], [], []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if data.strip() and self.open and self.open[-1] not in ("style", "script"):
            self.texts.append(" ".join(data.split()))


def read(html):
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == [], "elements left open"
    return reader


def text(html):
    return " ".join(read(html).texts)


# The order and the words


def test_the_page_reads_in_the_order_of_the_design_with_the_proof_last():
    html = page()
    headings = re.findall(r"<h2>(.*?)</h2>", html)

    assert headings == [
        "What was wrong",
        "What was done",
        "What works now",
        "Known defects",
        "What to expect",
        "The evidence",
        "The proof",
    ]
    assert text(html).index("READY") < text(html).index("What was wrong")


@pytest.mark.parametrize(
    ("verdict", "said"),
    [
        (UnitVerdict.READY, "READY"),
        (UnitVerdict.READY_WITH_CONCESSIONS, "READY, WITH EXCEPTIONS"),
        (UnitVerdict.HOLD, "NOT READY"),
        (UnitVerdict.INCOMPLETE, "NOT FINISHED"),
    ],
)
def test_every_verdict_of_a_unit_has_large_words(verdict, said):
    assert f'<p class="word">{said}</p>' in page(replace(repairs.report(), verdict=verdict))


def test_complaint_and_work_are_told_with_what_came_out_and_went_in():
    said = text(page())

    assert "Switches itself off after half an hour" in said
    for piece in ("MB-52003311", "TW-A24-MB1", "MB-77120418", "TW-A24-MB2", "refurbished part", "LM-TC-4"):
        assert piece in said


def test_a_part_with_something_open_is_not_said_to_work():
    warm = repairs.one("fan.response", "fan", repairs.passed("the fan answers to heat"))
    html = page(repairs.report(*repairs.findings(fan=FAILED), warm))
    works = html[html.index("What works now") : html.index("Known defects")]

    assert "<li>Camera</li>" in works
    assert "<li>Fan</li>" not in works
    assert "<li>Touch layer</li>" not in works


def test_a_failure_is_a_known_defect_with_what_to_do():
    said = text(page(repairs.report(*repairs.findings(fan=FAILED))))
    defects = said[said.index("Known defects") : said.index("What to expect")]

    assert "Fan: The fan stood still. What to do: Reseat the fan cable at its main board end." in defects
    assert "Touch layer: The program was not allowed to look." in defects
    assert "The whole travel of the stand: nobody was there to move it." in defects


def test_what_was_so_at_intake_is_told_apart():
    known = repairs.one("camera.present", "camera", FAILED, known_at_intake=True, weight=Weight.ADVISORY)
    said = text(page(repairs.report(signed.finding(), known)))

    assert "Already so when the computer came in Camera: The fan stood still." in said
    assert "Found by this repair’s checks" not in said


def test_a_page_without_defects_promises_no_more_than_was_looked_at():
    said = text(page(repairs.report(signed.finding(), unproven=())))

    assert "None was found by the checks listed below. What they did not look at, they cannot tell." in said


def test_a_run_that_was_cut_short_says_so_at_the_top():
    said = text(page(repairs.report(ended_by="stopped by the operator")))

    assert said.index("The run was cut short: stopped by the operator.") < said.index("What was wrong")


def test_a_value_stands_with_its_unit_its_limit_and_where_that_comes_from():
    said = text(page())

    assert "Value: 1,180 turns a minute , measured" in said
    assert "Limit: at least 600 turns a minute; from the service instructions" in said
    assert "Limit: below 92 °C; the part's own rating" in said
    assert "Value: 512 GB , measured Expected: 512 GB; as set in the work order" in said
    assert "Value: 16 GB" in said


def test_a_disturbed_part_says_why_it_was_checked():
    assert "Camera cable, main board end: unplugged with the main board, replaced on line 1." in text(page())


def test_every_check_of_the_registry_has_a_question_a_customer_understands():
    assert {check.id for check in CHECKS} - words.CHECKS.keys() == set()


def test_a_check_that_this_version_does_not_know_still_has_words():
    said = text(page(repairs.report(repairs.one("lid.bend_test", "lid", repairs.passed("it closes")))))

    assert "Lid: bend test" in said


def test_what_the_computer_was_compared_with_is_told():
    baseline = BaselineNote("2026-02-28T09:00:00Z", "did not start", "sha256:" + "0" * 64)
    said = text(page(repairs.report(baseline=baseline)))

    assert "that was recorded on 28 February 2026, 09:00 UTC; it did not start then." in said


def test_a_run_that_was_cut_off_before_is_told():
    assert "cut off and has no report: LM-2093" in text(page(repairs.report(follows_cut_off=("LM-2093",))))


# What to expect


def lines_of(*lines):
    return repairs.report(order=replace(repairs.order(), lines=lines))


def test_a_new_board_may_ask_for_the_recovery_key():
    assert "recovery key" in " ".join(expect.expectations(repairs.report()))


def test_a_board_that_was_only_put_back_does_not_ask_for_the_key():
    told = expect.expectations(lines_of(Line("main-board", Action.REFITTED)))

    assert told == (expect._BOARD,)


def test_an_empty_drive_is_said_to_be_empty():
    told = expect.expectations(lines_of(Line("drive", Action.REPLACED, contents=Contents.BLANK)))

    assert told == (expect._BLANK,)


def test_a_repair_that_changes_nothing_for_the_owner_says_so():
    assert expect.expectations(lines_of(Line("camera", Action.REPLACED))) == (expect.USUAL,)


# Rehearsals and proof


def test_a_rehearsal_says_so_first_and_at_the_top_of_every_printed_page():
    html = page(repairs.rehearsed(repairs.report()))

    assert read(html).texts[1].startswith("REHEARSAL. No real computer was measured")
    assert '<div class="running"' in html
    assert "display: table-header-group; break-inside: avoid" in html
    assert "(rehearsal)" in re.search("<title>(.*?)</title>", html)[1]


def test_a_recording_says_so():
    recorded = replace(repairs.rehearsed(repairs.report()), source=Source.RECORDED)

    assert "RECORDING. Played back" in text(page(recorded))


def test_a_live_report_bears_no_banner():
    assert "REHEARSAL" not in page()
    assert '<div class="running"' not in page()


def test_the_proof_says_who_signed_and_how_to_check_it():
    said = text(page())

    assert "Signed by bench 3" in said
    assert f"benchproof verify report.json --trust {signed.TRUST}" in said
    assert "A signature proves that whoever held this stick's key signed these bytes." in said
    assert "made without checking the signature" in said


def test_a_page_of_a_verified_report_says_so_and_what_stays_open():
    raw = raw_of(repairs.report())
    verified = verify(raw, trust=signed.TRUST, now=signed.NOW + timedelta(days=1))
    said = text(render_page(raw, verified))

    assert "the signature of that file was checked and held" in said
    assert "Time claimed, not proven." in said


def test_a_throw_away_key_is_not_said_to_be_somebody():
    assert "it cannot show who signed" in text(page(repairs.rehearsed(repairs.report())))


def test_what_is_no_report_has_no_page():
    with pytest.raises(DocumentError):
        render_page({"schema": "benchproof/record/1"})


# One file, and nothing but it


def test_the_page_loads_and_runs_nothing():
    html = page()
    tags = {tag for tag, _ in read(html).elements}
    attributes = {name for _, attrs in read(html).elements for name in attrs}

    assert tags & {"script", "link", "img", "iframe", "object", "form", "a"} == set()
    assert attributes & {"src", "href", "style", "action"} == set()
    assert not {name for name in attributes if name.startswith("on")}
    assert "@import" not in html
    assert re.findall(r"url\((?!#)", html) == []


def test_the_policy_allows_this_style_and_nothing_else():
    html = page()
    policy = next(attrs["content"] for _, attrs in read(html).elements if "http-equiv" in attrs)
    style = re.search("<style>(.*?)</style>", html, re.DOTALL)[1]

    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def test_the_page_names_its_language_and_its_tables_their_headers():
    elements = read(page()).elements

    assert ("html", {"lang": "en"}) in elements
    assert all("scope" in attrs for tag, attrs in elements if tag == "th")
    ids = [attrs["id"] for _, attrs in elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert [attrs["aria-label"] for tag, attrs in elements if tag == "svg"] == [
        "Curve of the temperature over time"
    ]


def test_no_line_of_the_style_tells_anything_by_colour_alone():
    """Every colour of the page is a grey: what it says survives a printer without colour."""
    style = re.search("<style>(.*?)</style>", page(), re.DOTALL)[1]
    colours = re.findall(r"#([0-9a-f]{3,6})\b", style)

    assert colours
    assert all(len(set(colour)) == 1 for colour in colours)


# Hostile text

HOSTILE = (
    "<script>alert(1)</script>",
    "</style></title><img src=x onerror=alert(1)>",
    '" onmouseover="alert(1)',
    "{{ 7 * 7 }}{% raw %}",
    "safe\u202egnp.exe\u2066 \u200b",
    "bell\x07 escape\x1b[31m null\x00 line\u2028",
    "--><!--",
)


@pytest.mark.parametrize("hostile", HOSTILE)
def test_hostile_text_anywhere_is_shown_and_does_nothing(hostile):
    limit = Limit(hostile, hostile, hostile, Origin.STANDARD, hostile)
    judgement = Judgement(
        Verdict.FAIL, hostile, hostile, measured=replace(FAILED.measured, value=hostile), limit=limit
    )
    finding = repairs.one("camera.x" + hostile, hostile, judgement)
    order = replace(
        repairs.order(),
        number=hostile,
        complaint=hostile,
        unit=replace(repairs.order().unit, serial=hostile, product=hostile),
        lines=tuple(replace(line, fitted=Piece(hostile, hostile)) for line in repairs.order().lines),
    )
    unsigned = repairs.report(finding, order=order, technician=hostile, ended_by=hostile, unproven=(hostile,))
    html = render_page(_unchecked(unsigned), _verified(unsigned))

    plain = {(tag, *sorted(attrs)) for tag, attrs in read(page()).elements}
    found = {(tag, *sorted(attrs)) for tag, attrs in read(html).elements}
    assert found <= plain
    unsafe = {c for c in html if unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp") and c != "\n"}
    assert unsafe == set()
    assert shown(hostile) in unescape(html)


def _unchecked(unsigned):
    return raw_of(repairs.report()) | {"order": {}}


def _verified(unsigned):
    """A verified report with texts that the schemas would not let through: the page relies on itself."""
    raw = raw_of(repairs.report())
    verified = verify(raw, trust=signed.TRUST, now=signed.NOW + timedelta(days=1))
    credential = replace(verified.credential, name=unsigned.technician)
    return replace(verified, report=unsigned, credential=credential)


def test_characters_that_turn_or_hide_text_are_written_out():
    unsigned = repairs.report(order=replace(repairs.order(), complaint="fan\u202edaol\x07"))
    html = render_page(_unchecked(unsigned), _verified(unsigned))

    assert "fan\\u202edaol\\u0007" in html


def test_an_endless_text_is_cut():
    unsigned = repairs.report(order=replace(repairs.order(), complaint="x" * 100_000))

    assert len(render_page(_unchecked(unsigned), _verified(unsigned))) < 40_000
