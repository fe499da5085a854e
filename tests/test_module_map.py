"""The module map: what a file may say, what is refused, and how a case remembers modules."""

from __future__ import annotations

import contextlib
import random
import re
import tomllib
from pathlib import Path

import pytest

from obdlog import module_map
from obdlog.errors import InputFileError
from obdlog.module_map import Search, case_map, case_modules, load_module_map, remember
from obdlog.modules import Language, Module, System, merged, module_at, named, usual_response

ROOT = Path(__file__).parent.parent
BRAKES = Module("7B0", "7B8", "brakes", Language.ISO_14229, System.BRAKES)


def load(tmp_path, text: str) -> tuple[Module, ...]:
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    return load_module_map(path)


# 7E0–7E7 and 18DAxxF1: ISO 15765-4, 10.3. Eight higher elsewhere: common practice, no source.
@pytest.mark.parametrize(
    ("request_address", "response"),
    [
        ("7E0", "7E8"),
        ("7E7", "7EF"),
        ("18DA10F1", "18DAF110"),
        ("18DA28F1", "18DAF128"),
        ("7B0", "7B8"),
        ("28", "28"),
        ("7FA", None),
        ("6FF", None),
        ("123", None),
        ("17FC0076", None),
    ],
)
def test_the_usual_response_address(request_address, response):
    assert usual_response(request_address) == response


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ('request = "7B0"', module_at("7B0", "7B8")),
        ('request = " 7b0 "\nresponse = "7b8"', module_at("7B0", "7B8")),
        ('request = "710"\nresponse = "77A"', module_at("710", "77A")),
        ('request = "18DA28F1"\naddressing = "normal-fixed"', module_at("18DA28F1", "18DAF128")),
        (
            'request = "17FC0076"\nresponse = "17FE0076"\naddressing = "normal"',
            module_at("17FC0076", "17FE0076"),
        ),
        ('request = "28"\nbus = "k-line"', module_at("28", "28")),
        ('request = "0B0"\nresponse = "0B8"', module_at("0B0", "0B8")),
        (
            'name = "brakes"\nrequest = "7B0"\nbus = "can"\naddressing = "normal"\n'
            'language = "iso-14229"\nsystem = "brakes"',
            BRAKES,
        ),
        (
            'name = "cluster"\nrequest = "720"\nlanguage = "ISO-14230"',
            Module("720", "728", "cluster", Language.ISO_14230),
        ),
    ],
)
def test_an_entry_says_where_a_module_is(tmp_path, entry, expected):
    assert load(tmp_path, f"[[module]]\n{entry}\n") == (expected,)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[module]]\nname = 'x'", "request is missing"),
        ("[[module]]\nrequest = 700", "quotation marks"),
        ("[[module]]\nrequest = 0x7B0", "quotation marks"),
        ('[[module]]\nrequest = "7G0"', "quotation marks"),
        ('[[module]]\nrequest = "800"', "quotation marks"),
        ('[[module]]\nrequest = "3FFFFFFF"', "quotation marks"),
        ('[[module]]\nrequest = ""', "quotation marks"),
        ('[[module]]\nrequest = "7FA"', "write its response"),
        ('[[module]]\nrequest = "0B0"', "write its response"),
        ('[[module]]\nrequest = "18DA28F3"', "write its response"),
        ('[[module]]\nrequest = "7B0"\nresponse = "7B0"', "do not go together"),
        ('[[module]]\nrequest = "7B0"\nresponse = "18DAF128"', "do not go together"),
        ('[[module]]\nrequest = "7DF"\nresponse = "7E8"', "belongs to all modules at once"),
        ('[[module]]\nrequest = "7D0"\nresponse = "7DF"', "belongs to all modules at once"),
        (
            '[[module]]\nrequest = "18DB33F1"\nresponse = "18DAF128"',
            "belongs to all modules at once",
        ),
        ('[[module]]\nrequest = "7B0"\ncolour = "red"', "'colour' is none of"),
        ('[[modules]]\nrequest = "7B0"', "'modules' is none of module, search"),
        ('module = "7B0"', "[[module]] tables"),
        ('[module]\nrequest = "7B0"', "[[module]] tables"),
        ('[[module]]\nrequest = "7B0"\nlanguage = "iso-9141"', "language is 'iso-9141', none of"),
        ('[[module]]\nrequest = "7B0"\nsystem = "engine"', "system is 'engine', none of"),
        ('[[module]]\nrequest = "7B0"\nbus = "lin"', "bus is 'lin', none of"),
        ('[[module]]\nrequest = "7B0"\nbus = "k-line"', "no address on k-line"),
        ('[[module]]\nrequest = "28"\nbus = "can"', "no address on can"),
        ('[[module]]\nrequest = "7B0"\naddressing = "extended"', "addressing is 'extended'"),
        ('[[module]]\nrequest = "7B0"\naddressing = "normal-fixed"', "18DAxxF1"),
        ('[[module]]\nrequest = "7B0"\nname = 5', "name must be a text"),
        (f'[[module]]\nrequest = "7B0"\nname = "{"n" * 61}"', "longer than 60"),
        (
            '[[module]]\nrequest = "7B0"\n[[module]]\nrequest = "7B8"\nresponse = "7C0"',
            "one is asked where the other answers",
        ),
        (
            '[[module]]\nrequest = "7B8"\nresponse = "7C0"\n[[module]]\nrequest = "7B0"',
            "one is asked where the other answers",
        ),
        (
            '[[module]]\nrequest = "7B0"\n[[module]]\nrequest = "7A0"\nresponse = "7B8"',
            "an address belongs to one module",
        ),
        (
            '[[module]]\nrequest = "7B0"\nname="a"\n[[module]]\nrequest = "7A0"\nname = "A"',
            "two modules are called 'A'",
        ),
        ("search = 5", "search is '5'"),
        ("not toml", "not valid TOML"),
        ("x = " + "[" * 100_000, "not valid TOML"),
        ("".join(f'[[module]]\nrequest = "18DA{n:02X}F1"\n' for n in range(256)) * 2, "holds 512"),
    ],
)
def test_what_a_map_must_not_say_is_refused_with_the_file(tmp_path, text, says):
    with pytest.raises(InputFileError) as caught:
        load(tmp_path, text)
    assert says in str(caught.value)
    assert str(tmp_path / "map.toml") in str(caught.value)
    assert caught.value.exit_code == 6
    assert len(str(caught.value)) < 600


def test_hostile_names_reach_nothing_that_would_obey_them(tmp_path):
    (module,) = load(tmp_path, '[[module]]\nrequest = "7B0"\nname = "a\\u001b[31m\\u202eb\\n c"')
    assert module.name == "a\ufffd[31m\ufffdb c"


@pytest.mark.parametrize(
    ("raw", "says"),
    [(b"\xff\xfe", "not UTF-8"), (b"#" * 1_000_001, "larger than")],
)
def test_files_that_are_no_maps(tmp_path, raw, says):
    path = tmp_path / "map.toml"
    path.write_bytes(raw)
    with pytest.raises(InputFileError, match=says):
        load_module_map(path)
    with pytest.raises(InputFileError, match="cannot be read"):
        load_module_map(tmp_path / "missing.toml")
    with pytest.raises(InputFileError, match="cannot be read"):
        load_module_map(tmp_path)


def test_random_bytes_raise_nothing_else(tmp_path):
    chance = random.Random(3)
    path = tmp_path / "map.toml"
    parts = ["[[module]]", "\nrequest", '"7B0"', "=", "name", "\n", "'", '"', "[", "}", "\x00", "é"]
    for _ in range(300):
        path.write_text("".join(chance.choices(parts, k=12)), encoding="utf-8")
        with contextlib.suppress(InputFileError):
            assert isinstance(load_module_map(path), tuple)


def test_a_written_map_reads_the_same_and_is_not_overwritten(tmp_path):
    modules = (
        BRAKES,
        module_at("710", "77A"),
        Module("18DA28F1", "18DAF128", 'a "quoted" \\ name', Language.ISO_14230),
        Module("28", "28", "older"),
    )
    path = tmp_path / "map.toml"
    module_map.write_module_map(path, modules)
    assert load_module_map(path) == modules
    assert tomllib.loads(path.read_text(encoding="utf-8"))["module"][0]["bus"] == "can"
    with pytest.raises(InputFileError, match="cannot be written"):
        module_map.write_module_map(path, ())


def test_a_case_remembers_and_later_findings_are_added(tmp_path):
    case = tmp_path / "job"
    assert case_map(case) == module_map.ModuleMap()
    remember(case, [module_at("7B0", "7B8")], Search.INTERRUPTED)
    assert case_map(case).search is Search.INTERRUPTED
    remember(case, [module_at("710", "77A"), BRAKES], Search.DONE)
    assert case_modules(case) == (BRAKES, module_at("710", "77A"))
    assert case_map(case).search is Search.DONE
    before = (case / "modules.toml").read_bytes()
    remember(case, [module_at("7B0", "7B8")])
    assert (case / "modules.toml").read_bytes() == before
    assert [p.name for p in case.iterdir()] == ["modules.toml"]


def test_the_example_of_the_page_is_a_map(tmp_path):
    page = (ROOT / "docs" / "modules.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    assert load(tmp_path, example) == (BRAKES,)
    for word in (*Language, *filter(None, System), "k-line", "j1850", "normal-fixed"):
        assert word in page


def test_what_the_user_wrote_wins_and_his_layout_stays(tmp_path):
    remember(tmp_path, [module_at("7B0", "7B8"), module_at("720", "728")], Search.DONE)
    path = tmp_path / "modules.toml"
    edited = path.read_text(encoding="utf-8").replace(
        'name = "module 7B8"', 'name = "brakes"  # under the bonnet'
    )
    path.write_text(edited, encoding="utf-8")
    remember(
        tmp_path,
        [
            Module("7B0", "7B8", "module 7B8", Language.ISO_14229),
            module_at("710", "77A"),
            module_at("7A0", "7B8"),  # another claim to an address that is taken
            Module("740", "748", "Brakes"),  # a name that is taken
        ],
    )
    text = path.read_text(encoding="utf-8")
    assert text.startswith(edited)
    assert case_modules(tmp_path) == (
        Module("7B0", "7B8", "brakes"),
        module_at("720", "728"),
        module_at("710", "77A"),
        module_at("740", "748"),
    )
    remember(tmp_path, [], Search.INTERRUPTED)
    assert "# under the bonnet" in path.read_text(encoding="utf-8")
    assert case_map(tmp_path).search is Search.INTERRUPTED


def test_a_name_changed_in_our_layout_survives_what_is_learned_later(tmp_path):
    remember(tmp_path, [module_at("7B0", "7B8")], Search.DONE)
    path = tmp_path / "modules.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("module 7B8", "my brakes"), encoding="utf-8"
    )
    remember(tmp_path, [Module("7B0", "7B8", "module 7B8", Language.ISO_14229)])
    assert case_modules(tmp_path) == (Module("7B0", "7B8", "my brakes", Language.ISO_14229),)


@pytest.mark.parametrize("held", [[], [BRAKES], [module_at("740", "748")]])
def test_a_module_that_listens_where_another_answers_is_not_remembered(tmp_path, held):
    """Two senders of one identifier would disturb the bus; the first one stays."""
    if held:
        remember(tmp_path, held)
    said: list[str] = []
    found = [BRAKES, module_at("7B8", "7C0"), module_at("710", "77A")]
    remember(tmp_path, found, Search.DONE, said.append)
    assert case_map(tmp_path).search is Search.DONE
    assert {m.request for m in case_modules(tmp_path)} == {
        *(m.request for m in held),
        "7B0",
        "710",
    }
    assert len(said) == 1
    assert "7B8/7C0" in said[0]


def test_a_broken_map_of_a_case_is_left_as_it_is(tmp_path):
    path = tmp_path / "modules.toml"
    path.write_text("[[module]]\nrequest = 7B0\n", encoding="utf-8")
    with pytest.raises(InputFileError, match="not valid TOML"):
        remember(tmp_path, [BRAKES], Search.DONE)
    assert path.read_text(encoding="utf-8") == "[[module]]\nrequest = 7B0\n"


def test_modules_are_named_by_address_or_name_in_any_case():
    modules = (BRAKES, module_at("710", "77A"))
    for text in ("7b0", "7B8", "Brakes", " brakes "):
        assert named(modules, text) == (BRAKES,)
    assert named(modules, "nothing") == ()


def test_merging_fills_in_what_the_first_list_does_not_know():
    first = [Module("7B0", "7B8", "module 7B8", None, System.OTHER)]
    assert merged(first, [BRAKES]) == (BRAKES,)
    own = Module("7B0", "7B8", "mine", None, System.STEERING)
    assert merged([own], [BRAKES]) == (
        Module("7B0", "7B8", "mine", Language.ISO_14229, System.STEERING),
    )
