"""Requests to modules, byte by byte, and as udsoncan builds and Scapy reads the same ones."""

from __future__ import annotations

import pytest
from scapy.contrib.automotive.kwp import KWP
from udsoncan.services import (
    ClearDiagnosticInformation,
    DiagnosticSessionControl,
    ReadDataByIdentifier,
    ReadDTCInformation,
    TesterPresent,
)

from obdlog.modules import Language
from obdlog.services import identification, older_codes, sessions
from obdlog.services import trouble_reports as reports
from obdlog.services.registry import SERVICES, changes_vehicle

OLDER = Language.ISO_14230
CODE = b"\x05\x62\x16"
Report = ReadDTCInformation.Subfunction


@pytest.mark.parametrize(
    ("built", "expected"),
    [
        (reports.build_report_count(), "1901AF"),
        (reports.build_report_count(0x08), "190108"),
        (reports.build_report_codes(), "1902AF"),
        (reports.build_report_codes(reports.ANY_STATUS), "1902FF"),
        (reports.build_report_snapshots(CODE), "1904056216FF"),
        (reports.build_report_snapshots(CODE, 0), "190405621600"),
        (reports.build_report_extended(CODE, 1), "190605621601"),
        (reports.build_report_supported(), "190A"),
        (reports.build_functional_report(0x08), "194233081E"),
        (reports.build_functional_report(0x04, 0xFF, 0xD0), "1942D004FF"),
        (reports.build_permanent_report(), "195533"),
        (reports.build_readiness_report(0x33, 0x05), "19563305"),
        (reports.build_clear_group(), "14FFFFFF"),
        (reports.build_clear_group(reports.EMISSIONS_GROUP), "14FFFF33"),
        (older_codes.build_older_codes(), "1800FF00"),
        (older_codes.build_older_codes(older_codes.STORED_TWO_BYTES), "1802FF00"),
        (older_codes.build_older_status(), "17FF00"),
        (older_codes.build_older_status(0x0123), "170123"),
        (older_codes.build_older_plain(0x4000), "134000"),
        (older_codes.build_older_clear(), "14FF00"),
        (sessions.build_tester_present(), "3E00"),
        (sessions.build_tester_present(OLDER), "3E01"),
        (sessions.build_default_session(), "1001"),
        (sessions.build_default_session(OLDER), "1081"),
        (sessions.build_extended_session(), "1003"),
        (sessions.build_extended_session(OLDER), "1092"),
        (identification.build_identifiers(0xF190), "22F190"),
        (identification.build_identifiers(0xF187, 0xF18C), "22F187F18C"),
        (identification.build_older_identification(0x90), "1A90"),
    ],
)
def test_payload(built: bytes, expected: str) -> None:
    assert built.hex().upper() == expected


@pytest.mark.parametrize(
    ("built", "theirs"),
    [
        *(
            (
                reports.build_report_count(mask),
                ReadDTCInformation.make_request(
                    Report.reportNumberOfDTCByStatusMask, status_mask=mask
                ),
            )
            for mask in (0x08, 0xAF, 0xFF)
        ),
        *(
            (
                reports.build_report_codes(mask),
                ReadDTCInformation.make_request(Report.reportDTCByStatusMask, status_mask=mask),
            )
            for mask in (0x01, 0xAF, 0xFF)
        ),
        (
            reports.build_report_snapshots(CODE, 2),
            ReadDTCInformation.make_request(
                Report.reportDTCSnapshotRecordByDTCNumber,
                dtc=0x056216,
                snapshot_record_number=2,
            ),
        ),
        (
            reports.build_report_extended(CODE, 0x90),
            ReadDTCInformation.make_request(
                Report.reportDTCExtendedDataRecordByDTCNumber,
                dtc=0x056216,
                extended_data_record_number=0x90,
            ),
        ),
        (
            reports.build_report_supported(),
            ReadDTCInformation.make_request(Report.reportSupportedDTCs),
        ),
        (
            reports.build_functional_report(0x08),
            ReadDTCInformation.make_request(
                Report.reportWWHOBDDTCByMaskRecord,
                functional_group_id=0x33,
                status_mask=0x08,
                severity_mask=0x1E,
            ),
        ),
        (
            reports.build_permanent_report(),
            ReadDTCInformation.make_request(
                Report.reportWWHOBDDTCWithPermanentStatus, functional_group_id=0x33
            ),
        ),
        (reports.build_clear_group(), ClearDiagnosticInformation.make_request(0xFFFFFF)),
        (
            reports.build_clear_group(reports.EMISSIONS_GROUP),
            ClearDiagnosticInformation.make_request(0xFFFF33),
        ),
        (sessions.build_tester_present(), TesterPresent.make_request()),
        (sessions.build_default_session(), DiagnosticSessionControl.make_request(1)),
        (sessions.build_extended_session(), DiagnosticSessionControl.make_request(3)),
        (
            identification.build_identifiers(0xF190, 0xF187),
            ReadDataByIdentifier.make_request([0xF190, 0xF187], {0xF190: "17s", 0xF187: "3s"}),
        ),
    ],
    ids=lambda made: made.hex() if isinstance(made, bytes) else type(made).__name__,
)
def test_as_udsoncan_builds_it(built: bytes, theirs) -> None:
    assert built == theirs.get_payload()


@pytest.mark.parametrize(
    ("built", "layer", "field", "value"),
    [
        (older_codes.build_older_clear(), "ClearDiagnosticInformation", "groupOfDTC", 0xFF00),
        (
            older_codes.build_older_status(0x4000),
            "ReadStatusOfDiagnosticTroubleCodes",
            "groupOfDTC",
            0x4000,
        ),
        (
            identification.build_older_identification(0x90),
            "ReadECUIdentification",
            "localIdentifier",
            0x90,
        ),
        (sessions.build_tester_present(OLDER), "TesterPresent", "responseRequired", 1),
        (
            sessions.build_default_session(OLDER),
            "StartDiagnosticSession",
            "diagnosticSession",
            0x81,
        ),
        (
            sessions.build_extended_session(OLDER),
            "StartDiagnosticSession",
            "diagnosticSession",
            0x92,
        ),
    ],
    ids=lambda made: made.hex() if isinstance(made, bytes) else str(made),
)
def test_as_scapy_reads_it(built: bytes, layer: str, field: str, value: int) -> None:
    read = KWP(built).payload
    assert (read.name, read.getfieldval(field)) == (layer, value)


@pytest.mark.parametrize(
    "build",
    [
        lambda: reports.build_report_codes(0x100),
        lambda: reports.build_report_snapshots(b"\x05\x62"),
        lambda: reports.build_report_extended(CODE, -1),
        lambda: reports.build_functional_report(0x08, 0x100),
        lambda: reports.build_clear_group(b"\xff\xff"),
        lambda: reports.code3("P0562", "100"),
        lambda: reports.code3("Q0562"),
        lambda: older_codes.build_older_codes(-1),
        lambda: older_codes.build_older_clear(0x10000),
        lambda: identification.build_identifiers(),
        lambda: identification.build_identifiers(0x10000),
        lambda: identification.build_older_identification(0x100),
    ],
)
def test_misuse_never_becomes_a_request(build) -> None:
    with pytest.raises(ValueError, match=r"must be within|has 3 bytes|at least one|code"):
        build()


def test_three_bytes_of_a_code() -> None:
    assert reports.code3("P0562", "16") == CODE
    assert reports.code3("U0100") == b"\xc1\x00\x00"


def test_only_the_erase_and_the_extended_session_count_as_changing() -> None:
    built = [
        reports.build_report_count(),
        reports.build_report_codes(),
        reports.build_report_supported(),
        reports.build_functional_report(0x08),
        older_codes.build_older_codes(),
        older_codes.build_older_status(),
        older_codes.build_older_plain(),
        *(sessions.build_tester_present(language) for language in Language),
        *(sessions.build_default_session(language) for language in Language),
        *(r for language in Language for r in identification.identification_requests(language)),
    ]
    assert not any(map(changes_vehicle, built))
    assert all(payload[0] in SERVICES for payload in built)
    changing = [
        reports.build_clear_group(),
        older_codes.build_older_clear(),
        *(sessions.build_extended_session(language) for language in Language),
    ]
    assert all(map(changes_vehicle, changing))
