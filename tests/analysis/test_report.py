"""The report: what it says, what it never says, and that nothing in it can run or reach out."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.compare import CaseSide, compare
from analysis.data import Gap, Mark, SessionData
from analysis.findings import Evidence, Expected, Finding, Severity, Verdict
from analysis.load import load
from analysis.report import CaseFile, CaseMaterial, Equipment, build_report
from analysis.report.evidence import code_tables
from analysis.report.figures import choose_signals, drive_pictures
from analysis.report.owner import owner_page
from analysis.report.words import duration, masked_vin, moment, number, span
from obdlog.model import Work

SAMPLES = Path(__file__).parents[2] / "sample_logs"
VIN = "XX0AB12C3D4567890"
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>{{7*7}}'


def code(text, *status, judgement="fault", meaning="Airflow circuit low"):
    return {
        "code": text, "status": list(status), "meaning": meaning, "judgement": judgement,
        "because": "reads 0 g/s", "failure_type": None,
    }  # fmt: skip


def module(address, *codes, lamp=False, answered=True, name="engine", frames=()):
    return {
        "address": address, "name": name, "answered": answered, "lamp": lamp,
        "codes": list(codes), "freeze_frames": list(frames),
        "error": None if answered else "no answer",
    }  # fmt: skip


def reading(at, *modules):
    return {"read_at": at, "vehicle": {"vin": VIN}, "modules": list(modules)}


def readiness(catalyst, warm_ups):
    return {
        "modules": [
            {
                "address": "7E8",
                "name": "engine",
                "monitors": [
                    {"monitor": "components", "supported": True, "complete": True},
                    {"monitor": "catalyst", "supported": True, "complete": catalyst},
                    {"monitor": "secondary-air", "supported": False, "complete": False},
                ],
                "this_drive": [],
            }
        ],
        "counters": {"warm_ups_since_clear": warm_ups, "distance_since_clear_km": None},
    }


def drive(marks=()):
    at = np.arange(0.0, 900.0)
    speed = np.where(at < 60, 0.0, 50.0)
    frames = [
        pd.DataFrame({"at_s": at, "signal": name, "value": value})
        for name, value in (("VSS", speed), ("RPM", 1000 + 10 * speed), ("MAF", 5 + speed / 5))
    ]
    readings = pd.concat(frames).sort_values("at_s", kind="stable").reset_index(drop=True)
    readings.insert(1, "source", pd.Categorical(["7E8"] * len(readings)))
    readings["signal"] = readings["signal"].astype("category")
    return SessionData(
        Path("03-road-test.session.jsonl"),
        {"started": "2026-03-01T10:00:00Z"},
        readings,
        marks=tuple(marks),
        gaps=(Gap(400.0, 420.0, "link lost"),),
        complete=False,
        exchanges=2710,
        outcomes={"answered": 2700, "timeout": 10},
        end_s=899.0,
    )


FINDINGS = (
    Finding(
        "idle-airflow", "Airflow at warm idle", Verdict.INSIDE, Severity.INFO, "MAF",
        {"value": 5.0, "unit": "g/s"}, Expected(4.0, 9.0, "g/s", "workshop manuals"),
        Evidence(60.0, 60, 0.0, 12.0), (), "mean at idle",
    ),
    Finding(
        "rail", "Rail pressure", Verdict.OUTSIDE, Severity.ATTENTION, "RPM",
        {"value": 2100.0, "unit": "min-1", "what": "highest value"},
        Expected(None, 2000.0, "min-1", "own limit"),
        Evidence(100.0, 100, 200.0, 250.0), ("supply", "filter"), "highest", ("cold fuel",),
    ),
    Finding(
        "trim", "Total fuel trim", Verdict.NOT_JUDGED, Severity.INFO, "LONGFT1",
        because="LONGFT1 was not read",
    ),
)  # fmt: skip


def material(**changes):
    frame = {
        "code": "P0102",
        "readings": [
            {"signal": "ECT", "label": "Coolant", "value": 84, "unit": "°C", "pid": "05"},
            {"signal": "MAF", "label": "Airflow", "value": None, "unit": "g/s", "pid": "10"},
        ],
    }
    before = CaseSide(
        reading(
            "2026-03-01T09:00:00Z",
            module("7E8", code("P0102", "confirmed", "pending"), lamp=True, frames=[frame]),
            module("7EA", code("U0100", "confirmed", judgement="after-effect"), name="gearbox"),
        ),
        readiness(True, 40),
    )
    after = CaseSide(
        reading(
            "2026-03-01T12:00:00Z",
            module("7E8"),
            module("7EA", answered=False, lamp=None, name="gearbox"),
        ),
        readiness(False, 1),
        drive(),
        FINDINGS,
    )
    work = Work(("airflow meter plug",), ("battery",))
    given = {
        "generated_at": datetime(2026, 3, 1, 13, tzinfo=UTC),
        "before": before,
        "after": after,
        "vehicle": {
            "vin": VIN, "vin_check": "not-used", "protocol": "ISO 15765-4",
            "modules": [{"address": "7E8", "name": "engine", "calibrations": ["INVENTED01"],
                         "cvns": ["00A1B2C3"], "signals": []}],
        },
        "vehicle_facts": {"displacement_l": 1.6, "fuel": "petrol"},
        "work": work,
        "notes": ("Battery was flat.",),
        "operator": "Operator One",
        "place": "Bay 2",
        "odometer_km": 123456.0,
        "erased_at": ("2026-03-01T09:30:00Z",),
        "comparison": compare(before, after, work),
        "equipment": Equipment("ELM327-style 1.5", "ISO 15765-4", "sim://x", "obdlog 0.1.0", 12.4),
        "files": (CaseFile("01-codes.session.jsonl", 1234, "ab" * 32, "codes"),),
    }  # fmt: skip
    return CaseMaterial(**{**given, **changes})


class Page(HTMLParser):
    """Words, tags and attributes of a page, as a browser would see them."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.attributes, self.data = [], [], []
        self.feed(html)
        self.words = " ".join(" ".join(self.data).split())

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_data(self, data):
        self.data.append(data)


@pytest.fixture(scope="module")
def html():
    return build_report(material())


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


@pytest.mark.parametrize(
    "words",
    [
        # Owner.
        "engine lamp was switched on by: engine.",
        "1 looks like a fault: P0102 (Airflow circuit low)",
        "1 is consistent with the work done: U0100",
        "Unplugged during the work: airflow meter plug",
        "saved first and then erased",
        "1 looks like a fault: P0102",
        "Self-tests that the car has not finished: catalyst",
        "Not read, so not known to be clear: gearbox.",
        "Reported: Battery was flat.",
        "does not say that the car will pass",
        "Engine lamp flashing: ease off",
        # Technician.
        "no check digit in this region",
        "INVENTED01",
        "00A1B2C3",
        "ELM327-style 1.5",
        "obdlog 0.1.0",
        "123 456 km",
        "confirmed, pending",
        "Freeze frame: P0102 in engine (7E8)",
        "84 °C",
        "Warm-ups since clearing 40 1",
        "✓ complete ✗ not complete",
        "14 min 59 s",
        "link lost",
        "2 710, of which 10 brought no usable answer",
        "was interrupted",
        "!! attention",
        "2 100 rpm (highest value)",
        "Consistent with, likeliest first: supply; filter",
        "at most 2 000 rpm. Source: own limit",
        "LONGFT1 was not read",
        "✓ met",
        "Engine displacement, as stated 1.6 L",
        # Limits and files.
        "It is not a diagnosis and no promise",
        "no ohmmeter on igniters",
        "a passenger operates",
        "rules differ by place",
        "ab" * 32,
    ],
)
def test_the_report_says(page, words):
    assert words in page.words


def test_unread_modules_are_never_called_clear(page):
    owner = owner_page(material())
    assert not any("gearbox" in sentence for sentence in owner.clear)
    assert "after: not read (no answer), not known to be clear" in page.words


def test_nothing_runs_and_nothing_is_fetched(html, page):
    assert not {"script", "iframe", "object", "embed", "link", "form", "base"} & set(page.tags)
    assert not [a for a in page.attributes if a[1].startswith("on")]
    addresses = [v for _, n, v in page.attributes if n in ("src", "href", "srcset", "action")]
    assert addresses
    assert all(a.startswith("data:image/svg+xml;base64,") for a in addresses)
    assert "url(" not in html
    assert "@import" not in html


def test_the_policy_allows_this_pages_own_style_only(html, page):
    # Content Security Policy Level 3: a hash source of the style element's text.
    (policy,) = [
        v for t, n, v in page.attributes if t == "meta" and n == "content" and "default" in v
    ]
    assert policy.startswith("default-src 'none'")
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy
    assert not [a for a in page.attributes if a[1] == "style"]


def test_the_figure_is_inside_and_has_words(page):
    (image,) = [v for t, n, v in page.attributes if t == "img" and n == "src"]
    assert base64.b64decode(image.split(",")[1]).lstrip().startswith(b"<?xml")
    assert ("img", "alt", "Signals over time: VSS, RPM, MAF") in page.attributes


def test_many_signals_make_several_figures_that_paper_holds_on_one_time_axis():
    data = load(SAMPLES / "airbox-road-test.session.jsonl.gz")
    pictures = drive_pictures(data, ())
    shown = [picture.text.removeprefix("Signals over time: ").split(", ") for picture in pictures]
    assert [signal for part in shown for signal in part] == list(choose_signals(data, ()))
    assert len(shown) > 1
    assert max(map(len, shown)) <= 3
    assert [bool(picture.caption) for picture in pictures] == [True, *[False] * (len(shown) - 1)]


def test_a_drive_without_signals_has_no_figure():
    assert drive_pictures(replace(drive(), readings=drive().readings.iloc[:0]), ()) == ()


def test_all_that_comes_from_car_or_user_is_escaped():
    hostile_code = code(HOSTILE, HOSTILE, judgement=HOSTILE, meaning=HOSTILE)
    before = CaseSide(
        reading(HOSTILE, module(HOSTILE, hostile_code, lamp=True, name=HOSTILE)),
        {"modules": [], "counters": {}},
    )
    after = CaseSide(reading(HOSTILE, module("7E8", hostile_code)), None, drive([Mark(9, HOSTILE)]))
    html = build_report(
        material(
            title=HOSTILE,
            before=before,
            after=after,
            vehicle={"vin": HOSTILE, "vin_check": HOSTILE, "protocol": HOSTILE,
                     "modules": [{"address": HOSTILE, "name": "", "calibrations": [HOSTILE]}]},
            vehicle_facts={HOSTILE: HOSTILE},
            work=Work((HOSTILE,), (HOSTILE,)),
            notes=(HOSTILE,),
            operator=HOSTILE,
            place=HOSTILE,
            comparison=compare(before, after, Work((HOSTILE,), ())),
            equipment=Equipment(HOSTILE, HOSTILE, HOSTILE, HOSTILE),
            files=(CaseFile(HOSTILE, 1, HOSTILE, HOSTILE),),
            warnings=(HOSTILE,),
        )
    )  # fmt: skip
    page = Page(html)
    assert "script" not in page.tags
    assert page.tags.count("img") == 1
    assert not [a for a in page.attributes if a[1].startswith("on")]
    assert "alert(1)" in page.words
    assert "{{7*7}}" in page.words


def test_the_vehicle_number_can_be_hidden_everywhere():
    case = material(notes=(f"owner sent {VIN}",), files=(CaseFile(f"{VIN}.jsonl", 1, "00", ""),))
    assert VIN in build_report(case)
    hidden = build_report(case, hide_vin=True)
    assert VIN not in hidden
    assert hidden.count("XX0AB12C3D4••••••") >= 4


@pytest.mark.parametrize("vin", ["", "div", "a"])
def test_hiding_a_nonsense_number_leaves_the_page_whole(vin):
    html = build_report(material(vehicle={"vin": vin, "modules": []}), hide_vin=True)
    assert Page(html).tags.count("section") == 8


@pytest.mark.parametrize(
    ("case", "symbol", "words"),
    [
        (CaseMaterial(datetime(2026, 3, 1, tzinfo=UTC)), "…", "No code reading is in this case"),
        (material(after=CaseSide(), comparison=None), "…", "read once"),
        (material(), "…", "not proven yet"),
    ],
)
def test_little_material_makes_a_page_that_says_so(case, symbol, words):
    owner = owner_page(case)
    assert owner.symbol == symbol
    assert words in owner.headline
    assert words in Page(build_report(case)).words


def test_a_returned_code_is_the_headline():
    before = material().before
    after = CaseSide(reading("2026-03-01T12:00:00Z", module("7E8", code("P0102", "pending"))))
    case = material(after=after, comparison=compare(before, after))
    assert owner_page(case).symbol == "✗"
    assert "speaks against the repair of P0102" in owner_page(case).headline


EVAP = {
    "code": "P0442", "status": ["confirmed"], "meaning": "Evaporative system: small leak",
    "judgement": "fault", "because": "nothing explains it", "failure_type": None,
}  # fmt: skip
LEAK_TEST = {
    "modules": [
        {
            "address": "7E8",
            "name": "engine",
            "tests": [
                {"monitor_id": "3B", "monitor": "evaporative system, 1.0 mm", "test_id": "80",
                 "value": 0.0500488, "low": 0.0, "high": 0.0400085, "unit": "inch",
                 "result": "fail"},
                {"monitor_id": "21", "test_id": "80", "value": 3, "low": 0, "high": 2,
                 "unit": "count", "result": "fail"},
            ],
        }
    ]
}  # fmt: skip


def two_codes(evap_complete=False, work=None, **changes):
    """Return a case: P0102 answers the work and stayed away, P0442 was only erased."""
    monitors = [
        {"monitor": "components", "supported": True, "complete": True},
        {"monitor": "evaporative-system", "supported": True, "complete": evap_complete},
    ]
    ready = {"modules": [{"address": "7E8", "name": "engine", "monitors": monitors}]}
    air = code("P0102", "confirmed", judgement="after-effect")
    before = CaseSide(
        reading(
            "2026-03-01T09:00:00Z",
            module("7E8", air, EVAP, code("P0171", "pending", judgement="follow-on"), lamp=True),
        )
    )
    after = CaseSide(
        reading("2026-03-01T12:00:00Z", module("7E8")), ready, drive(), FINDINGS[:1], True
    )
    work = work or Work(("airflow meter plug",), ("air filter box",))
    given = {
        "before": before,
        "after": after,
        "work": work,
        "comparison": compare(before, after, work),
        "tests_before": LEAK_TEST,
    }
    return material(**{**given, **changes})


class TestAFaultThatWasOnlyErased:
    def test_is_not_called_clear_and_is_expected_back(self):
        owner = owner_page(two_codes())
        assert not [s for s in owner.clear if "P0442" in s]
        (said,) = [s for s in owner.waiting if "P0442" in s]
        assert "(Evaporative system: small leak) was erased, not repaired as far as stated" in said
        assert "own test had failed: evaporative system, 1.0 mm" in said
        assert said.endswith("Its test has not run since the erase: expect it back.")
        assert owner.headline.endswith("P0442 was erased, not repaired as far as stated.")
        assert "speaks against" not in owner.headline

    def test_is_watched_once_its_test_has_run(self):
        (said,) = [s for s in owner_page(two_codes(True)).waiting if "P0442" in s]
        assert "has run since without setting it again" in said

    def test_unless_the_work_was_about_it(self):
        case = two_codes(work=Work((), ("fuel cap",)))
        assert not [s for s in owner_page(case).waiting if "erased, not repaired" in s]

    def test_stands_beside_its_failed_test_for_the_technician(self):
        # SAE J1979 Appendix D: monitors 39 to 3D are of the evaporative system, 21 is a catalyst.
        (table,) = code_tables(two_codes().before.codes, two_codes().after.codes, LEAK_TEST)
        remarks = {row.cells[0]: row.cells[-1] for row in table.rows}
        words = "✗ On-board test failed before: evaporative system, 1.0 mm: 0.05\u00a0inch, limits "
        assert words + "0 to 0.04\u00a0inch." in remarks["P0442"]
        assert "On-board" not in remarks["P0102"]


def proven_case(found=(), earlier=(), **changes):
    """A case in which P0102 is proven gone, with whatever else there is."""
    last = "2026-03-01T12:00:00Z"
    before = CaseSide(reading("2026-03-01T09:00:00Z", module("7E8", P0102, *earlier)))
    after = CaseSide(
        reading(last, module("7E8", *found, lamp=changes.pop("lamp", False))),
        readiness(True, 1),
        drive(),
        (FINDINGS[0], replace(FINDINGS[0], check="own", signal="O2S2_V")),
        read_after_drive=True,
    )
    return material(
        before=before, after=after, work=Work(("MAF",)), tests_before=None,
        comparison=compare(before, after, Work(("MAF",)), erased=True),
    )  # fmt: skip


P0102 = code("P0102", "confirmed")


class TestTheBannerOfAProvenRepair:
    def test_is_a_tick_when_nothing_else_is_open(self):
        owner = owner_page(proven_case())
        assert (owner.symbol, owner.headline) == (
            "✓", "All evidence collected is consistent with a repaired car.",
        )  # fmt: skip

    @pytest.mark.parametrize(
        ("case", "headline"),
        [
            (
                {"found": [code("P0700", "confirmed")]},
                "The codes first found are proven gone, but P0700 is new.",
            ),
            (
                {"lamp": True},
                "The codes first found are proven gone, but the engine lamp is on.",
            ),
            (
                {
                    "found": [code("P0500", "confirmed", judgement="past")],
                    "earlier": [code("P0500", "confirmed", judgement="past")],
                },
                "Everything that needed proof is proven, but P0500 is still stored.",
            ),
            (
                {"earlier": [code("P0420", "confirmed")]},
                "The codes first found are proven gone, but P0420 was erased, not repaired as far "
                "as stated.",
            ),
        ],
    )
    def test_names_what_is_open(self, case, headline):
        owner = owner_page(proven_case(**case))
        assert (owner.symbol, owner.headline) == ("…", headline)

    def test_an_open_repair_with_a_new_code_is_not_called_unopposed(self):
        case = two_codes()
        seen = "Nothing seen so far speaks against the repair."
        later = replace(case.after, codes=reading("x", module("7E8", lamp=True)))
        work = Work((), ("airflow meter", "fuel cap"))
        calm = compare(case.before, case.after, work)
        lit = replace(case, after=later, work=work, comparison=calm)
        assert seen not in owner_page(lit).headline
        assert seen in owner_page(replace(case, work=work, comparison=calm)).headline


def test_the_banner_counts_codes_and_no_work_a_second_time():
    case = two_codes()
    assert owner_page(case).headline.startswith("3 trouble codes to clear up: ")
    counts = [int(n) for n in re.findall(r"(\d+) (?:proven|gone|not)", owner_page(case).headline)]
    assert sum(counts) == 3


def test_stored_and_pending_codes_are_counted_apart():
    assert owner_page(two_codes()).found[0] == "3 trouble codes: 2 stored, 1 pending."


def test_what_the_customer_said_is_not_called_work():
    owner = owner_page(material(work=Work(), erased_at=()))
    assert owner.lit[-1] == "Reported: Battery was flat."
    assert owner.done == ("No work was noted.",)


def test_the_owners_page_needs_no_addresses_and_no_signal_names():
    for case in (material(), two_codes(), two_codes(True)):
        owner = owner_page(case)
        parts = (owner.lit, owner.found, owner.done, owner.clear, owner.waiting)
        text = " ".join((owner.headline, *(s for part in parts for s in part)))
        assert "7E8" not in text
        assert not re.search(r"\b(EVAP_PCT|MAF|RPM|LONGFT1|VSS)\b", text.replace("(MAF)", ""))


def test_no_code_after_an_erase_without_known_self_tests_means_unknown():
    case = two_codes()
    blind = replace(case, after=replace(case.after, readiness=None))
    words = "The self-tests were not read after the erase. No code"
    assert [s for s in owner_page(blind).waiting if s.startswith(words)]
    assert not [s for s in owner_page(case).waiting if s.startswith(words)]


def test_a_module_that_was_not_read_is_spoken_of_through_others_only():
    lost = code("U0121", "confirmed", judgement="after-effect", meaning="Brake control module lost")
    before = CaseSide(reading("2026-03-01T09:00:00Z", module("7E8", lost)))
    after = CaseSide(
        reading("2026-03-01T12:00:00Z", module("7E8")), None, drive(), (), read_after_drive=True
    )
    work = Work(("brake control module",), ())
    case = material(before=before, after=after, work=work, comparison=compare(before, after, work))
    text = " ".join(owner_page(case).clear)
    assert "monitor" not in text
    assert "engine no longer reports it missing; the module itself was not read" in text


def test_simulated_data_is_said_at_the_top_of_every_part(html):
    sections = re.findall(r"<section[^>]*>(.*?)</section>", html, re.DOTALL)
    assert len(sections) == 8
    for section in sections:
        assert Page(section).words.startswith("SIMULATED: invented data from a simulated car.")
    assert "<title>SIMULATED" in html
    real = build_report(material(equipment=Equipment(link="/dev/ttyUSB0")))
    assert "SIMULATED" not in real


def test_what_is_outside_without_weight_is_a_note():
    note = replace(FINDINGS[1], title="Codes had time to come back", severity=Severity.INFO)
    case = material()
    case = replace(case, after=replace(case.after, findings=(*FINDINGS, note)))
    html = build_report(case)
    notes, outside = html.index("<h3>Notes</h3>"), html.index("<h3>✗ Outside")
    assert outside < html.index("Rail pressure", outside) < notes
    assert notes < html.index("Codes had time to come back", outside)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (None, "V", "–"),
        (float("nan"), "V", "–"),
        (812.4, "min-1", "812\u00a0rpm"),
        (27.84, "min-1", "28\u00a0rpm"),
        (1.562, "%", "1.6\u00a0%"),
        (0.3691, "%", "0.37\u00a0%"),
        (99.96, "%", "100\u00a0%"),
        (12.648, "V", "12.65\u00a0V"),
        (14.6, "V", "14.6\u00a0V"),
        (1234.56, "kPa", "1\u202f235\u00a0kPa"),
        (-0.5, "°", "−0.5\u00a0°"),
        (0.00000123, "V", "1.2e−06\u00a0V"),
        (-40, "°C", "−40\u00a0°C"),
        (123456.0, "km", "123\u202f456\u00a0km"),
        (True, "", "yes"),
        ("open loop", "", "open loop"),
        (0.0123456, "", "0.012"),
    ],
)
def test_values_are_written_for_people(value, unit, text):
    assert number(value, unit) == text


def test_rounding_never_makes_a_value_outside_read_like_its_limit():
    limits = {"limits": (None, 15.0)}
    assert number(15.04, "%", **limits) == "15.04\u00a0%"
    assert number(15.0, "%", **limits) == "15\u00a0%"
    assert number(15.2, "%", **limits) == "15.2\u00a0%"


def test_words_for_ranges_lengths_and_times():
    assert span(None, None, "V") == "–"
    assert span(9.6, None, "V") == "at least 9.6\u00a0V"
    assert span(None, 0, "count") == "none"
    assert span(None, 0, "V") == "at most 0\u00a0V"
    assert span(600.0, 900.0, "min-1") == "600 to 900\u00a0rpm"
    assert span(0, 0.0305185, "ratio", exact=True) == "0 to 0.0305185"
    assert duration(3725) == "1\u00a0h 02\u00a0min"
    assert duration(None) == "not known"
    assert moment("2026-03-01T10:00:00+01:00") == "2026-03-01 09:00:00 UTC"
    assert moment("yesterday") == "yesterday"
    assert masked_vin(VIN) == "XX0AB12C3D4••••••"
