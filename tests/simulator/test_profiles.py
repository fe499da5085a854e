"""Every simulated car and drive loads, and is plainly invented."""

from __future__ import annotations

import pytest

from obdlog.errors import LinkOpenError, OpenFailure, TableError
from obdlog.simulator import drive_names, personalities, scenarios
from obdlog.simulator.drives import load_drive
from obdlog.simulator.ecu import _OWN_PIDS
from obdlog.simulator.monitors import NEEDS
from obdlog.simulator.profile import load_profile, parse_profile, read_profile_text
from obdlog.simulator.signals import KNOWN_PIDS

VALUES = dict(zip("0123456789", range(10), strict=True)) | dict(
    zip("ABCDEFGHJKLMNPRSTUVWXYZ", [*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)], strict=True)
)
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


def test_the_scenarios_that_the_documentation_promises() -> None:
    assert set(scenarios()) == {
        "airbox-repair",
        "airbox-not-repaired",
        "healthy-petrol",
        "diesel-29bit",
        "legacy-pwm",
        "legacy-vpw",
        "legacy-iso9141",
        "legacy-kwp",
        "counterfeit",
        "own-scales",
        "awkward-modules",
        "obd-on-uds",
    }
    assert set(drive_names()) == {"idle", "road-test", "udds", "hwfet"}
    assert set(personalities()) == {
        "plain",
        "minimal",
        "counterfeit",
        "noisy",
        "slow-speed",
        "fixed-filter",
    }


@pytest.mark.parametrize("name", sorted(scenarios()))
def test_vin_is_invented_and_checks(name: str) -> None:
    vin = load_profile(name).vin
    assert vin.startswith("XX0")
    # 49 CFR 565.15, tables III and IV: sum of value times weight modulo 11, X for ten.
    rest = sum(VALUES[c] * w for c, w in zip(vin, WEIGHTS, strict=True)) % 11
    assert vin[8] == ("X" if rest == 10 else str(rest))


@pytest.mark.parametrize("name", sorted(scenarios()))
def test_profile_asks_for_nothing_that_the_model_lacks(name: str) -> None:
    profile = load_profile(name)
    assert "Invented" in read_profile_text(f"{name}.toml")
    for spec in profile.ecu:
        assert set(spec.pids) <= KNOWN_PIDS | _OWN_PIDS
        assert set(spec.monitors) <= set(NEEDS) | {"evaporative-system"}
        assert set(spec.incomplete) <= set(spec.monitors)
        assert all(len(cvn) == 8 for cvn in spec.cvns)


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (("displacement_l", "displacment_l"), "displacment_l"),
        (('"can11-500"', '"can11-501"'), "can11-501"),
        (("displacement_l = 1.8", 'displacement_l = "large"'), "float"),
    ],
)
def test_a_wrong_profile_says_what_is_wrong(change: tuple[str, str], complaint: str) -> None:
    text = read_profile_text("healthy-petrol.toml").replace(*change)
    with pytest.raises(TableError, match=complaint):
        parse_profile(text, name="changed")


def test_unknown_names_list_the_known() -> None:
    with pytest.raises(LinkOpenError) as car:
        load_profile("no-such-car")
    assert car.value.reason is OpenFailure.BAD_URL
    assert "healthy-petrol" in car.value.hint
    with pytest.raises(LinkOpenError) as drive:
        load_drive("../secret")
    assert "road-test" in drive.value.hint


@pytest.mark.parametrize(
    ("name", "miles", "seconds"),
    # 40 CFR part 86 appendix I(a) and 40 CFR part 600: published length and duration.
    [("udds", 7.45, 1369), ("hwfet", 10.26, 765)],
)
def test_schedules_have_their_published_length(name: str, miles: float, seconds: int) -> None:
    drive = load_drive(name)
    assert drive.duration_s == seconds
    metres = sum(drive.speed_kmh(t + 0.5) / 3.6 for t in range(seconds))
    assert metres / 1609.344 == pytest.approx(miles, abs=0.01)


def test_road_test_holds_what_a_road_test_needs() -> None:
    drive = load_drive("road-test")
    assert 12 * 60 <= drive.duration_s <= 15 * 60
    (rev,) = drive.revs
    assert rev[1] - rev[0] >= 20
    assert rev[2] == 2500
    cruise = [t for t in range(int(drive.duration_s)) if 80 <= drive.speed_kmh(t) <= 100]
    assert len(cruise) >= 60
    assert drive.speed_kmh(drive.duration_s + 100) == 0
