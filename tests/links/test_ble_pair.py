"""Which characteristics are taken for a serial line."""

from __future__ import annotations

import random

import pytest
from bleak.uuids import normalize_uuid_str, uuid16_dict, uuid128_dict

from obdlog.links.ble_pair import (
    UPDATE_SERVICES,
    Characteristic,
    Wishes,
    choose,
    describe,
    full_uuid,
    is_standard,
    may_be_serial,
    short_uuid,
)

LONG = "0a0b0c0d-0102-0304-0506-0708090a0b0c"
"""An invented number."""

Offer = list[tuple[str, list[tuple[str, str]]]]


def offered(services: Offer) -> list[Characteristic]:
    found = []
    handle = 0
    for service, characteristics in services:
        handle += 1
        service_handle = handle
        for uuid, properties in characteristics:
            handle += 1
            found.append(
                Characteristic(
                    handle,
                    normalize_uuid_str(uuid),
                    frozenset(properties.split()),
                    service_handle,
                    normalize_uuid_str(service),
                )
            )
    return found


@pytest.mark.parametrize(
    ("services", "pair"),
    [
        pytest.param(
            [("FFF0", [("FFF1", "notify"), ("FFF2", "write")])],
            "FFF1 FFF2", id="one each",
        ),
        pytest.param(
            [("FFE0", [("FFE1", "read notify write-without-response")])],
            "FFE1 FFE1", id="one for both",
        ),
        pytest.param(
            [("FFF0", [("FFF1", "indicate"), ("FFF2", "write-without-response")])],
            "FFF1 FFF2", id="indications only",
        ),
        pytest.param(
            [("FFF0", [("FFF1", "indicate"), ("FFF2", "notify"), ("FFF3", "write")])],
            "FFF2 FFF3", id="notify before indicate",
        ),
        pytest.param(
            [("FFF0", [("FFF1", "notify"), ("FFF2", "write"),
                       ("FFF3", "write-without-response")])],
            "FFF1 FFF3", id="without response before with",
        ),
        pytest.param(
            [("FFF0", [("FFF1", "notify write"), ("FFF2", "notify"), ("FFF3", "write")])],
            "FFF2 FFF3", id="what does one thing before what does both",
        ),
        pytest.param(
            [("FFE0", [("FFE1", "notify write-without-response"), ("FFE2", "write")])],
            "FFE1 FFE1", id="without response weighs more than doing one thing",
        ),
        pytest.param(
            [("FFF0", [("FFF2", "notify"), ("FFF1", "notify"), ("FFF4", "write"),
                       ("FFF3", "write")])],
            "FFF2 FFF4", id="then the device's own order",
        ),
        pytest.param(
            [("180F", [("2A19", "notify write-without-response")]),
             ("FFF0", [("FFF1", "indicate"), ("FFF2", "write")])],
            "FFF1 FFF2", id="never a standard service",
        ),
        pytest.param(
            [("18F0", [("2AF0", "notify"), ("2AF1", "write-without-response")])],
            "2AF0 2AF1", id="a number above the standard ones",
        ),
        pytest.param(
            [("FE00", [("0001", "notify write-without-response")]),
             ("FFF0", [("FFF1", "indicate"), ("FFF2", "write")])],
            "FFF1 FFF2", id="a member's own service last",
        ),
        pytest.param(
            [("FE00", [("0001", "notify"), ("0002", "write")])],
            "0001 0002", id="a member's own service where there is no other",
        ),
        pytest.param(
            [("FFF0", [("FFF1", "indicate"), ("FFF2", "write")]),
             (LONG, [("0001", "notify"), ("0002", "write")])],
            "0001 0002", id="the service that notifies",
        ),
        pytest.param(
            [("FFF0", [("FFF1", "notify"), ("FFF2", "write")]),
             (LONG, [("0001", "notify"), ("0002", "write-without-response")])],
            "0001 0002", id="the service that takes writes without response",
        ),
        pytest.param(
            [("FFE0", [("FFE1", "notify write")]), ("FFF0", [("FFF1", "notify write")])],
            "FFE1 FFE1", id="the first service of equal ones",
        ),
        pytest.param(
            [("FFE0", [("FFE4", "notify")]), ("FFE5", [("FFE9", "write")])],
            "FFE4 FFE9", id="across services where no single one has both",
        ),
        pytest.param(
            [("FFE0", [("FFE4", "notify")]), ("FFE5", [("FFE9", "write-without-response")]),
             ("FFF0", [("FFF1", "indicate write")])],
            "FFF1 FFF1", id="one service before two",
        ),
    ],
)  # fmt: skip
def test_the_pair_is_found_by_properties(services: Offer, pair: str) -> None:
    found = choose(offered(services))
    assert found is not None
    assert f"{short_uuid(found.listen.uuid)} {short_uuid(found.write.uuid)}" == pair


@pytest.mark.parametrize(
    "services",
    [
        [],
        [("FFF0", [])],
        [("FFF0", [("FFF1", "notify")])],
        [("FFF0", [("FFF1", "read write")])],
        [("FFF0", [("FFF1", "notify")]), ("180A", [("2A29", "write")])],
        [("1800", [("2A00", "read write")]), ("1801", [("2A05", "indicate")])],
        [(uuid, [("0001", "notify write")]) for uuid in sorted(UPDATE_SERVICES)],
    ],
)
def test_no_pair_is_made_up(services: Offer) -> None:
    assert choose(offered(services)) is None
    assert describe(offered(services)).startswith("it offers ")


def test_the_order_in_which_a_system_lists_them_changes_nothing() -> None:
    every = offered(
        [
            ("FFE0", [("FFE1", "notify write"), ("FFE2", "notify write")]),
            ("FFF0", [("FFF1", "notify write"), ("FFF2", "notify write")]),
            (LONG, [("0001", "indicate"), ("0002", "write")]),
        ]
    )
    usual = choose(every)
    dice = random.Random(1)
    for _ in range(50):
        dice.shuffle(every)
        assert choose(every) == usual


@pytest.mark.parametrize(
    ("wishes", "pair"),
    [
        (Wishes(service="FFE0"), "FFE1 FFE1"),
        (Wishes(read="FFF3"), "FFF3 FFF2"),
        (Wishes(write="FFE1"), "FFE1 FFE1"),
        (Wishes(read="FFF1", write="FFE1"), "FFF1 FFE1"),
        (Wishes(service="FFF0", write="FFE1"), None),
        (Wishes(service="180F"), None),
        (Wishes(read="FFF2"), None),
    ],
)
def test_wishes_narrow_the_choice_and_never_to_a_standard_service(
    wishes: Wishes, pair: str | None
) -> None:
    services: Offer = [
        ("180F", [("2A19", "notify write")]),
        ("FFF0", [("FFF1", "notify"), ("FFF2", "write-without-response"), ("FFF3", "notify")]),
        ("FFE0", [("FFE1", "notify write")]),
    ]
    full = Wishes(*(full_uuid(w) or "" for w in (wishes.service, wishes.read, wishes.write)))
    found = choose(offered(services), full)
    shown = found and f"{short_uuid(found.listen.uuid)} {short_uuid(found.write.uuid)}"
    assert shown == pair


def test_a_description_is_bounded_and_shows_nothing_a_terminal_obeys() -> None:
    many = offered([("FFF0", [(f"{n:04X}", "read") for n in range(300)])])
    assert describe(many).endswith("and 292 more")
    odd = Characteristic(1, "\x1b[2J", frozenset({"\x07bell"}), 1, LONG)
    assert describe([odd]).isprintable()


class TestNumbers:
    """Against the lists of assigned numbers and the notation that bleak carries (BT-ASSIGNED)."""

    @pytest.mark.parametrize("text", ["FFF0", "0000fff0", LONG, LONG.upper()])
    def test_a_number_is_written_out_as_bleak_does(self, text: str) -> None:
        assert full_uuid(text) == normalize_uuid_str(text)

    @pytest.mark.parametrize("text", ["", "FFF", "FFFFF", "0xFFF0", "FFF0 FFF1", LONG[:-1], "ÄÄÄÄ"])
    def test_what_is_no_number_is_none(self, text: str) -> None:
        assert full_uuid(text) is None

    def test_every_assigned_service_from_1800_is_standard_and_no_other(self) -> None:
        assigned = {n for n in uuid16_dict if 0x1800 <= n < 0x2700}
        assert {0x1800, 0x1801, 0x180A, 0x180F} <= assigned
        assert all(is_standard(normalize_uuid_str(f"{n:04X}")) for n in assigned)
        assert not any(
            is_standard(normalize_uuid_str(text)) for text in ("FFF0", "FFE0", "18F0", "17FF")
        )
        assert not is_standard("00001800-0102-0304-0506-0708090a0b0c")

    def test_services_that_replace_firmware_are_never_taken(self) -> None:
        known = [
            uuid
            for uuid, name in uuid128_dict.items()
            if name.endswith("Service") and any(w in name for w in ("DFU", "Firmware", "SMP"))
        ]
        assert len(known) >= 4
        assert not any(may_be_serial(uuid) for uuid in known)
