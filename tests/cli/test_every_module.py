"""``--every-module`` and ``--module``: what is searched, read, remembered, told and replayed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from obdlog.module_map import case_map
from obdlog.session.reader import read_session
from tests.module_bus import ENGINE_TABLE, FakeModule, ModuleBus

LISTED = "5902AF" + "40351189" + "C121002C"
BRAKES = {"1902AF": LISTED, "1901AF": "5901AF010002", "22F187": "62F18741424331"}
CLUSTER = {"1902AF": "7F1911", "1800FF00": "580180AA61", "1A91": "5A91313233"}
MAP = """
[[module]]
name = "brakes"
request = "7B0"
language = "iso-14229"
system = "brakes"

[[module]]
name = "gone"
request = "740"
"""


class Cars:
    """What stands at the end of ``--link car``: a new bus with the same modules each time."""

    def __init__(self) -> None:
        self.modules: dict[str, Any] = {
            "7B0": FakeModule("7B8", BRAKES, code="31"),
            "720": FakeModule("728", CLUSTER),
            "710": FakeModule("77A", {"1902AF": "7F197F"}, in_session=BRAKES),
        }
        self.generic = dict(ENGINE_TABLE)
        self.hook: Any = None
        self.buses: list[ModuleBus] = []

    def open(self, *_: object, **__: object) -> ModuleBus:
        self.buses.append(ModuleBus(self.modules, generic=self.generic, hook=self.hook))
        return self.buses[-1]

    @property
    def searched(self) -> bool:
        """Whether the last command searched."""
        return any(r.purpose == "search" and r.target == "7F0" for r in self.buses[-1].requests)

    def services(self, target: str) -> set[str]:
        return {a[:2] for a in self.buses[-1].asked_of(target)}


@pytest.fixture
def car(monkeypatch) -> Iterator[Cars]:
    """A car whose modules a test may change; any link that is no file leads to it."""
    from obdlog.transport import registry

    cars = Cars()
    real = registry.open_transport

    def open_transport(url: str, **more: Any) -> Any:
        return cars.open() if url == "car" else real(url, **more)

    monkeypatch.setattr(registry, "open_transport", open_transport)
    yield cars
    assert all(bus.closed for bus in cars.buses)


def modules(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {m["address"]: m for m in document["modules"]}


def codes(module: dict[str, Any]) -> set[str]:
    return {c["code"] for c in module["codes"]}


def test_modules_are_found_read_and_listed_beside_the_legislated_ones(run_json, car):
    document = run_json("codes", "--link", "car", "--every-module")
    found = modules(document)
    assert set(found) == {"7E8", "728", "77A", "7B8"}
    brakes = found["7B8"]
    assert codes(brakes) == {"C0035", "U0121"}
    assert (brakes["request"], brakes["name"], brakes["language"]) == (
        "7B0",
        "module 7B8",
        "iso-14229",
    )
    assert found["728"]["language"] == "iso-14230"
    assert codes(found["728"]) == {"B00AA"}
    assert found["7E8"]["codes"] == []
    searched = document["searched"]
    assert (searched["how"], searched["found"], searched["complete"]) == ("searched", 3, True)
    assert any("700–7F7" in text for text in searched["ranges"])


def test_where_only_some_modules_were_asked_the_end_says_so(run, car):
    said = " ".join(
        run("codes", "--link", "car", "--module", "7B0", "--case", "job").stdout.split()
    )
    assert "only those that were named were asked" in said
    run("codes", "--link", "car", "--every-module", "--case", "job")
    said = " ".join(run("codes", "--link", "car", "--every-module", "--case", "job").stdout.split())
    assert "only those that the case remembers were asked" in said


@pytest.mark.parametrize("command", ["codes", "vehicle"])
def test_a_heading_names_the_address_that_answers_and_the_one_that_is_asked(run, car, command):
    output = run(command, "--link", "car", "--every-module").stdout
    assert "module 7B8 (asked at 7B0)" in output
    assert "engine control (7E8)" in output


def test_a_module_that_was_not_read_is_never_said_to_be_clean(run, run_json, car):
    unread = modules(run_json("codes", "--link", "car", "--every-module"))["77A"]
    assert unread["codes"] == []
    assert unread["answered"] is False
    assert "--extended-session" in " ".join(unread["notes"])
    output = run("codes", "--link", "car", "--every-module").stdout
    part = output[output.index("module 77A") : output.index("module 7B8")]
    assert "No codes" not in part
    assert "--extended-session" in part
    assert "nothing here says that it is clean" in " ".join(output.split())
    unknown = output[output.index("Not read, and so not known") :]
    assert "the codes of module 77A (asked at 710)" in unknown
    assert "7B8" not in unknown


def test_a_module_of_hundreds_of_codes_does_not_flood_the_screen(run, run_json):
    link = ("--link", "sim://awkward-modules", "--every-module")
    shown = run("codes", *link).stdout
    assert "and 240 more (--json has all): C1028-08" in shown
    assert len(shown.splitlines()) < 350
    assert max(len(m["codes"]) for m in run_json("codes", *link)["modules"]) == 280


def test_the_extended_session_is_used_only_where_allowed_and_said(run, car):
    result = run("codes", "--link", "car", "--every-module", "--extended-session", "--json")
    assert "Caution: in its extended session" in " ".join(result.stderr.split())
    (body,) = [m for m in json.loads(result.stdout)["modules"] if m["address"] == "77A"]
    assert codes(body) == {"C0035", "U0121"}
    assert body["answered"] is True
    assert "returned to the default one" in " ".join(body["notes"])
    asked = car.buses[-1].asked_of("710")
    assert asked.count("1003") == asked.count("1001") == 1
    assert "10" not in car.services("7B0") | car.services("720")


def test_no_extended_session_is_asked_for_while_the_engine_runs(run, car):
    car.generic["010C"] = "410C0FA0"
    result = run("codes", "--link", "car", "--every-module", "--extended-session", code=5)
    assert "the engine runs at 1000 rpm" in " ".join(result.stderr.split())
    assert "1003" not in car.buses[-1].asked_of("710")


def test_answers_that_the_adapter_spoilt_are_said(run):
    link = ("--link", "sim://airbox-repair?personality=counterfeit", "--module", "7B0")
    said = " ".join(run("codes", *link).stdout.split())
    assert "4 of its answers did not arrive whole, so what they hold is not known" in said
    assert "(to 19 04 40 34 13 FF, 19 0A, 22 F1 90 …)" in said


def test_nothing_that_changes_the_car_is_sent(run, car):
    run("codes", "--link", "car", "--every-module")
    asked = {r.payload for r in car.buses[-1].requests if r.target != "functional"}
    assert {a[:1].hex() for a in asked} <= {"3e", "10", "19", "18", "17", "13", "22", "1a"}
    assert {a.hex() for a in asked if a[0] in (0x10, 0x3E)} == {"1001", "3e00"}


def test_a_case_remembers_so_that_the_next_run_does_not_search(run, run_json, car):
    run_json("codes", "--link", "car", "--every-module", "--case", "job")
    assert car.searched
    path = Path("job/modules.toml")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"module 7B8"', '"my brakes"'), encoding="utf-8")

    result = run("codes", "--link", "car", "--every-module", "--case", "job", "--json")
    assert not car.searched
    assert "--search-again" in result.stderr
    document = json.loads(result.stdout)
    assert modules(document)["7B8"]["name"] == "my brakes"
    assert document["searched"]["how"] == "remembered"
    assert car.buses[-1].asked_of("720")[0] == "1800FF00"  # its language is remembered too

    car.modules["750"] = FakeModule("758", BRAKES)
    again = run_json("codes", "--link", "car", "--every-module", "--case", "job", "--search-again")
    assert car.searched
    assert "758" in modules(again)
    names = {m.name for m in case_map(path.parent).modules}
    assert names == {"my brakes", "module 728", "module 77A", "module 758"}


def test_a_remembered_module_that_is_silent_now_is_told(run_json, car):
    run_json("codes", "--link", "car", "--every-module", "--case", "job")
    del car.modules["7B0"]
    document = run_json("codes", "--link", "car", "--every-module", "--case", "job")
    lost = modules(document)["7B8"]
    assert lost["answered"] is False
    assert lost["codes"] == []
    assert "did not answer" in lost["error"]
    assert lost["notes"] == []


def test_a_map_names_modules_and_what_does_not_answer_is_told(run, run_json, car, tmp_path):
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    options = ("codes", "--link", "car", "--every-module", "--module-map", "map.toml")
    document = run_json(*options)
    assert modules(document)["7B8"]["name"] == "brakes"
    assert modules(document)["7B8"]["system"] == "brakes"
    assert document["searched"]["silent"] == [{"name": "gone", "request": "740", "address": "748"}]
    output = " ".join(run(*options).stdout.split())
    assert "Caution: Brakes and stability: licensed practice" in output
    assert "gone (748) did not answer" in output


@pytest.mark.parametrize("name", ["7B0", "7b8", "brakes", "BRAKES"])
def test_one_module_by_address_or_name(run_json, car, tmp_path, name):
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    document = run_json("codes", "--link", "car", "--module", name, "--module-map", "map.toml")
    assert set(modules(document)) == {"7E8", "7B8"}
    assert not car.searched
    assert document["searched"]["how"] == "named"


def test_one_module_by_its_address_alone(run_json, car):
    document = run_json("codes", "--link", "car", "--module", "710", "--module", "720")
    assert set(modules(document)) == {"7E8", "77A", "728"}


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (("--module", "nonsense"), 2, "no module is called nonsense"),
        (("--module", "750"), 4, "no module answers at 750"),
        (("--module", "7df"), 2, "7DF reaches all modules at once"),
        (("--module", "18DB33F1"), 2, "18DB33F1 reaches all modules at once"),
        (("--module", "0B0"), 2, "0B0 is no identifier of diagnosis (700 to 7FF"),
        (("--module", "000"), 2, "000 is no identifier of diagnosis (700 to 7FF"),
        (("--module", "0cf00400"), 2, "0CF00400 is no identifier of diagnosis (700 to 7FF"),
        (("--module-map", "map.toml"), 2, "--every-module"),
        (("--extended-session",), 2, "--every-module"),
        (("--search-again", "--module", "7B0"), 2, "--every-module"),
        (("--every-module", "--module-map", "missing.toml"), 6, "cannot be read"),
    ],
)
def test_what_cannot_be_done_is_said(run, car, options, code, says):
    result = run("codes", "--link", "car", *options, code=code)
    assert says in " ".join(result.stderr.replace("│", " ").split())


@pytest.mark.parametrize("options", [("--module", "123"), ("--module", "odd")])
def test_below_700_only_a_map_with_both_addresses_reaches_a_module(run, car, tmp_path, options):
    """A mistyped address must not reach the vehicle's own functions (ISO 15765-4: 7DF to 7EF)."""
    entry = '[[module]]\nname = "odd"\nrequest = "123"\nresponse = "12B"\n'
    (tmp_path / "map.toml").write_text(entry, encoding="utf-8")
    run("codes", "--link", "car", "--module", "123", code=2)
    assert not car.buses[-1].targets
    run("codes", "--link", "car", *options, "--module-map", "map.toml")
    assert set(car.buses[-1].targets) == {"123"}


def test_a_found_module_that_listens_where_another_answers_does_not_stop_a_case(run, car):
    car.modules["740"] = FakeModule("720", BRAKES)
    job = ("--every-module", "--case", "job")
    run("codes", "--link", "car", *job)
    assert {m.request for m in case_map(Path("job")).modules} <= {"7B0", "720", "740", "710"}
    run("codes", "--link", "car", *job, "--search-again")


def test_a_map_entry_that_clashes_with_the_case_is_left_out_and_told(run, car, tmp_path):
    run("codes", "--link", "car", "--every-module", "--case", "job")
    entry = '[[module]]\nname = "odd"\nrequest = "7B8"\nresponse = "7C0"\n'
    (tmp_path / "map.toml").write_text(entry, encoding="utf-8")
    options = ("--every-module", "--case", "job", "--module-map", "map.toml")
    result = run("codes", "--link", "car", *options)
    assert "one is asked where the other answers; it was left out" in " ".join(
        result.stderr.split()
    )
    assert "7B8" not in car.buses[-1].targets


def test_a_moving_vehicle_is_not_searched(run, car):
    car.generic["010D"] = "410D20"
    result = run("codes", "--link", "car", "--every-module", code=5)
    assert "moves at 32 km/h" in result.stderr
    assert not car.buses[-1].targets


def test_ctrl_c_keeps_what_was_found_and_the_case_searches_on_next_time(run, run_json, car):
    def stop(request: Any) -> None:
        if request.target == "7C0":
            car.hook = None
            car.buses[-1]._hook = None
            raise KeyboardInterrupt

    car.hook = stop
    result = run("codes", "--link", "car", "--every-module", "--case", "job", "--json")
    assert "not finished" in result.stderr
    document = json.loads(result.stdout)
    assert document["searched"]["complete"] is False
    assert "7B8" in modules(document)
    run_json("codes", "--link", "car", "--every-module", "--case", "job")
    assert car.searched


def test_a_recorded_session_reads_the_same_without_a_search(run_json, car, tmp_path):
    live = run_json(
        "codes", "--link", "car", "--every-module", "--extended-session", "--case", "job"
    )
    (path,) = (tmp_path / "job").glob("*.session.jsonl")
    session = read_session(path)
    purposes = {e.request.purpose for e in session.exchanges if e.request.target != "functional"}
    assert purposes == {"search", "codes", "identify", "session"}
    replayed = run_json("codes", "--link", path, "--every-module")
    assert replayed["modules"] == live["modules"]
    assert replayed["searched"]["how"] == "recorded"
    one = run_json(
        "codes", "--link", path, "--module", "7B0", "--save", tmp_path / "s.session.jsonl"
    )
    assert set(modules(one)) == {"7E8", "7B8"}
    assert codes(modules(one)["7B8"]) == {"C0035", "U0121"}


def test_a_recording_without_other_modules_says_so(run, car, tmp_path):
    run("codes", "--link", "car", "--case", "job")
    (path,) = (tmp_path / "job").glob("*.session.jsonl")
    result = run("codes", "--link", path, "--every-module")
    assert "No module beyond those answered." in result.stdout
    run("codes", "--link", path, "--module", "7B0", code=4)


def test_vehicle_lists_who_each_module_is(run, run_json, car):
    document = run_json("vehicle", "--link", "car", "--every-module")
    assert set(modules(document)) == {"7E8", "728", "77A", "7B8"}
    assert modules(document)["7B8"]["request"] == "7B0"
    assert not {"19", "18", "17", "13"} & {
        r.payload[:1].hex() for r in car.buses[-1].requests if r.target != "functional"
    }
    output = run("vehicle", "--link", "car", "--module", "7B0").stdout
    assert "module 7B8" in output
    assert "ABC1" in output


def test_a_car_without_other_modules(run, run_json, car):
    car.modules = {}
    document = run_json("codes", "--link", "car", "--every-module", "--case", "job")
    assert set(modules(document)) == {"7E8"}
    assert document["searched"]["found"] == 0
    assert (
        "No module beyond those answered." in run("codes", "--link", "car", "--every-module").stdout
    )


def test_who_stops_the_search_before_an_erase_gets_no_erase(run, car):
    def stop(request: Any) -> None:
        if request.target == "7C0":
            raise KeyboardInterrupt

    car.hook = stop
    run("clear", "--link", "car", "--every-module", "--yes", "--case", "job", code=130)
    assert not {"04", "14"} & {r.payload[:1].hex() for r in car.buses[-1].requests}


def test_a_module_that_was_only_heard_is_listed_as_not_read(run_json, car):
    car.modules["760"] = [FakeModule("768"), FakeModule("76A")]
    document = run_json("codes", "--link", "car", "--every-module")
    assert [m["alone"] for m in document["modules"]] == [False, True, True, True, True, True]
    heard = modules(document)["76A"]
    assert (heard["answered"], heard["codes"]) == (False, [])
    assert "not read" in heard["notes"][0]
    assert "several modules answer at 760 (from 768, 76A)" in document["searched"]["remarks"][0]


SIMULATED = "sim://airbox-repair"


def test_the_simulated_car_over_its_adapter(run_json):
    """Brakes, restraints, instruments and a body module that answers from an odd address."""
    document = run_json("codes", "--link", SIMULATED, "--every-module")
    found = modules(document)
    assert [m["alone"] for m in document["modules"]] == [False, False, True, True, True, True]
    assert {m["request"]: a for a, m in found.items() if m["alone"]} == {
        "7B0": "7B8",
        "737": "73F",
        "720": "728",
        "710": "77A",
    }
    families = {letter for m in found.values() if m["alone"] for letter, *_ in codes(m)}
    assert families == {"B", "C", "U"}
    assert found["7B8"]["lamp"] is True
    assert found["728"]["language"] == "iso-14230"
    assert found["73F"]["codes"][0]["failure_type"]
    assert found["73F"]["codes"][0]["caution"]
    assert codes(found["77A"])
    assert document["searched"]["not_reached"] == []


def test_the_simulated_car_gives_all_in_the_extended_session_and_replays_the_same(
    run_json, tmp_path
):
    options = ("--every-module", "--extended-session", "--case", "job")
    link = "sim://awkward-modules"
    shut = modules(run_json("codes", "--link", link, "--every-module"))["70D"]
    assert shut["answered"] is False
    live = run_json("codes", "--link", link, *options)
    assert codes(modules(live)["70D"])
    (path,) = (tmp_path / "job").glob("*.session.jsonl")
    replayed = run_json("codes", "--link", path, "--every-module")
    assert replayed["modules"] == live["modules"]
    sent = {e.request.payload for e in read_session(path).exchanges}
    assert {p[:1] for p in sent} <= {bytes([n]) for n in (1, 2, 3, 7, 9, 10)} | {
        b"\x10", b"\x13", b"\x17", b"\x18", b"\x19", b"\x1a", b"\x22", b"\x3e"
    }  # fmt: skip
    assert {p for p in sent if p[0] == 0x10} == {b"\x10\x03", b"\x10\x01"}


def test_the_simulated_car_on_29_bit(run_json):
    found = modules(run_json("codes", "--link", "sim://diesel-29bit", "--every-module"))
    assert found["18DAF128"]["request"] == "18DA28F1"
    assert codes(found["18DAF128"])


def test_awkward_modules_are_bounded_told_and_replayed_the_same(run_json, tmp_path):
    """Two on one address, one that refuses everything, lists of a kilobyte, and the like."""
    link = "sim://awkward-modules"
    live = run_json("codes", "--link", link, "--every-module", "--case", "job")
    found = modules(live)
    assert all(m["notes"] for m in found.values() if m["alone"] and not m["answered"])
    assert any("cannot be asked apart" in r for r in live["searched"]["remarks"])
    (path,) = (tmp_path / "job").glob("*.session.jsonl")
    asked = [e.request.target for e in read_session(path).exchanges]
    assert max(asked.count(m["request"]) for m in found.values() if m["alone"]) < 100
    replayed = run_json("codes", "--link", path, "--every-module")
    assert replayed["modules"] == live["modules"]
    assert replayed["searched"]["found"] == live["searched"]["found"]


def test_the_simulated_car_says_who_its_modules_are(run, run_json):
    found = modules(run_json("vehicle", "--link", SIMULATED, "--every-module"))
    told = {i["key"]: i["text"] for i in found["7B8"]["identification"]}
    assert told["vin"]
    assert told["part_number"]
    assert "part number" in run("vehicle", "--link", SIMULATED, "--module", "7B0").stdout


def test_an_adapter_that_cannot_listen_elsewhere_says_so_and_another_one_searches(run_json):
    link = f"{SIMULATED}?personality=fixed-filter"
    options = ("codes", "--every-module", "--case", "job", "--link")
    document = run_json(*options, link)
    assert set(modules(document)) == {"7E8", "7E9"}
    (why, *_) = document["searched"]["not_reached"]
    assert why.startswith("700–7F7: this adapter cannot")
    assert len(modules(run_json(*options, SIMULATED))) == 6


def test_a_module_that_an_adapter_cannot_reach_is_not_blamed_for_its_silence(run, run_json):
    options = ("codes", "--every-module", "--case", "job", "--link")
    run_json(*options, SIMULATED)
    link = f"{SIMULATED}?personality=fixed-filter"
    unheard = modules(run_json(*options, link))["7B8"]
    assert unheard["answered"] is False
    assert unheard["notes"][0].startswith("was not asked: this adapter cannot be told to listen")
    assert "was not asked: this adapter" in " ".join(run(*options, link).stdout.split())


def test_on_an_older_bus_nothing_is_searched_and_only_the_map_is_tried(run, tmp_path):
    (tmp_path / "map.toml").write_text('[[module]]\nname = "brakes"\nrequest = "28"\n')
    link = ("codes", "--link", "sim://legacy-kwp", "--every-module")
    said = " ".join(run(*link, "--module-map", "map.toml").stdout.split())
    assert "brakes (28) did not answer" in said
    assert "no standard way to search" in said
    assert "No module beyond those answered." not in run(*link).stdout
