"""Unit files: what is read from them, and how mistakes are told."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldassist.cli import main
from fieldassist.deduce import unit as unit_module
from fieldassist.deduce.unit import applied, load_unit, stuck_solenoid, unit_names
from fieldassist.errors import DataFileError, UserError
from fieldassist.finding import RANGES

SHIPPED = Path(unit_module.__file__).parent / "units"
DOCUMENTED = (SHIPPED / "three_speed_simpson.toml").read_text()
SIMPSON = DOCUMENTED[DOCUMENTED.index("title = \"") :]
FOUR = (SHIPPED / "four_speed_two_sets.toml").read_text()
NAMES = {
    "three_speed_simpson", "three_speed_ravigneaux", "four_speed_ravigneaux", "four_speed_two_sets",
    "four_speed_simpson_overdrive", "six_speed_ravigneaux", "six_speed_three_sets", "eight_speed_four_sets",
}  # fmt: skip


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A shop's own folder of units."""
    monkeypatch.setenv("FIELDASSIST_HOME", str(tmp_path))
    folder = tmp_path / "units"
    folder.mkdir()
    return folder


def test_shipped_units_load(shop):
    assert set(unit_names()) == NAMES
    for name in NAMES:
        unit = load_unit(name)
        assert unit.name == name
        assert set(unit.ranges) <= set(RANGES)
        assert {"P", "R", "N", "D", "2", "1"} <= set(unit.ranges)
        assert unit.specification is not None and unit.specification.demo
        assert unit.taps["line"].readings
        for element in unit.elements.values():
            assert element.spoken
        for shift in unit.shifts:  # every shift has its speeds, faster with more pedal
            assert (shift.id, "full") in unit.specification.shifts


def test_a_shops_own_unit_is_one_file(shop):
    own = SIMPSON.replace("sun = 35, ring = 73 }\nrear", "sun = 41, ring = 73 }\nrear")
    (shop / "ours.toml").write_text(own)
    (shop / "our own-1.toml").write_text(own)
    assert "ours" in unit_names()
    assert load_unit("our own-1").name == "our own-1"
    assert load_unit("ours").ratio("1") == pytest.approx(2.7331, abs=1e-4)
    assert load_unit(shop / "ours.toml").title == load_unit("ours").title


def test_a_shops_file_goes_before_the_shipped_one(shop):
    (shop / "three_speed_simpson.toml").write_text(SIMPSON.replace("Three-speed, Simpson gearset", "Ours"))
    assert load_unit("three_speed_simpson").title == "Ours"
    assert unit_names().count("three_speed_simpson") == 1


def test_applied_elements_by_range():
    unit = load_unit("three_speed_simpson")
    assert applied(unit, "D", "1") == {"forward_clutch", "low_one_way_clutch"}
    assert applied(unit, "1", "1") == {"forward_clutch", "low_one_way_clutch", "low_reverse_band"}
    assert applied(unit, "N", "N") == frozenset()
    with pytest.raises(UserError, match=r"range 2 does not give gear '3'; it gives 1, 2"):
        applied(unit, "2", "3")
    with pytest.raises(UserError, match="no range '3'"):
        applied(unit, "3", "3")


def test_shift_overlap_is_derived():
    """Chart D0, R [S1][S2]: 1-2 applies the band, the one-way clutch lets go; 2-3 changes band for clutch."""
    first, second, third, fourth = load_unit("three_speed_simpson").shifts
    assert (first.id, first.on, first.off) == ("1-2", {"intermediate_band"}, frozenset())
    assert first.overruns == {"low_one_way_clutch"} and not first.overlap and first.up
    assert (second.id, second.on, second.off) == ("2-3", {"direct_clutch"}, {"intermediate_band"})
    assert second.overlap and not second.overruns
    assert (third.id, third.on, third.off, third.up) == ("3-2", {"intermediate_band"}, {"direct_clutch"}, False)
    assert fourth.catches == {"low_one_way_clutch"} and fourth.off == {"intermediate_band"}


def test_overdrive_direct_clutch_is_on_in_every_gear_but_fourth():
    """Chart of the Simpson unit with overdrive set, R [S2]."""
    unit = load_unit("four_speed_simpson_overdrive")
    on = {gear for gear in unit.gears if "overdrive_direct_clutch" in unit.chart[gear]}
    assert on == {"1", "2", "3", "R"}


def test_stuck_shift_solenoid_gives_the_gear_of_the_pattern():
    unit = load_unit("four_speed_two_sets")  # A on in 1 4, B on in 1 2
    assert stuck_solenoid(unit, "shift_a", False) == {"1": "2", "2": "2", "3": "3", "4": "3"}
    assert stuck_solenoid(unit, "shift_b", True) == {"1": "1", "2": "2", "3": "2", "4": "1"}
    with pytest.raises(UserError, match="no shift solenoid 'pressure_a'"):
        stuck_solenoid(load_unit("six_speed_ravigneaux"), "pressure_a", True)


# Mistakes: what is in the file, what stands there instead, the line to be named, what has to be said ------------

SECOND = '2 = ["forward_clutch", "intermediate_band"]'
THIRD, REVERSE = '3 = ["forward_clutch", "direct_clutch"]', 'R = ["direct_clutch", "low_reverse_band"]'
INPUT_SIDE = 'joins = ["input", "front.ring"]'
FRONT = "sun = 35, ring = 73 }\nrear"
MISTAKES = [
    # a chart that contradicts the kinematics: the gear is named
    (SECOND, '2 = ["forward_clutch"]', '2 = ["forward_clutch"]',
     "gear 2 in range D: one-way clutch low_one_way_clutch is not listed, but has to hold"),
    (THIRD, '3 = ["forward_clutch", "direct_clutch", "low_reverse_band"]',
     '3 = ["for', "gear 3 in range D: direct_clutch, forward_clutch, low_reverse_band together lock the gear"),
    (REVERSE, 'R = ["low_reverse_band"]', "R = [",
     "gear R in range R: with low_reverse_band the output is free"),
    (REVERSE, 'R = ["forward_clutch", "intermediate_band"]', "R = [",
     "gear R in range R: forward_clutch, intermediate_band turn the output the wrong way (ratio 1.479)"),
    (SECOND, '2 = ["forward_clutch", "direct_clutch"]', '3 = ["forward',
     "gear 3: expected a ratio below the 1.000 of gear 2, got 1.000"),
    (SECOND, '2 = ["forward_clutch", "intermediate_band", "low_one_way_clutch"]',
     '2 = ["for', "low_one_way_clutch is listed as holding, but overruns"),
    (REVERSE, 'R = ["direct_clutch", "low_reverse_band"]\nN = ["forward_clutch", '
     '"intermediate_band"]', "N = [",
     "gear N in range P: with forward_clutch, intermediate_band the output is driven"),
    ('[also.1]\n1 = ["low_reverse_band"]', '[also.1]\n1 = ["intermediate_band", "low_reverse_band"]',
     '1 = ["intermediate', "gear 1 in range 1"),
    ('holds = "rear.carrier"\nspoken = ["low one way', 'joins = ["rear.carrier", "case"]\nspoken = ["low one way',
     '1 = ["forward', "gear 1 in range D: with forward_clutch, low_one_way_clutch the output is free"),
    # names
    (INPUT_SIDE, 'joins = ["input", "front.rng"]', "front.rng",
     "element forward_clutch: 'front.rng' is neither a shaft nor a member"),
    (INPUT_SIDE, 'joins = ["input"]', 'joins = ["input"]', "expected two sides"),
    (INPUT_SIDE, 'joins = ["front.sun", "rear.sun"]', "[elements.forward_clutch]",
     "front.sun and rear.sun are one shaft already"),
    ('"rear.sun"]', '"rear.son"]', "rear.son", "shafts.sun_gear: 'rear.son' is not one of front.sun"),
    ('"rear.sun"]', '"rear.sun", "rear.ring"]', "sun_gear =", "rear.ring is on shaft output already"),
    (SECOND, '2 = ["forward_clutch", "second_band"]', "second_band",
     "chart.2: 'second_band' is not one of forward_clutch"),
    (THIRD, '5 = ["forward_clutch", "direct_clutch"]', "[chart]",
     "expected gears 1, 2 ... without a gap, got 1, 2, 5"),
    ('D = ["1", "2", "3"]', 'D = ["1", "2"]', "D = [", "ranges.D: expected every forward gear"),
    ('[also.1]\n1', '[also.1]\n2', '2 = ["low_reverse_band"]', "range 1 does not give gear 2"),
    ('tap = "forward"', 'tap = "front"', "[taps.forward]", "tap 'forward' reads elements, but no element says"),
    ('tap = "low_reverse"', 'tap = "line_2"', "[taps.low_reverse]", "no element says tap = 'low_reverse'"),
    ('released_by = "direct_clutch"', 'released_by = "direct"', "released_by", "'direct' is not an element"),
    ('cushions = ["2-3"]', 'cushions = ["2-4"]', '"2-4"', "'2-4' is not one of 1-2, 2-3, 2-1, 3-2"),
    ('kind = "clutch"', 'kind = "dog"', 'kind = "dog"', "expected one of clutch, brake, band, one_way, got 'dog'"),
    ('holds = "sun_gear"', 'hold = "sun_gear"', "[elements.intermediate_band]", "holds: missing; expected text"),
    # figures
    (FRONT, "sun = 35, ring = 30 }\nrear", "front = {", "more teeth than the sun (35), got 30"),
    (FRONT, "sun = 35.5, ring = 73 }\nrear", "front = {", "expected a whole number 1 to 999"),
    ("axle_ratio = 2.73", 'axle_ratio = "2.73"', "axle_ratio", "expected a number from 0.5 to 20, got '2.73'"),
    ("axle_ratio = 2.73", "axle_ratio = nan", "axle_ratio", "expected a number"),
    ('tyre = "205/75R15"', 'tyre = "big"', 'tyre = "big"', "expected a size such as 205/55R16"),
    ("stall_rpm = [1800, 2100]", "stall_rpm = [2100, 1800]", "stall_rpm", "expected [lowest, highest]"),
    ("1-2 = { light", "1-3 = { light", "1-3 =", "shift '1-3' is not one of"),
    ("{ light = [12, 16]", "{ lite = [12, 16]", "1-2 =", "throttle 'lite' is not one of closed, light"),
    ('shift_control = "governor"', 'shift_control = "hydraulic"', "shift_control", "expected one of governor,"),
    ('shift_control = "governor"', "", "[hydraulics]", "hydraulics.shift_control: missing"),
    ('throttle_signal = "linkage"', 'throttle_signal = "linkage"\nmodulator = true', "modulator", "unknown key"),
    ("[hydraulics]", "[hydraulic]", None, "hydraulics: missing; expected a table"),
    ('title = "Three', 'titel = "Three', None, "title: missing"),
    # not TOML
    ("[chart]", "[chart", "[chart", "expected TOML"),
    ('title = "Three-speed, Simpson gearset"', 'title = "Three', 'title = "Three', "expected TOML"),
    ("[ranges]", "[chart]", "[chart]", "expected TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line", "said"), MISTAKES)
def test_mistakes_name_file_line_and_what_was_expected(shop, old, new, line, said, capsys):
    assert old in SIMPSON
    path = shop / "ours.toml"
    path.write_text(SIMPSON.replace(old, new, 1))
    with pytest.raises(DataFileError) as caught:
        load_unit("ours")
    message = str(caught.value)
    assert "\n" not in message
    assert said in message
    if line is not None:
        number = int(re.match(re.escape(str(path)) + r":(\d+): ", message).group(1))
        assert line in path.read_text().splitlines()[number - 1]
    assert main(["gears", "ours"]) == 2
    assert capsys.readouterr().err == f"fieldassist: {message}\n"


def test_second_reading_of_a_tap_is_named_by_its_line(shop):
    path = shop / "ours.toml"
    path.write_text(SIMPSON.replace("band = [67, 79]", "band = [67]"))
    with pytest.raises(DataFileError, match=r"taps.line.readings.*expected \[lowest, highest\]") as caught:
        load_unit("ours")
    number = int(str(caught.value).split(":")[1])
    assert path.read_text().splitlines()[number - 1] == "band = [67]"


@pytest.mark.parametrize(
    "header",
    ["", "[elements.forward_clutch]", "[elements.intermediate_band]", "[hydraulics]", "[taps.line]",
     "[[taps.line.readings]]", "[specification]", "[converter]", "[solenoids.shift_a]"],
)  # fmt: skip
def test_every_key_is_documented_at_the_top_of_the_file(shop, header):
    """An unknown key is answered with the known ones; each of them is explained in the shipped file."""
    base = FOUR[FOUR.index("title = ") :] if header in ("[converter]", "[solenoids.shift_a]") else SIMPSON
    text = "bogus = 1\n" + base if not header else base.replace(header, f"{header}\nbogus = 1", 1)
    (shop / "ours.toml").write_text(text)
    with pytest.raises(DataFileError, match="bogus: unknown key") as caught:
        load_unit("ours")
    comment = DOCUMENTED[: DOCUMENTED.index("title = \"")]
    for key in str(caught.value).partition("expected one of ")[2].split(", "):
        assert re.search(rf"\b{key}\b", comment), key


@pytest.mark.parametrize(
    ("name", "said"),
    [("nonsense", "unit 'nonsense' is not known; expected one of"), ("../three_speed_simpson", "is not known"),
     ("missing.toml", "missing.toml: cannot be read"), ("", "is not known")],
)  # fmt: skip
def test_unknown_unit(shop, name, said, capsys):
    with pytest.raises(UserError, match=said):
        load_unit(name)
    assert main(["gears", name]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_not_a_text_file(shop):
    (shop / "ours.toml").write_bytes(b"\xff\xfe\x00title")
    with pytest.raises(DataFileError, match="expected UTF-8 text"):
        load_unit("ours")
    (shop / "folder.toml").mkdir()
    with pytest.raises(UserError):
        load_unit(shop / "folder.toml")


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damaged_files_never_escape_as_another_error(data, tmp_path_factory):
    """Cut, double or change a stretch of a unit file: it loads, or a UserError says why."""
    text = data.draw(st.sampled_from([SIMPSON, FOUR]))
    start = data.draw(st.integers(0, len(text) - 1))
    stop = start + data.draw(st.integers(0, 30))
    changes = ["", "0", '"', "[", "]", "= 3\n", "\n", "1", "case", "input", "é", text[start:stop] * 2]
    change = data.draw(st.sampled_from(changes))
    path = tmp_path_factory.getbasetemp() / "damaged.toml"
    path.write_text(text[:start] + change + text[stop:], encoding="utf-8")
    try:
        load_unit(path)
    except UserError as error:
        assert str(path) in str(error) and "\n" not in str(error)


# The command ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(NAMES))
def test_gears_fits_80_columns(name, capsys):
    assert main(["gears", name]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    unit = load_unit(name)
    for gear in unit.gears:
        assert f"{unit.ratio(gear):.3f}" in out
    for element in unit.elements.values():
        assert element.name in out


def test_gears_json(capsys):
    assert main(["gears", "three_speed_simpson", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["unit"] == "three_speed_simpson"
    first = data["gears"][0]
    assert first["gear"] == "1" and first["ranges"] == ["D", "2"] and first["engine_braking"] is False
    assert (first["free"], first["redundant"]) == (0, 0)
    assert data["gears"][1]["ranges"] == ["1"] and data["gears"][1]["redundant"] == 1  # band beside one-way clutch
    assert first["ratio"] == pytest.approx(2.4795, abs=1e-4)
    assert first["torques"]["drive"]["low_one_way_clutch"] == pytest.approx(1.479, abs=1e-3)
    assert first["one_way"]["drive"] == {"low_one_way_clutch": "holds"}
    assert first["one_way"]["coast"] == {"low_one_way_clutch": "overruns"}
    assert data["shifts"][1] == {
        "shift": "2-3", "on": ["direct_clutch"], "off": ["intermediate_band"], "overruns": [], "catches": [],
    }  # fmt: skip
