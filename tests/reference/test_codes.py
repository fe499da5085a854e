"""Code bytes, ranges and status bits against SAE J2012 and ISO 14229-1.

The documents are sold; values are from memory of them and from public texts that quote them.
"""

from __future__ import annotations

import pytest

from obdlog.codes.meaning import Definer, definer, describe
from obdlog.services.codes import code_from_bytes, code_to_bytes, status_names


@pytest.mark.parametrize(
    ("data", "code"),
    [  # SAE J2012 / ISO 15031-6: two letter bits, two digit bits, three hexadecimal digits
        ("0000", "P0000"), ("0102", "P0102"), ("0143", "P0143"), ("0420", "P0420"),
        ("1234", "P1234"), ("2263", "P2263"), ("3400", "P3400"), ("3FFF", "P3FFF"),
        ("4123", "C0123"), ("5234", "C1234"), ("7FFF", "C3FFF"), ("8039", "B0039"),
        ("9234", "B1234"), ("C100", "U0100"), ("C121", "U0121"), ("D234", "U1234"),
        ("F000", "U3000"), ("FFFF", "U3FFF"), ("0A7F", "P0A7F"), ("20EE", "P20EE"),
    ],
)  # fmt: skip
def test_bytes_and_text(data: str, code: str) -> None:
    assert code_from_bytes(bytes.fromhex(data)) == code
    assert code_to_bytes(code).hex().upper() == data


@pytest.mark.parametrize(
    ("code", "who"),
    [  # SAE J2012, who assigns which range
        ("P0000", "standard"), ("P0FFF", "standard"), ("P1000", "maker"), ("P1FFF", "maker"),
        ("P2000", "standard"), ("P2FFF", "standard"), ("P3000", "maker"), ("P33FF", "maker"),
        ("P3400", "standard"), ("P3A00", "standard"), ("P3FFF", "standard"),
        ("C0000", "standard"), ("C1000", "maker"), ("C2000", "maker"), ("C3000", "reserved"),
        ("B0000", "standard"), ("B1000", "maker"), ("B2000", "maker"), ("B3000", "reserved"),
        ("U0000", "standard"), ("U1000", "maker"), ("U2000", "maker"), ("U3000", "standard"),
    ],
)  # fmt: skip
def test_ranges(code: str, who: str) -> None:
    assert definer(code) is Definer(who)


@pytest.mark.parametrize(
    ("code", "component", "fault"),
    [  # SAE J2012 assignments that regulations and public texts quote
        ("P0101", "maf", "range"), ("P0113", "iat", "high"), ("P0117", "ect", "low"),
        ("P0128", "thermostat", "below-regulating"), ("P0171", "fuel-trim", "lean"),
        ("P0174", "fuel-trim", "lean"), ("P0300", "misfire", "misfire"),
        ("P0301", "misfire", "misfire"), ("P0312", "misfire", "misfire"),
        ("P0335", "crank-sensor", "circuit"), ("P0340", "cam-sensor", "circuit"),
        ("P0401", "egr-flow", "flow-low"), ("P0420", "catalyst", "efficiency"),
        ("P0430", "catalyst", "efficiency"), ("P0442", "evap", "leak-small"),
        ("P0455", "evap", "leak-large"), ("P0456", "evap", "leak-very-small"),
        ("P0500", "vss", "circuit"), ("P0507", "idle-control", "speed-high"),
        ("P0562", "supply-voltage", "voltage-low"), ("P0700", "transmission", "requests-lamp"),
        ("P2135", "tps", "disagree"), ("P2138", "pedal", "disagree"),
        ("U0100", "ecm", "no-communication"), ("U0101", "tcm", "no-communication"),
        ("U0121", "abs", "no-communication"), ("U0140", "bcm", "no-communication"),
        ("U0151", "restraints", "no-communication"), ("U0155", "cluster", "no-communication"),
    ],
)  # fmt: skip
def test_assignments(code: str, component: str, fault: str) -> None:
    said = describe(code)
    assert (said.component, said.fault) == (component, fault)


@pytest.mark.parametrize(
    ("bit", "name"),
    [  # ISO 14229-1, DTC status bits
        (0x01, "failing-now"), (0x02, "failed-this-cycle"), (0x04, "pending"),
        (0x08, "confirmed"), (0x10, "not-tested"), (0x20, "failed-since-clear"),
        (0x40, "not-tested-this-cycle"), (0x80, "lamp-requested"),
    ],
)  # fmt: skip
def test_status_bits(bit: int, name: str) -> None:
    assert status_names(bit) == (name,)
