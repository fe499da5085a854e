"""Second opinions: general-purpose libraries read the same bytes as we do.

Scapy's OBD layer reads PIDs, test results, vehicle information and trouble codes; udsoncan reads
ISO 14229-1 status bytes and code reports; vininfo computes check digits. Where they differ from
us the difference stands in ``second_opinion.csv``: an example with both readings, who is right,
why, and by which source. The list is exact: a difference that is new, or gone, fails.

A library that does not know a support bit shows a number where we say "not available"; that is no
difference. Scapy rounds to three decimals, and prints some scales rounded.
"""

from __future__ import annotations

import csv
import random
from pathlib import Path

import pytest
from udsoncan import Dtc
from vininfo import Vin

from obdlog.services.codes import status_names
from obdlog.vin import check_digit, check_vin
from tests.reference import opinions_pids, opinions_services
from tests.reference.opinions import Difference, first_by_item

TEXT = Path(__file__).with_name("second_opinion.csv").read_text(encoding="utf-8")
LISTED = list(csv.DictReader(TEXT.splitlines()))
REFERENCES = Path(__file__).parents[2] / "docs" / "references.md"

PIDS = sorted(opinions_pids.LAYERS.items())
SERVICES = [
    opinions_services.result_differences,
    opinions_services.monitor_name_differences,
    opinions_services.code_differences,
    opinions_services.info_differences,
    opinions_services.bitmap_differences,
    opinions_services.uds_differences,
]
FOUND = first_by_item(
    [
        *(d for pid, layer in PIDS for d in opinions_pids.differences(pid, layer)),
        *(d for differences in SERVICES for d in differences()),
    ]
)


def test_every_difference_is_listed_and_every_listed_one_is_there() -> None:
    listed = [Difference(*(row[name] for name in Difference._fields)) for row in LISTED]
    assert sorted(listed) == FOUND


@pytest.mark.parametrize("row", LISTED, ids=lambda r: f"{r['service']}-{r['id']}-{r['item']}")
def test_a_difference_is_decided_with_a_reason_and_a_source(row: dict[str, str]) -> None:
    assert row["right"] in ("ours", "theirs", "both", "undecided")
    assert len(row["why"]) > 10
    entries = REFERENCES.read_text(encoding="utf-8")
    for key in row["source"].split("; "):
        assert f"| {key.removesuffix(', from memory')} |" in entries


def test_the_packet_library_knows_most_pids() -> None:
    """So that an empty comparison does not pass for agreement."""
    assert len(PIDS) > 160


@pytest.mark.parametrize("status", range(256))
def test_status_bytes_read_alike(status: int) -> None:
    said = Dtc.Status.from_byte(status)
    names = {own for name, own in opinions_services.STATUS.items() if getattr(said, name)}
    assert set(status_names(status)) == names


LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


def vins(number: int) -> list[str]:
    """Return random numbers of the form of a VIN, of no maker that vininfo exempts."""
    source = random.Random(number)
    found = ["".join(source.choices(LETTERS, k=17)) for _ in range(number)]
    return [vin for vin in found if getattr(Vin(vin).assembler, "uses_sae_checkdigit", True)]


@pytest.mark.parametrize("vin", vins(200))
def test_check_digits_are_computed_alike(vin: str) -> None:
    right = vin[:8] + check_digit(vin) + vin[9:]
    assert Vin(right).verify_checksum(check_year=False)
    wrong = vin[:8] + ("1" if check_digit(vin) == "0" else "0") + vin[9:]
    assert not Vin(wrong).verify_checksum(check_year=False)


@pytest.mark.parametrize("first", LETTERS)
def test_regions_are_named_alike(first: str) -> None:
    """D to H belonged to Africa once; vininfo, after newer editions, names no region for them."""
    theirs = Vin(first + "1" * 16).region
    assert theirs == (None if first in "DEFGH0" else check_vin(first + "1" * 16).region)


@pytest.mark.parametrize("character", LETTERS)
def test_model_years_are_named_alike(character: str) -> None:
    """vininfo leaves out years to come."""
    ours = check_vin("1" * 9 + character + "1" * 7).model_years
    theirs = Vin("1" * 9 + character + "1" * 7).years
    assert set(theirs) <= set(ours)
    assert bool(theirs) is bool(ours)
