"""Start code: is the mesh in force when the print begins?"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padsheet.patterns.bed import Bed, Code, Edits
from padsheet.patterns.errors import PadsheetError
from padsheet.scoring.startcode import check_start_code

PURGE = "G1 X10 Y5 Z0.3 F3000\nG1 X100 Y5 E12 F1200\n"

# Order as facts of the trade have it: home, load, mesh on (common practice, no source).
GOOD = {
    "plain": "M140 S60\nG28\nM420 S1\n" + PURGE,
    "with load": "G28\nM501\nM420 S1\n" + PURGE,
    "comments and case": "g28 ; home\nm420 s1 ; G28 is above\n",
    "fade height": "G28\nM420 S1 Z10\n",
    "other word": "G28\nG29 A\n",
    "home twice first": "G28 X Y\nG28 Z\nM420 S1\n",
    "off and on again": "G28\nM420 S0\nM420 S1\n",
    "shown afterwards": "G28\nM420 S1\nM420 V\nG29 S0\n",
    "off in a comment": "G28\nM420 S1\n;M420 S0\n",
    "numbered": "N1 G28*18\nN2 M420 S1*80\n",
}
WRONG = {
    "no mesh on": ("G28\n", {"no-mesh-on"}),
    "no home": ("M420 S1\n", {"no-home"}),
    "wrong order": ("M420 S1\nG28\n", {"mesh-on-before-home"}),
    "home again": ("G28\nM420 S1\nG28 Z\n", {"mesh-off-after"}),
    "zero padded": ("G28\nM420 S1\nG028\n", {"mesh-off-after"}),
    "off": ("G28\nM420 S1\nM420 S0\n", {"mesh-off-after"}),
    "reset": ("G28\nM420 S1\nG29 S5\n", {"mesh-off-after"}),
    "load": ("G28\nM420 S1\nM501\n", {"load-after"}),
    "factory settings": ("G28\nM420 S1\nM502\n", {"load-after"}),
    "in a comment only": ("G28\n; M420 S1\n", {"no-mesh-on"}),
    "show is not on": ("G28\nM420 V\n", {"no-mesh-on"}),
    "probing": ("G28\nG29\nM420 S1\n", {"probing-run"}),
    "purge first": ("G28\n" + PURGE + "M420 S1\n", {"print-before-mesh"}),
    "nothing": ("M140 S60\n", {"no-home", "no-mesh-on"}),
    "off before the first lines": (
        "G28\nM420 S1\nM420 S0\n" + PURGE,
        {"mesh-off-after", "print-before-mesh"},
    ),
    "never on, switched off": ("G28\nM420 S0\n", {"no-mesh-on"}),
}


@pytest.mark.parametrize("text", GOOD.values(), ids=GOOD.keys())
def test_good_code_passes_unchanged(text: str) -> None:
    check = check_start_code(text, Bed())
    assert check.ok, check.findings
    assert check.corrected == text
    assert all(not finding.wrong for finding in check.findings)


@pytest.mark.parametrize(("text", "codes"), WRONG.values(), ids=WRONG.keys())
def test_wrong_code_is_found_and_corrected(text: str, codes: set[str]) -> None:
    check = check_start_code(text, Bed())
    assert not check.ok
    assert {finding.code for finding in check.findings if finding.wrong} == codes
    again = check_start_code(check.corrected, Bed())
    assert again.ok, check.corrected


def test_the_corrected_code_moves_lines_and_keeps_the_rest() -> None:
    text = "M501\nM420 S1\nM140 S60\nG28 ; all axes\nM109 S210\n"
    corrected = check_start_code(text, Bed()).corrected.splitlines()
    assert corrected == [
        "M140 S60", "G28 ; all axes", "M501", "M420 S1 ; mesh on, after homing", "M109 S210",
    ]  # fmt: skip


def test_findings_name_the_line() -> None:
    (finding,) = [f for f in check_start_code("G28\nM420 S1\n\nG28 X\n", Bed()).findings if f.wrong]
    assert finding.line == 4


def test_what_goes_on_for_many_lines_is_said_once() -> None:
    findings = check_start_code("G28\nG29\n" + PURGE * 3 + "M420 S1\n", Bed()).findings
    codes = [finding.code for finding in findings if finding.wrong]
    assert sorted(codes) == ["print-before-mesh", "probing-run"]


def test_notes_are_given_with_good_code() -> None:
    codes = {f.code for f in check_start_code("M501\nG28\nM420 S1\n", Bed()).findings}
    assert codes == {"load-before-home", "load-wipes-edits", "mesh-must-be-valid"}


def test_the_profiles_own_lines_count() -> None:
    bed = Bed(code=Code(home=("HOME_ALL",), mesh_on=("MESH_LOAD", "MESH_ON")))
    assert check_start_code("HOME_ALL\nMESH_ON\n", bed).ok
    assert not check_start_code("HOME_ALL\nMESH_LOAD\n", bed).ok
    assert not check_start_code("MESH_ON\nHOME_ALL\n", bed).ok
    one = Bed(code=Code(mesh_on=("MESH_ON",)))
    assert check_start_code("G28\nMESH_ON\n", one).ok
    assert not check_start_code("G28\n", one).ok
    # A mesh that is in force by itself is so after every homing.
    always = Bed(code=Code(mesh_on=()))
    assert check_start_code("G28\n", always).ok
    assert check_start_code("G28 X Y\nG28 Z\n" + PURGE, always).ok


def test_g29_s3_sets_a_point_only_where_the_profile_says_so() -> None:
    text = "G28\nG29 S3 X1 Y1 Z0\nM420 S1\n"
    assert not check_start_code(text, Bed()).ok
    assert check_start_code(text, Bed(edits=Edits(g29_sets_points=True))).ok


def test_the_end_of_a_whole_print_is_not_start_code() -> None:
    text = "G28\nM420 S1\n" + PURGE * 60 + "G28 X0\nM420 S0\nM84\n"
    assert check_start_code(text, Bed()).ok


@pytest.mark.parametrize("text", ["", "\n\n", "; only words\n", "(nothing)\n"])
def test_no_code_at_all_is_refused(text: str) -> None:
    with pytest.raises(PadsheetError) as caught:
        check_start_code(text, Bed())
    assert caught.value.code == "start-empty"


LINES = ["G28", "G28 X Y", "M420 S1", "M420 S0", "G29 S5", "M501", "G29", "M104 S200", "; word",
         "G1 X1 Y2 E3", "G1 Z5"]  # fmt: skip


@given(lines=st.lists(st.sampled_from(LINES), max_size=9))
def test_the_corrected_code_is_always_right_and_loses_nothing_else(lines: list[str]) -> None:
    text = "M140 S60\n" + "\n".join(lines) + "\n"
    check = check_start_code(text, Bed())
    assert check_start_code(check.corrected, Bed()).ok, check.corrected
    if not check.ok:
        kept = ("M104 S200", "G1 X1 Y2 E3", "G1 Z5", "; word", "M140 S60")
        was = [line for line in text.splitlines() if line in kept]
        assert [line for line in check.corrected.splitlines() if line in kept] == was


@given(lines=st.lists(st.sampled_from(LINES), max_size=9))
def test_ok_means_in_force_by_an_independent_simulation(lines: list[str]) -> None:
    homed = on = False
    printed_off = probed = False
    for line in lines:
        if line.startswith("G28"):
            homed, on = True, False
        elif line == "M420 S1":
            on = True
        elif line in ("M420 S0", "G29 S5", "M501"):
            on = False
        elif line == "G1 X1 Y2 E3":
            printed_off |= not on
        probed |= line == "G29"
    expected = homed and on and not printed_off and not probed
    assert check_start_code("M140 S60\n" + "\n".join(lines), Bed()).ok is expected
