"""Judgements: what explains a code away, and what proves a fault.

The rules are common practice; each test states the case in words. All cases are invented.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.codes.conditions import CONDITIONS
from obdlog.codes.data import code_row, codes
from obdlog.codes.facts import CodeFacts, Evidence
from obdlog.codes.judge import Judgement, Verdict, caution, judge, load_rules, parse_rules
from obdlog.codes.work import match_components
from obdlog.errors import TableError
from obdlog.model import Work


def facts(code: str, *statuses: str, **more: Any) -> CodeFacts:
    return CodeFacts(code, statuses=frozenset(statuses or ("confirmed",)), **more)


def judged(
    *found: CodeFacts,
    unplugged: tuple[str, ...] = (),
    replaced: tuple[str, ...] = (),
    **evidence: Any,
) -> dict[str, Judgement]:
    return {j.code: j for j in judge(found, Work(unplugged, replaced), Evidence(**evidence))}


def verdicts(*found: CodeFacts, **more: Any) -> dict[str, str]:
    return {code: str(j.judgement) for code, j in judged(*found, **more).items()}


def test_the_unplugged_airflow_meter_explains_its_own_codes_and_those_of_its_plug() -> None:
    found = judged(
        facts("P0102"), facts("P0113"), facts("P0171"), facts("P0174"), facts("U0121"),
        unplugged=("airflow meter", "brake module"),
    )  # fmt: skip
    assert {c: (str(j.judgement), j.rule) for c, j in found.items()} == {
        "P0102": ("after-effect", "circuit-was-unplugged"),
        "P0113": ("after-effect", "shares-a-plug"),
        "P0171": ("follow-on", "follows-root"),
        "P0174": ("follow-on", "follows-root"),
        "U0121": ("after-effect", "module-was-unplugged"),
    }
    assert "airflow meter (unplugged)" in found["P0102"].because
    assert "P0102" in found["P0171"].because


@pytest.mark.parametrize("words", ["MAF", "the air flow sensor", "Mass Air-Flow", "airflow meters"])
def test_the_persons_own_words_find_the_component(words: str) -> None:
    assert verdicts(facts("P0102"), unplugged=(words,)) == {"P0102": "after-effect"}


def test_replaced_counts_like_unplugged() -> None:
    assert verdicts(facts("P0118"), replaced=("coolant temp sensor",))["P0118"] == "after-effect"


def test_nothing_explains_it() -> None:
    found = judged(facts("P0102"), unplugged=("fuel cap",))["P0102"]
    assert (found.judgement, found.rule) == (Verdict.FAULT, "unexplained")
    assert "nothing that was unplugged or replaced explains it" in found.because
    assert "not a part" in found.because


@pytest.mark.parametrize(
    "found",
    [
        (facts("P0102"),),
        (facts("P0171"), facts("P0174")),
        (facts("U0121", module="7E8"), facts("U0121", module="7E9")),
    ],
)
def test_where_no_work_was_stated_it_is_not_said_to_explain_nothing(
    found: tuple[CodeFacts, ...],
) -> None:
    for judgement in judge(found):
        assert judgement.judgement is Verdict.FAULT
        assert "no work was stated" in judgement.because
        assert "nothing that was unplugged" not in judgement.because.lower()


def test_other_work_explains_nothing() -> None:
    assert verdicts(facts("P0102"), unplugged=("fuel cap",)) == {"P0102": "fault"}


def test_what_comes_back_with_everything_connected_is_a_fault() -> None:
    returned = facts("P0102", returned_after_clear=True)
    assert judged(returned, unplugged=("MAF",))["P0102"].rule == "came-back"
    again = judged(facts("P0102"), unplugged=("MAF",), before=frozenset({"P0102"}), cleared=True)
    assert again["P0102"].rule == "came-back"
    first = judged(facts("P0102"), unplugged=("MAF",), before=frozenset({"P0102"}))
    assert first["P0102"].judgement is Verdict.AFTER_EFFECT


@pytest.mark.parametrize(
    ("statuses", "verdict"),
    [
        (("permanent",), "past"),
        (("permanent", "not-tested"), "past"),
        (("permanent", "pending"), "fault"),
        (("permanent", "confirmed"), "fault"),
        (("permanent", "failing-now"), "fault"),
    ],
)
def test_the_permanent_memory_alone_is_no_return(statuses: tuple[str, ...], verdict: str) -> None:
    # SAE J1979, service 0A: an erase does not touch it; only the module's own test does.
    found = judged(facts("P0102", *statuses), before=frozenset({"P0102"}), cleared=True)["P0102"]
    assert str(found.judgement) == verdict
    assert ("own test has run and passed" in found.because) == (verdict == "past")
    told = judged(facts("P0102", *statuses, returned_after_clear=True))["P0102"]
    assert str(told.judgement) == verdict


def test_a_follow_on_that_came_back_with_its_root_stays_a_follow_on() -> None:
    found = verdicts(
        facts("P0102", returned_after_clear=True), facts("P0171", returned_after_clear=True)
    )
    assert found == {"P0102": "fault", "P0171": "follow-on"}


@pytest.mark.parametrize(
    ("code", "readings", "rule"),
    [
        ("P0118", {"ECT": -40}, "reads-at-rail"),
        ("P0113", {"IAT": -40}, "reads-at-rail"),
        ("P0102", {"MAF": 0, "RPM": 800}, "reads-at-rail"),
        ("P0102", {"MAF": 0, "RPM": 0}, "circuit-was-unplugged"),
        ("P0102", {"MAF": 0}, "circuit-was-unplugged"),
        ("P0118", {"ECT": 85}, "circuit-was-unplugged"),
        ("P0118", {"ECT": None}, "circuit-was-unplugged"),
    ],
)
def test_a_reading_at_its_rail_now_is_a_fault_although_reconnected(
    code: str, readings: dict[str, Any], rule: str
) -> None:
    work = ("coolant sensor", "intake air temperature sensor", "airflow meter")
    found = judged(facts(code), unplugged=work, readings=readings)[code]
    assert found.rule == rule
    if rule == "reads-at-rail":
        assert "although this was worked on" in found.because


def test_failing_now_although_reconnected_is_a_fault() -> None:
    found = judged(facts("U0121", "confirmed", "failing-now"), unplugged=("ABS",))["U0121"]
    assert (found.judgement, found.rule) == (Verdict.FAULT, "failing-now-after-work")


def test_only_permanent_is_past_and_only_pending_is_undecided() -> None:
    assert verdicts(facts("P0420", "permanent")) == {"P0420": "past"}
    assert verdicts(facts("P0420", "permanent", "confirmed")) == {"P0420": "fault"}
    assert verdicts(facts("P0171", "pending")) == {"P0171": "undecided"}
    assert verdicts(facts("P0171", "not-tested-this-cycle")) == {"P0171": "past"}
    assert judge([CodeFacts("P0171", statuses=frozenset())])[0].rule == "nothing-known"


def test_several_low_codes_on_one_supply_follow_from_it() -> None:
    with_code = judged(facts("P0107"), facts("P0452"), facts("P0642"))
    assert {j.rule for c, j in with_code.items() if c != "P0642"} == {"shared-reference"}
    assert with_code["P0642"].judgement is Verdict.FAULT
    without = judged(facts("P0107"), facts("P0452"))
    assert {j.rule for j in without.values()} == {"shared-reference-suspected"}
    assert verdicts(facts("P0107")) == {"P0107": "fault"}  # one branch gives only its own code


def test_low_codes_of_one_component_are_no_shared_supply() -> None:
    assert verdicts(facts("P0122"), facts("P0222")) == {"P0122": "fault", "P0222": "fault"}


def test_misfire_comes_before_the_catalyst() -> None:
    found = judged(facts("P0304"), facts("P0420"))
    assert found["P0304"].judgement is Verdict.FAULT
    assert found["P0420"].rule == "follows-misfire"


def test_mixture_comes_before_the_catalyst() -> None:
    assert verdicts(facts("P0171"), facts("P0420")) == {"P0171": "fault", "P0420": "follow-on"}


def test_both_banks_lean_share_a_cause() -> None:
    found = judged(facts("P0171"), facts("P0174"))
    assert {j.rule for j in found.values()} == {"both-banks"}
    assert {j.judgement for j in found.values()} == {Verdict.FAULT}
    assert judged(facts("P0171"))["P0171"].rule == "unexplained"


def test_scattered_network_codes_at_low_voltage_are_not_believed() -> None:
    low = judged(facts("U0100", module="7E9"), facts("U0155", module="7E8"), voltage_v=11.4)
    assert {j.rule for j in low.values()} == {"low-voltage"}
    assert "11.4 V" in low["U0100"].because
    good = judged(facts("U0100", module="7E9"), facts("U0155", module="7E8"), voltage_v=12.6)
    assert {j.judgement for j in good.values()} == {Verdict.FAULT}


def test_low_voltage_when_it_was_stored() -> None:
    low = facts("P0102", freeze_frame={"VPWR": 10.5, "RPM": 900})
    assert judged(low)["P0102"].rule == "low-voltage-when-stored"
    cranking = facts("P0102", freeze_frame={"VPWR": 10.5, "RPM": 200})
    assert judged(cranking)["P0102"].rule == "unexplained"


def test_a_battery_that_was_off_leaves_network_and_memory_codes() -> None:
    found = verdicts(facts("U0121"), facts("P0603"), facts("P0102"), unplugged=("battery",))
    assert found == {"U0121": "after-effect", "P0603": "after-effect", "P0102": "fault"}


def test_driving_with_it_unplugged_led_to_it() -> None:
    found = judged(facts("P0171"), unplugged=("MAF",))["P0171"]
    assert (found.judgement, found.rule) == (Verdict.AFTER_EFFECT, "work-led-to-it")


def test_a_new_part_does_not_excuse_the_condition_it_should_cure() -> None:
    assert verdicts(facts("P0304"), replaced=("spark plugs",)) == {"P0304": "fault"}
    assert verdicts(facts("P0420"), replaced=("catalytic converter",)) == {"P0420": "fault"}


def test_work_on_one_cylinder_explains_only_that_one() -> None:
    found = verdicts(facts("P0203"), facts("P0204"), unplugged=("injector 3",))
    assert found == {"P0203": "after-effect", "P0204": "fault"}
    both = verdicts(
        facts("P0201"), facts("P0203"), facts("P0204"), unplugged=("injectors 1 and 3",)
    )
    assert both == {"P0201": "after-effect", "P0203": "after-effect", "P0204": "fault"}


def test_several_modules_that_miss_one_point_to_that_one() -> None:
    found = judge([facts("U0121", module="7E8"), facts("U0121", module="7E9")])
    assert {j.rule for j in found} == {"several-miss-one-module"}
    assert [j.module for j in found] == ["7E8", "7E9"]


MISSING_ABS = (facts("U0121", module="7E8"), facts("U0121", module="7E9"))
RULES: dict[str, tuple[tuple[CodeFacts, ...], dict[str, Any]]] = {
    "came-back-before-any-run": (
        (facts("P0102", returned_after_clear=True),),
        {"readings": {"CLR_TIME": 0, "CLR_DIST": 0, "WARM_UPS": 0}},
    ),
    "came-back-in-the-first-drive": (
        (facts("P0101", returned_after_clear=True),),
        {"readings": {"CLR_TIME": 12, "CLR_DIST": 9, "WARM_UPS": 1}},
    ),
    "came-back-later": (
        (facts("P0455", returned_after_clear=True),),
        {"readings": {"CLR_TIME": 300, "CLR_DIST": 240, "WARM_UPS": 6}},
    ),
    "came-back": ((facts("P0102", returned_after_clear=True),), {}),
    "reads-at-rail": ((facts("P0118"),), {"readings": {"ECT": -40}}),
    "failing-now-after-work": (
        (facts("U0121", "failing-now"),), {"unplugged": ("brake module",)},
    ),
    "permanent-only": ((facts("P0420", "permanent"),), {}),
    "module-was-unplugged": ((facts("U0121"),), {"unplugged": ("brake module",)}),
    "circuit-was-unplugged": ((facts("P0102"),), {"unplugged": ("airflow meter",)}),
    "shares-a-plug": ((facts("P0113"),), {"unplugged": ("airflow meter",)}),
    "battery-was-off": ((facts("U0100"),), {"unplugged": ("battery",)}),
    "module-after-supply-work": ((facts("P0606"),), {"replaced": ("engine earth strap",)}),
    "shared-reference": ((facts("P0107"), facts("P0642")), {}),
    "shared-reference-suspected": ((facts("P0107"), facts("P0452")), {}),
    "follows-misfire": ((facts("P0420"), facts("P0302")), {}),
    "follows-root": ((facts("P0171"), facts("P0102")), {}),
    "data-of-a-faulty-module": (
        (facts("U0401", module="7B8"), facts("P0102", module="7E8")), {},
    ),
    "work-led-to-it": ((facts("P0171"),), {"unplugged": ("airflow meter",)}),
    "limited-without-its-cause": ((facts("P2106"),), {}),
    "low-voltage": (
        (facts("U0100", module="7E9"), facts("U0155", module="7E8")), {"voltage_v": 11.2},
    ),
    "low-voltage-when-stored": ((facts("P0102", freeze_frame={"VPWR": 9.8, "RPM": 700}),), {}),
    "pending-only": ((facts("P0171", "pending"),), {}),
    "not-tested-since-clearing": ((facts("P0171", "not-tested"),), {}),
    "not-current": ((facts("P0171", "not-tested-this-cycle"),), {}),
    "maker-code-after-work": ((facts("P1234"),), {"unplugged": ("airflow meter",)}),
    "plausible-again": ((facts("P0118"),), {"readings": {"ECT": 84}}),
    "both-banks": ((facts("P0171"), facts("P0174")), {}),
    "several-miss-one-module": (MISSING_ABS, {}),
    "one-plug-together": ((facts("P0102"), facts("P0113")), {}),
    "failing-now": ((facts("P0102", "failing-now"),), {}),
    "unexplained": ((facts("P0102"),), {}),
    "nothing-known": ((CodeFacts("P0102", statuses=frozenset()),), {}),
}  # fmt: skip
"""The plainest invented case of each rule: codes, the first of which it decides, and evidence."""


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_can_decide(rule: str) -> None:
    found, more = RULES[rule]
    assert judged(*found, **more)[found[0].code].rule == rule


def test_every_rule_has_its_case_and_its_source() -> None:
    assert list(RULES) == [rule.id for rule in load_rules().rules]
    assert all(rule.source for rule in load_rules().rules)


@pytest.mark.parametrize("returned", ["before-any-run", "in-the-first-drive", "later"])
def test_when_it_came_back_is_evidence(returned: str) -> None:
    found, more = RULES[f"came-back-{returned}"]
    said = judged(*found, **more)[found[0].code]
    assert said.judgement is Verdict.FAULT
    words = {
        "before-any-run": "electrical",
        "in-the-first-drive": "whenever it is tested",
        "later": "temperature, standing",
    }
    assert words[returned] in said.because


def test_a_reading_that_is_possible_again_leaves_it_open() -> None:
    now = judged(facts("P0118"), readings={"ECT": 84})["P0118"]
    assert (now.judgement, now.rule) == (Verdict.UNDECIDED, "plausible-again")
    assert "84 °C" in now.because
    assert "loose contact" in now.because
    hot = judged(facts("P0117"), readings={"ECT": 180})["P0117"]
    assert hot.rule == "reads-at-rail"
    still = judged(facts("P0118", "failing-now"), readings={"ECT": 84})["P0118"]
    assert still.judgement is Verdict.FAULT
    stands = judged(facts("P0102"), readings={"MAF": 0, "RPM": 0})["P0102"]
    assert stands.rule == "unexplained"  # no airflow through an engine that stands proves nothing


def test_reconnected_and_reading_well_is_said_with_the_after_effect() -> None:
    found = judged(facts("P0118"), unplugged=("coolant sensor",), readings={"ECT": 84})["P0118"]
    assert found.rule == "circuit-was-unplugged"
    assert found.because.endswith("ECT reads 84 °C now, a possible value.")


@pytest.mark.parametrize(
    ("root", "limited"),
    [("P2127", "P2106"), ("P2138", "P2104"), ("P0122", "P2105"), ("P2135", "P2110"),
     ("P2101", "P2106")],
)  # fmt: skip
def test_limited_power_follows_the_code_that_limits_it(root: str, limited: str) -> None:
    assert verdicts(facts(root), facts(limited)) == {root: "fault", limited: "follow-on"}


@pytest.mark.parametrize(
    "root", ["P0302", "P0171", "P0172", "P0135", "P0133", "P0141", "P0137", "P0102"]
)
def test_the_catalyst_is_judged_after_misfire_mixture_and_sensors(root: str) -> None:
    assert verdicts(facts(root), facts("P0420"))["P0420"] == "follow-on"


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("battery", "P0606"), ("main relay", "P0601"), ("engine earth strap", "P060A"),
        ("alternator", "P062F"),
    ],
)  # fmt: skip
def test_codes_of_a_modules_inside_after_supply_work(words: str, code: str) -> None:
    found = judged(facts(code), unplugged=(words,))[code]
    assert found.judgement is Verdict.AFTER_EFFECT
    assert verdicts(facts(code), unplugged=("airflow meter",)) == {code: "fault"}
    assert verdicts(facts(code, returned_after_clear=True), unplugged=(words,)) == {code: "fault"}


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("NOx sensor", "P2200"), ("DPF pressure sensor", "P2452"),
        ("dpf differential pressure sensor", "P2453"), ("exhaust gas temperature sensor", "P0544"),
        ("urea level sensor", "P203A"), ("reductant injector", "P2047"),
        ("soot sensor", "P24AE"), ("shift solenoid", "P0750"), ("transmission connector", "P0753"),
        ("input speed sensor", "P0715"), ("transmission temperature sensor", "P0712"),
        ("inverter temperature sensor", "P0AED"), ("battery fan", "P0A81"),
        ("fan of the traction battery", "P0A81"), ("service plug", "P0A0A"),
        ("motor resolver", "P0A3F"), ("glow plug relay", "P0670"), ("egr cooling valve", "P2425"),
        ("airbag module", "U0151"), ("transmission module", "U0101"), ("inverter", "U0110"),
    ],
)  # fmt: skip
def test_work_on_every_family_is_matched_by_the_same_means(words: str, code: str) -> None:
    assert code_row(code) is not None
    assert verdicts(facts(code), unplugged=(words,)) == {code: "after-effect"}
    assert verdicts(facts(code), replaced=(words,)) == {code: "after-effect"}
    assert verdicts(facts(code), unplugged=("sunroof",)) == {code: "fault"}


def test_upstream_and_downstream_sensors_are_told_apart() -> None:
    up = verdicts(
        facts("P0130"), facts("P0136"), facts("P0135"), facts("P0141"),
        unplugged=("upstream oxygen sensor",),
    )  # fmt: skip
    assert up["P0130"] == up["P0135"] == "after-effect"
    assert up["P0141"] != "after-effect"
    assert up["P0136"] != "after-effect"
    assert verdicts(facts("P0136"), unplugged=("rear o2 sensor",)) == {"P0136": "after-effect"}


@pytest.mark.parametrize(
    ("words", "component"),
    [("tire pressure module", "tyre-pressure"), ("hood switch", "engine-hood"),
     ("engine ground", "module-earth"), ("coolant temp sensor", "ect")],
)  # fmt: skip
def test_spellings_of_both_shores(words: str, component: str) -> None:
    assert component in match_components(words)


def test_an_unplugged_actuator_cannot_move() -> None:
    assert verdicts(facts("P0A82"), unplugged=("battery fan",)) == {"P0A82": "after-effect"}
    # A new one must move.
    assert verdicts(facts("P0A82"), replaced=("battery fan",)) == {"P0A82": "fault"}


def test_two_circuits_of_one_plug_point_to_the_plug() -> None:
    found = judged(facts("P0102"), facts("P0113"))
    assert {j.rule for j in found.values()} == {"one-plug-together"}
    assert "P0102, P0113" in found["P0102"].because
    apart = judged(facts("P0130"), facts("P0141"))  # sensors 1 and 2 have a plug each
    assert "one-plug-together" not in {j.rule for j in apart.values()}


def test_a_makers_code_is_undecided_where_work_may_explain_it() -> None:
    assert verdicts(facts("P1234")) == {"P1234": "fault"}
    assert verdicts(facts("P1234"), unplugged=("MAF",)) == {"P1234": "undecided"}


@pytest.mark.parametrize(
    ("code", "words"),
    [("B0001", "Airbags"), ("U0151", "Airbags"), ("C0031", "Brakes"), ("U0121", "Brakes"),
     ("P0AA6", "hundred volts"), ("P0301", "flashing"), ("P0102", ""), ("P0087", "pierce skin"),
     ("P0524", "oil"), ("P0217", "cap"), ("P2127", "cut"), ("P2463", "hundred degrees"),
     ("P0351", "volts"), ("P0455", "no flame"), ("P0480", "by itself"), ("P0532", "licensed"),
     ("P0705", "chock"), ("P0562", "sparks"), ("P20EE", "irritates")],
)  # fmt: skip
def test_cautions(code: str, words: str) -> None:
    assert words in caution(code)
    assert bool(caution(code)) is bool(words)


def test_the_longest_name_wins() -> None:
    assert match_components("intake air temperature sensor") == {"iat"}
    assert "intake" in match_components("intake hose")
    assert match_components("nothing known") == frozenset()


def test_no_sentence_blames_a_part() -> None:
    for rule in load_rules().rules:
        assert "is faulty" not in rule.because
        assert "replace" not in rule.because.replace("replaced", "")


def test_every_condition_is_used() -> None:
    used = {name for rule in load_rules().rules for name in rule.when}
    assert used == set(CONDITIONS)


@pytest.mark.parametrize(
    "text",
    [
        "not toml", "", '[[rule]]\nid="a"',
        '[[rule]]\nid="a"\njudgement="guilty"\nwhen=[]\nbecause=""',
        '[[rule]]\nid="a"\njudgement="fault"\nwhen=["moon"]\nbecause=""',
        '[[rule]]\nid="a"\njudgement="fault"\nwhen=["returned"]\nbecause=""',
    ],
)  # fmt: skip
def test_bad_rules_are_refused(text: str) -> None:
    with pytest.raises(TableError):
        parse_rules(text)


def test_a_text_that_is_no_code_is_misuse() -> None:
    with pytest.raises(ValueError, match="trouble code"):
        judge([CodeFacts("hello")])


STATUSES = ["confirmed", "pending", "permanent", "failing-now", "not-tested"]


@given(
    st.lists(
        st.builds(
            CodeFacts,
            st.sampled_from([*codes(), "P1234", "B1000", "P0FFF"]),
            st.sampled_from(["", "7E8", "7E9"]),
            st.frozensets(st.sampled_from(STATUSES)),
            returned_after_clear=st.booleans(),
        ),
        max_size=8,
    ),
    st.lists(st.text(max_size=30) | st.sampled_from(["MAF", "battery", "abs"]), max_size=3),
    st.none() | st.floats(0, 20),
)
def test_every_code_gets_a_judgement_with_a_reason(
    found: list[CodeFacts], unplugged: list[str], voltage_v: float | None
) -> None:
    result = judge(found, Work(tuple(unplugged)), Evidence(voltage_v=voltage_v))
    assert [j.code for j in result] == [c.code for c in found]
    assert all(j.because.endswith(".") for j in result)
