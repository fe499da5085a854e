"""What exchanges say of modules beyond the legislated ones; payloads by hand.

Layouts: ISO-14229-1 service 19 (59 02 availability mask, then code of three bytes and status),
ISO-14230-3 service 18 (58 count, then code of two bytes and status; from memory), SAE-J1979-2
reports 42, 55 and 56.
"""

from __future__ import annotations

import pytest

from obdlog import identity, survey
from obdlog.documents import codes_document, vehicle_document
from obdlog.history import history_of
from obdlog.model import FUNCTIONAL, NO_WORK, Bus, EcuMessage, Exchange, Outcome, Request, Work
from obdlog.modules import Language, Module, System
from obdlog.survey import ModuleCodes

BRAKES, PANEL, ENGINE = ("7B0", "7B8"), ("720", "728"), ("7E0", "7E8")
WHEEL = "403100"  # C0031-00
LOST = "C10087"  # U0100-87


def alone(module: tuple[str, str], request: str, *replies: str, **more) -> Exchange:
    messages = tuple(EcuMessage(module[1], bytes.fromhex(reply)) for reply in replies)
    asked = Request(bytes.fromhex(request), module[0], reply_from=module[1])
    return Exchange(0.0, asked, messages, **more)


def to_all(request: str, *replies: tuple[str, str], **more) -> Exchange:
    messages = tuple(EcuMessage(source, bytes.fromhex(reply)) for source, reply in replies)
    return Exchange(0.0, Request(bytes.fromhex(request), FUNCTIONAL), messages, **more)


def only(*exchanges: Exchange, bus: Bus = Bus.CAN) -> ModuleCodes:
    (module,) = survey.survey_codes(exchanges, bus)
    return module


def shown(module: ModuleCodes) -> dict[str, tuple[str, ...]]:
    return {
        f"{c.code}-{c.failure_type}" if c.failure_type else c.code: c.status for c in module.codes
    }


class TestSinceAnErase:
    """SAE-J1979 service 04 (44) and ISO-14229-1 service 14 (54) erase what was read before."""

    def test_the_codes_of_before_are_no_state_of_now(self):
        module = only(
            to_all("03", ("7E8", "43010171")),
            to_all("0101", ("7E8", "410181076500")),
            to_all("04", ("7E8", "44")),
            to_all("03", ("7E8", "4300")),
        )
        assert (module.answered, module.codes, module.lamp) == (True, (), None)
        assert module.error is None

    def test_what_was_not_read_again_is_not_known(self):
        module = only(
            alone(BRAKES, "1902AF", f"5902AF{WHEEL}09"),
            alone(BRAKES, "14FFFFFF", "7F1478", "54"),
        )
        assert (module.answered, module.codes) == (False, ())
        assert module.error == "erased in this recording and not read again"

    def test_nor_is_what_one_of_several_lists_said(self):
        module = only(
            to_all("03", ("7E8", "43010171")),
            to_all("0A", ("7E8", "4A010171")),
            to_all("04", ("7E8", "44")),
            to_all("03", ("7E8", "4300")),
        )
        assert module.error == "its permanent codes were not read again after the erase"

    def test_a_refused_erase_erases_nothing_nor_that_of_another_module(self):
        brakes, engine = survey.survey_codes(
            [
                to_all("03", ("7E8", "43010171")),
                alone(BRAKES, "1902AF", f"5902AF{WHEEL}09"),
                to_all("04", ("7E8", "7F0422")),
                alone(BRAKES, "14FFFFFF", "54"),
            ],
            Bus.CAN,
        )
        assert shown(engine) == {"P0171": ("confirmed",)}
        assert brakes.codes == ()


class TestIso14229:
    @pytest.mark.parametrize(
        ("later", "reply", "left"),
        [
            ("190209", "5902FF", {}),
            ("1902FF", f"5902FF{LOST}08", {"U0100-87": ("confirmed",)}),
            ("190204", "5902FF", {"U0100-87": ("confirmed",)}),  # not one with that bit
            ("190209", "590200", None),  # a module that knows none of these bits tells nothing
            ("190209", "5902FF4031", None),  # nor does a list that is cut short
        ],
    )
    def test_a_later_list_counts_whatever_mask_it_was_asked_with(self, later, reply, left) -> None:
        """Each list holds all codes with a bit of its mask (ISO-14229-1), as after an erase."""
        first = alone(BRAKES, "1902AF", f"5902FF{WHEEL}0C{LOST}08")
        module = only(first, alone(BRAKES, later, reply))
        assert shown(module) == (shown(only(first)) if left is None else left)

    def test_codes_status_and_where_the_module_was_asked(self) -> None:
        module = only(alone(BRAKES, "1902AF", f"5902FF{WHEEL}AF{LOST}08"))
        assert shown(module) == {
            "C0031-00": (
                "confirmed",
                "pending",
                "failing-now",
                "failed-this-cycle",
                "failed-since-clear",
                "lamp-requested",
            ),
            "U0100-87": ("confirmed",),
        }
        assert [code.status_byte for code in module.codes] == [0xAF, 0x08]
        assert (module.address, module.request, module.language) == (
            "7B8",
            "7B0",
            Language.ISO_14229,
        )
        assert (module.answered, module.error) == (True, None)

    @pytest.mark.parametrize(
        ("reply", "lamp"),
        [
            (f"5902FF{WHEEL}88", True),
            (f"5902FF{WHEEL}08", False),
            ("5902FF", False),
            (f"59027F{WHEEL}08", None),  # the module does not know the bit
        ],
    )
    def test_the_lamp_bit_stands_in_for_pid_01(self, reply: str, lamp: bool | None) -> None:
        module = only(alone(BRAKES, "1902AF", reply))
        assert (module.lamp, module.lamp_source) == (lamp, None if lamp is None else "codes")

    def test_a_mask_without_the_lamp_bit_proves_no_lamp_off(self) -> None:
        assert only(alone(BRAKES, "190208", f"5902FF{WHEEL}08")).lamp is None

    def test_what_a_module_could_set_is_counted_and_not_listed(self) -> None:
        supported = f"590AFF{WHEEL}50{LOST}00" + "403200" + "2F"
        module = only(alone(BRAKES, "190A", supported))
        assert list(shown(module)) == ["C0032-00"]
        assert (module.supported_codes, module.not_tested) == (3, 1)

    @pytest.mark.parametrize("status", ["00", "10", "40", "50"])
    def test_a_status_that_tells_of_no_failure_is_no_code(self, status: str) -> None:
        module = only(alone(BRAKES, "1902FF", f"5902FF{WHEEL}{status}"))
        assert (module.codes, module.answered) == ((), True)

    @pytest.mark.parametrize("status", ["01", "02", "04", "08", "20", "80"])
    def test_every_other_status_is_one(self, status: str) -> None:
        assert len(only(alone(BRAKES, "1902FF", f"5902FF{WHEEL}{status}")).codes) == 1

    def test_the_last_reading_counts(self) -> None:
        module = only(
            alone(BRAKES, "1902AF", f"5902FF{WHEEL}AF"),
            alone(BRAKES, "1902AF", "5902FF"),
        )
        assert module.codes == ()

    def test_what_is_stored_with_a_code_stands_beside_it(self) -> None:
        module = only(
            alone(BRAKES, "1902AF", f"5902FF{WHEEL}08"),
            alone(BRAKES, f"1904{WHEEL}FF", f"5904{WHEEL}08" + "0102" + "F40D32" + "F4423764"),
            alone(BRAKES, f"1906{WHEEL}FF", f"5906{WHEEL}08" + "01" + "0A2B"),
        )
        (code,) = module.codes
        assert [(r.kind, r.number, r.data.hex().upper()) for r in code.records] == [
            ("snapshot", 1, "F40D32F4423764"),
            ("extended", 1, "0A2B"),
        ]
        assert [(r.signal, r.value) for r in code.records[0].readings] == [
            ("VSS", 50),
            ("VPWR", 14.18),
        ]
        (frame,) = module.freeze_frames
        assert (frame.code, frame.failure_type, frame.record) == ("C0031", "00", 1)

    def test_a_count_that_disagrees_with_the_list_is_said(self) -> None:
        module = only(
            alone(BRAKES, "1902AF", f"5902FF{WHEEL}08"), alone(BRAKES, "1901AF", "5901FF010002")
        )
        assert module.error == "the module counts 2 codes and lists 1"

    def test_a_count_alone_lists_nothing(self) -> None:
        module = only(alone(BRAKES, "1901AF", "5901FF010000"))
        assert not module.answered

    @pytest.mark.parametrize(("count", "says"), [("03", "counts 3 codes"), ("01", "counts 1 code")])
    def test_a_count_without_its_list_is_said(self, count: str, says: str) -> None:
        module = only(alone(BRAKES, "1901FF", f"5901FF0100{count}"))
        assert (module.answered, module.error) == (False, f"{says}, its list was not read")

    @pytest.mark.parametrize(
        ("mask", "says"), [("08", "pending"), ("04", "stored"), ("0C", None), ("AF", None)]
    )
    def test_codes_that_no_mask_asked_for_are_not_none(self, mask: str, says: str | None) -> None:
        """Status bit 2 is pending, bit 3 confirmed (ISO-14229-1)."""
        error = f"its {says} codes were not asked for" if says else None
        assert only(alone(BRAKES, f"1902{mask}", "5902FF")).error == error

    def test_two_masks_together_ask_for_both(self) -> None:
        module = only(alone(BRAKES, "190208", "5902FF"), alone(BRAKES, "190204", "5902FF"))
        assert module.error is None

    def test_bytes_left_over_are_said(self) -> None:
        module = only(alone(BRAKES, "1902AF", f"5902FF{WHEEL}08C100"))
        assert "left over" in (module.error or "")


class TestIso14230:
    def test_status_in_the_words_of_the_newer_standard(self) -> None:
        """Storage state 60 stored and there, 20 stored, 40 there; 80 lamp; 10 not tested."""
        module = only(alone(PANEL, "1800FF00", "5803" + "9234E1" + "C10024" + "923540"))
        assert shown(module) == {
            "B1234": ("confirmed", "failing-now", "lamp-requested"),
            "U0100": ("confirmed",),
            "B1235": ("pending", "failing-now"),
        }
        assert [c.symptom for c in module.codes] == [
            "above its highest allowed value",
            "no signal",
            "",
        ]
        assert (module.language, module.lamp) == (Language.ISO_14230, True)

    def test_no_lamp_bit_proves_no_lamp_off(self) -> None:
        assert only(alone(PANEL, "1800FF00", "58019234 60")).lamp is None

    def test_a_status_byte_of_the_makers_own_is_still_a_stored_code(self) -> None:
        module = only(alone(PANEL, "1802FF00", "5801923403"))
        assert shown(module) == {"B1234": ("confirmed",)}

    def test_a_lamp_bit_on_a_code_that_never_was_there_lights_nothing(self) -> None:
        module = only(alone(PANEL, "1801FF00", "5802923490923500"))
        assert (module.codes, module.supported_codes, module.not_tested) == ((), 2, 1)

    def test_codes_without_status(self) -> None:
        module = only(alone(PANEL, "13FF00", "53029234C100"))
        assert shown(module) == {"B1234": ("confirmed",), "U0100": ("confirmed",)}

    def test_a_count_that_disagrees_is_said(self) -> None:
        module = only(alone(PANEL, "1800FF00", "5803923461"))
        assert module.error == "the reply counts 3 codes but carries 1"

    def test_the_other_language_may_be_refused(self) -> None:
        module = only(
            alone(PANEL, "1902AF", "7F1911"),
            alone(PANEL, "1800FF00", "5800"),
        )
        assert (module.answered, module.error, module.codes) == (True, None, ())


class TestBlame:
    def test_a_module_is_not_blamed_for_what_it_was_never_asked(self) -> None:
        engine, brakes = reversed(
            survey.survey_codes(
                [
                    to_all("03", ("7E8", "4300")),
                    alone(BRAKES, "1902AF", "5902FF"),
                ],
                Bus.CAN,
            )
        )
        assert (brakes.error, engine.error) == (None, None)

    def test_a_module_that_was_only_found_is_neither_read_nor_blamed(self) -> None:
        module = only(alone(BRAKES, "3E00", "7E00"))
        assert (module.answered, module.error) == (False, None)

    def test_a_refusal_in_the_present_session_is_said(self) -> None:
        module = only(alone(BRAKES, "1902AF", "7F197F"))
        assert not module.answered
        assert module.error == (
            "service 19 report 02 refused: this service is not supported in the present "
            "diagnostic session"
        )

    def test_a_fallback_that_was_answered_takes_the_refusal_back(self) -> None:
        module = only(
            alone(BRAKES, "1902AF", "7F1931"), alone(BRAKES, "1902FF", f"5902FF{WHEEL}08")
        )
        assert (module.error, len(module.codes)) == (None, 1)

    def test_refusals_are_named_in_the_language_of_the_module(self) -> None:
        older = only(alone(PANEL, "1A90", "5A90" + "31"), alone(PANEL, "1800FF00", "7F1880"))
        assert "diagnostic mode" in (older.error or "")
        newer = only(alone(BRAKES, "1902AF", "7F1980"))
        assert "diagnostic mode" not in (newer.error or "")

    def test_a_promise_that_was_not_kept_is_said(self) -> None:
        # ISO-14229-1: 7F xx 78, response pending.
        module = only(alone(BRAKES, "1902AF", "7F1978", outcome=Outcome.TIMEOUT))
        assert not module.answered
        assert module.error == (
            "the answer to the request for stored codes (service 19 report 02) did not arrive whole"
        )

    def test_an_answer_that_was_cut_is_said_before_what_the_older_language_refused(self) -> None:
        module = only(
            alone(BRAKES, "1902AF", outcome=Outcome.GARBLED),
            alone(BRAKES, "1800FF00", "7F1811", outcome=Outcome.REFUSED),
        )
        assert (module.error or "").startswith(
            "the answer to the request for stored codes (service 19 report 02) did not arrive whole"
        )
        assert "service 18 refused" in (module.error or "")

    @pytest.mark.parametrize(
        ("legislated", "said"),
        [
            ({"outcome": Outcome.GARBLED}, True),
            ({"outcome": Outcome.NO_DATA}, False),
        ],
        ids=["cut", "not answered"],
    )
    def test_a_legislated_list_that_was_cut_is_missed_beside_that_of_service_19(
        self, legislated: dict[str, Outcome], said: bool
    ) -> None:
        module = only(
            to_all("0100", ("7E8", "410000000001")),
            to_all("03", **legislated),
            alone(ENGINE, "1902AF", f"5902FF{WHEEL}08"),
        )
        assert shown(module) == {"C0031-00": ("confirmed",)}
        assert ("stored codes did not arrive whole" in (module.error or "")) is said

    def test_silence_of_a_module_that_is_there(self) -> None:
        module = only(
            alone(BRAKES, "3E00", "7E00"), alone(BRAKES, "1902AF", outcome=Outcome.TIMEOUT)
        )
        assert not module.answered
        assert module.error == (
            "the answer to the request for stored codes (service 19 report 02) did not arrive whole"
        )

    def test_a_newer_car_is_asked_in_its_own_words(self) -> None:
        answered = to_all("194233081E", ("7E8", "594233FF1E04"))
        module = only(answered, to_all("195533", ("7E8", "7F1912")))
        assert (module.answered, module.error) == (True, None)
        silent = only(to_all("22F400", ("7E8", "62F40000000000")), to_all("194233081E"))
        assert silent.error == "did not answer the request for stored codes"


class TestMerging:
    def test_generic_codes_join_the_same_code_with_its_failure_type(self) -> None:
        module = only(
            to_all("03", ("7E8", "43020562C100")),
            to_all("07", ("7E8", "47010562")),
            to_all("0A", ("7E8", "4A010562")),
            alone(ENGINE, "1902AF", "5902FF" + "05621689"),
        )
        assert shown(module) == {
            "P0562-16": ("confirmed", "pending", "permanent", "failing-now", "lamp-requested"),
            "U0100": ("confirmed",),
        }

    def test_a_failure_type_that_only_could_be_set_takes_no_generic_code(self) -> None:
        module = only(
            to_all("03", ("7E8", "43010562")),
            alone(ENGINE, "190A", "590AFF" + "05621650" + "05621750"),
        )
        assert shown(module) == {"P0562": ("confirmed",)}

    def test_two_failure_types_are_two_codes(self) -> None:
        module = only(
            to_all("03", ("7E8", "43010562")),
            alone(ENGINE, "1902AF", "5902FF" + "05621609" + "05621720"),
        )
        assert shown(module) == {
            "P0562-16": ("confirmed", "failing-now"),
            "P0562-17": ("confirmed", "failed-since-clear"),
        }

    def test_reports_of_a_newer_car(self) -> None:
        module = only(
            to_all("194233081E", ("7E8", "594233FF1E04" + "20" + "01021308")),
            to_all("194233041E", ("7E8", "594233FF1E04" + "20" + "04200004")),
            to_all("195533", ("7E8", "595533FF04" + "01021308")),
        )
        assert shown(module) == {
            "P0102-13": ("confirmed", "permanent"),
            "P0420-00": ("pending",),
        }
        assert [code.severity for code in module.codes] == [0x20, 0x20]
        assert module.lamp is None  # neither mask asked for the lamp bit

    def test_the_permanent_report_takes_nothing_from_what_fails_now(self) -> None:
        # SAE-J1979-2: 59 42 group masks format, then severity, code, status; 59 55 code, status.
        module = only(
            alone(ENGINE, "1942330C1E", "594233FF1E0420056216AF"),
            alone(ENGINE, "195533", "595533FF0405621608"),
        )
        (code,) = module.codes
        assert (code.status_byte, code.severity) == (0xAF, 0x20)
        assert {"failing-now", "lamp-requested", "permanent"} <= set(code.status)

    def test_readiness_groups_are_codes_and_no_more(self) -> None:
        groups = survey.survey_readiness_groups(
            [to_all("19563301", ("7E8", "595633FF0401" + "04200050"))]
        )
        ((code,),) = groups["7E8"].values()
        assert (code.text, code.status_byte) == ("P0420", 0x50)


class TestIdentity:
    def test_what_a_module_says_of_itself(self) -> None:
        exchanges = [
            alone(BRAKES, "22F187", "62F187" + b"INV-0001\0\0".hex()),
            alone(BRAKES, "22F18C", "62F18C" + "0102"),
            alone(BRAKES, "22F190", "62F190" + b"INVENTED0000CAR01".hex()),
        ]
        (module,) = identity.survey_vehicle(exchanges, Bus.CAN)
        assert {i.key: i.shown for i in module.identification} == {
            "part_number": "INV-0001",
            "serial_number": "0102",
            "vin": "INVENTED0000CAR01",
        }
        assert (module.vin, module.request) == ("INVENTED0000CAR01", "7B0")

    def test_the_generic_vin_goes_first(self) -> None:
        exchanges = [
            alone(("700", "708"), "22F190", "62F190" + b"INVENTED0000CAR02".hex()),
            to_all("0902", ("7E8", "490201" + b"INVENTED0000CAR01".hex())),
        ]
        assert identity.vin_of(exchanges, Bus.CAN) == "INVENTED0000CAR01"
        assert identity.vin_of(exchanges[:1], Bus.CAN) == "INVENTED0000CAR02"

    def test_no_terminal_sequence_gets_through(self) -> None:
        (module,) = identity.survey_vehicle(
            [alone(BRAKES, "22F187", "62F187" + b"A\x1b[31m".hex())], Bus.CAN
        )
        (item,) = module.identification
        assert (item.text, item.shown) == (None, "411B5B33316D")

    def test_the_older_vin(self) -> None:
        exchange = alone(PANEL, "1A90", "5A90" + b"INVENTED0000CAR01".hex())
        assert identity.vin_of([exchange], Bus.CAN) == "INVENTED0000CAR01"


class TestHistory:
    READ = alone(BRAKES, "1902AF", f"5902FF{WHEEL}08")
    ENGINE_READ = to_all("03", ("7E8", "43010102"))

    def test_an_erase_of_one_module_is_none_of_another(self) -> None:
        history = history_of([self.ENGINE_READ, self.READ, alone(BRAKES, "14FFFFFF", "54")])
        assert history.came_back("7B8", "C0031")
        assert not history.came_back("7E8", "P0102")
        assert not history.came_back("7B8", "P0102")

    def test_the_older_language_is_erased_too(self) -> None:
        read = alone(PANEL, "1800FF00", "5801923460")
        history = history_of([read, alone(PANEL, "14FF00", "54FF00"), read])
        assert (history.cleared, history.came_back("728", "B1234")) == (True, True)

    def test_a_refused_erase_is_none(self) -> None:
        history = history_of([self.READ, alone(BRAKES, "14FFFFFF", "7F1422")])
        assert not history.came_back("7B8", "C0031")


class TestDocuments:
    EXCHANGES = (
        alone(BRAKES, "1902AF", f"5902FF{WHEEL}2F" + "40310088"),
        alone(BRAKES, "22F187", "62F187" + b"INV-0001".hex()),
    )

    def document(self, **more) -> dict:
        return codes_document(
            self.EXCHANGES,
            Bus.CAN,
            work=more.pop("work", NO_WORK),
            voltage_v=None,
            protocol="",
            read_at="",
            **more,
        )

    def test_new_keys(self) -> None:
        (module,) = self.document()["modules"]
        assert (module["request"], module["language"], module["system"]) == (
            "7B0",
            "iso-14229",
            None,
        )
        assert module["counts"] == {"listed": 1, "supported": None, "not_tested": None}
        assert module["identification"] == [
            {
                "identifier": "F187",
                "key": "part_number",
                "name": "maker's part number",
                "text": "INV-0001",
                "hex": b"INV-0001".hex().upper(),
            }
        ]
        (code,) = module["codes"]
        assert (code["status_byte"], code["severity"], code["records"]) == ("88", None, [])

    def test_a_module_map_names_modules_and_their_systems(self) -> None:
        known = {"7B8": Module("7B0", "7B8", "brakes", None, System.BRAKES)}
        (module,) = self.document(modules=known)["modules"]
        assert (module["name"], module["system"], module["language"]) == (
            "brakes",
            "brakes",
            "iso-14229",
        )
        (module,) = vehicle_document(self.EXCHANGES, Bus.CAN, "", modules=known)["modules"]
        assert (module["name"], module["system"]) == ("brakes", "brakes")

    def test_two_failure_types_of_one_code_are_judged_apart(self) -> None:
        exchanges = [alone(BRAKES, "1902AF", "5902FF" + "40311389" + "40312F20")]
        document = codes_document(
            exchanges,
            Bus.CAN,
            work=Work(unplugged=("wheel speed sensor front left",)),
            voltage_v=None,
            protocol="",
            read_at="",
        )
        codes = document["modules"][0]["codes"]
        assert [c["failure_type"] for c in codes] == ["13", "2F"]
        assert all(c["judgement"] and c["because"] for c in codes)


def test_a_refusal_that_names_the_session_tells_the_language():
    refused = Exchange(
        0.0,
        Request(b"\x19\x02\xaf", "705"),
        (EcuMessage("70D", b"\x7f\x19\x7f"),),  # ISO 14229-1: not in the active session
        Outcome.REFUSED,
    )
    assert survey.language_of([refused], "70D") is Language.ISO_14229
    assert survey.language_of([refused], "7B8") is None


def test_who_was_only_heard_in_a_search_is_not_blamed_for_what_another_was_asked():
    def asked(payload: str, source: str, answer: str, purpose: str) -> Exchange:
        message = EcuMessage(source, bytes.fromhex(answer))
        request = Request(bytes.fromhex(payload), "750", purpose)
        return Exchange(0.0, request, (message,))

    found = survey.survey_codes(
        [
            asked("3E00", "701", "7E00", "search"),  # traffic that looks like an answer
            asked("3E00", "758", "7F3E11", "search"),
            asked("1902AF", "758", "7F1911", "codes"),
        ],
        Bus.CAN,
    )
    errors = {m.address: m.error for m in found}
    assert errors["701"] is None
    assert "refused" in (errors["758"] or "")
