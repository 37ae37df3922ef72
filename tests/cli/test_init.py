"""`padsheet init`: files, words, exit status."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import padsheet.cli.init
from padsheet.cli.main import main
from padsheet.cli.questions import EDIT_STYLES, OUTSIDE, OUTSIDE_WORDS, STYLE_WORDS
from padsheet.patterns.bed import Bed
from padsheet.patterns.profile import load_bed, profile_text


def run(*arguments: object, answers: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments], input=answers)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(padsheet.cli.init, "at_terminal", lambda: True)


def test_without_options_the_default_bed_is_written(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "bed one"
    result = run("init", folder)
    assert result.exit_code == 0, result.output
    assert (folder / "bed.toml").read_text(encoding="utf-8") == profile_text()
    assert [path.name for path in folder.iterdir()] == ["bed.toml"]
    bed = load_bed(folder)
    assert bed == Bed()
    assert bed.plate.outline.x_max_mm == bed.plate.outline.y_max_mm == 220
    assert (bed.mesh.columns, bed.mesh.rows, bed.mesh.x_min_mm, bed.mesh.y_max_mm) == (
        5,
        5,
        20,
        200,
    )
    assert (bed.nozzle.bore_mm, bed.nozzle.filament_mm) == (0.4, 1.75)
    assert (bed.target.height_mm, bed.target.width_mm, bed.target.tolerance_mm) == (0.2, 0.45, 0.03)


def test_says_on_stderr_what_it_wrote_and_what_to_do_next(tmp_path: Path) -> None:
    result = run("init", tmp_path / "bed one")
    assert result.stdout == ""
    assert f"Wrote {tmp_path / 'bed one' / 'bed.toml'}" in result.stderr
    assert f"padsheet -C '{tmp_path / 'bed one'}' sheet" in result.stderr
    assert "printer's own manual comes first" in result.stderr


def test_every_option_reaches_the_profile(tmp_path: Path) -> None:
    result = run(
        *("init", tmp_path, "--size", 300, 200, "--centre-origin", "--mesh", 7, 4, "--inset", 12.5),
        *("--nozzle", 0.6, "--filament", 2.85, "--target", 0.25, "--width", 0.7),
        *("--tolerance", 0.02, "--nozzle-temp", 235, "--bed-temp", 80, "--edit-style", "custom"),
        *("--edit-template", "SETPOINT P{column1} {row1} {value_mm:.3f}", "--g29-sets-points"),
    )
    assert result.exit_code == 0, result.output
    bed = load_bed(tmp_path)
    assert (bed.plate.size_x_mm, bed.plate.size_y_mm, bed.plate.origin) == (300, 200, "centre")
    assert (bed.mesh.columns, bed.mesh.rows) == (7, 4)
    assert (bed.mesh.x_min_mm, bed.mesh.y_max_mm) == (-137.5, 87.5)
    assert (bed.nozzle.bore_mm, bed.nozzle.filament_mm) == (0.6, 2.85)
    assert (bed.target.height_mm, bed.target.width_mm, bed.target.tolerance_mm) == (0.25, 0.7, 0.02)
    assert (bed.heat.nozzle_c, bed.heat.bed_c) == (235, 80)
    assert (bed.edits.style, bed.edits.template) == (
        "custom",
        "SETPOINT P{column1} {row1} {value_mm:.3f}",
    )
    assert bed.edits.g29_sets_points


@pytest.mark.parametrize("diameter", [60, 120, 200.5, 320])
def test_a_round_plate_gets_a_mesh_that_lies_on_it(tmp_path: Path, diameter: float) -> None:
    result = run("init", tmp_path, "--round", diameter)
    assert result.exit_code == 0, result.output
    bed = load_bed(tmp_path)
    assert bed.plate.shape == "round"
    corner = (
        (bed.mesh.x_max_mm - diameter / 2) ** 2 + (bed.mesh.y_min_mm - diameter / 2) ** 2
    ) ** 0.5
    # The inset is rounded up to whole millimetres, along both axes.
    assert diameter / 2 - 15 - 2**0.5 <= corner <= diameter / 2 - 15


@pytest.mark.parametrize("bore", [0.25, 0.4, 0.6, 0.8, 1.2])
def test_another_nozzle_gets_a_first_layer_that_it_can_print(tmp_path: Path, bore: float) -> None:
    result = run("init", tmp_path, "--nozzle", bore)
    assert result.exit_code == 0, result.output
    bed = load_bed(tmp_path)
    assert bed.target.height_mm == pytest.approx(bore / 2)
    assert bed.target.width_mm == pytest.approx(1.125 * bore, abs=0.001)
    assert bed.nozzle.flat_mm >= 2 * bore


def test_folder_of_c_is_used_and_dir_is_within_it(tmp_path: Path) -> None:
    assert run("-C", tmp_path / "a", "init").exit_code == 0
    assert (tmp_path / "a" / "bed.toml").is_file()
    assert run("-C", tmp_path / "a", "init", "b").exit_code == 0
    assert (tmp_path / "a" / "b" / "bed.toml").is_file()


def test_an_existing_profile_is_kept_unless_forced(tmp_path: Path, terminal: None) -> None:
    path = tmp_path / "bed.toml"
    path.write_text("# mine\n", encoding="utf-8")
    result = run("init", tmp_path)
    assert result.exit_code == 1
    assert "profile-exists" in result.stderr
    assert "--force" in result.stderr
    assert "of the plate (x)" not in result.output, "nobody is asked for nothing"
    assert path.read_text(encoding="utf-8") == "# mine\n"
    assert run("init", tmp_path, "--size", 200, 200, "--force").exit_code == 0
    assert load_bed(path).plate.size_x_mm == 200


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--nozzle-temp", 500], ["[heat] nozzle_c", "500"]),
        (["--bed-temp", "nan"], ["[heat] bed_c", "nan"]),
        (["--round", "inf"], ["[plate] size_x_mm", "inf"]),
        (["--round", "-5"], ["[plate] size_x_mm", "-5"]),
        (["--nozzle", "nan"], ["[nozzle] bore_mm", "nan"]),
        (["--mesh", 1, 5], ["[mesh] columns", "2 to 15"]),
        (["--inset", 120], ["[mesh] inset_mm", "120"]),
        (["--edit-style", "custom", "--edit-template", "{x}"], ["[edits] template", "{x}"]),
        (["--target", 0.9], ["[target] height_mm", "0.9"]),
        (["--offset-style", "M851", "--offset-now", 99], ["[edits] offset_now_mm", "99"]),
    ],
)
def test_an_impossible_value_writes_nothing(
    tmp_path: Path, options: list[object], words: list[str]
) -> None:
    folder = tmp_path / "bed"
    result = run("init", folder, *options)
    assert result.exit_code == 1, result.output
    assert all(word in result.stderr for word in words), result.stderr
    assert "Traceback" not in result.output
    assert not folder.exists()


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--size", 200, 200, "--round", 200], "contradict"),
        (["--edit-style", "G29 S3"], "--g29-sets-points"),
        (["--edit-style", "custom"], "--edit-template"),
        (["--edit-style", "M500"], "--edit-style"),
        (["--size", 200], "--size"),
        (["--outside", "up"], "--outside"),
        (["--offset-now", 0.1], "needs --offset-style M851 or M206"),
        (["--offset-now", 0.1, "--offset-style", "hand"], "needs --offset-style M851 or M206"),
        (["--nozzle", "wide"], "--nozzle"),
    ],
)
def test_a_wrong_command_line_gives_status_2(
    tmp_path: Path, options: list[object], word: str
) -> None:
    result = run("init", *options, tmp_path / "bed")
    assert result.exit_code == 2, result.output
    assert word in result.stderr
    assert not (tmp_path / "bed").exists()


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    assert run("init", tmp_path / "file").exit_code == 1
    result = run("init", tmp_path / "file" / "bed")
    assert result.exit_code == 1
    assert "file" in result.stderr


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="needs a user with limits")
def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    result = run("init", tmp_path)
    tmp_path.chmod(0o700)
    assert result.exit_code == 1
    assert str(tmp_path) in result.stderr


def test_at_a_terminal_the_few_things_are_asked(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path, answers="300\n200 mm\n\n7\n99\n4\n\n\n65\n\ntable\n\n\n")
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    assert "Width of the plate" in result.stderr
    assert "[220]" in result.stderr
    assert "Give a whole number from 2 to 15, such as 5." in result.stderr
    bed = load_bed(tmp_path)
    assert (bed.plate.size_x_mm, bed.plate.size_y_mm) == (300, 200)
    assert (bed.mesh.columns, bed.mesh.rows, bed.mesh.x_max_mm) == (7, 4, 280)
    assert bed.edits.style == "table"
    assert bed.heat.bed_c == 65
    assert bed.screws == ()


def test_an_inset_without_room_is_asked_again(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path, answers="\n\n\n\n\n109\n32\n\n\n\n\n\n\n")
    assert result.exit_code == 0, result.output
    assert "[mesh]" in result.stderr
    assert load_bed(tmp_path).mesh.x_min_mm == 32


@pytest.mark.parametrize("count", [3, 4])
def test_screws_that_are_told_become_blocks_inside_the_plate(
    tmp_path: Path, terminal: None, count: int
) -> None:
    """Which turn raises the bed is asked as a person finds it out: by trying."""
    result = run("init", tmp_path, answers="\n" * 8 + f"2\n{count}\nM3\n1\n\n\n\n")
    assert result.exit_code == 0, result.output
    assert "Give 0, 3 or 4." in result.stderr
    assert "Turn it a little and look" in result.stderr
    assert "from below it looks the other way round" in " ".join(result.stderr.split())
    screws = load_bed(tmp_path).screws
    assert len(screws) == len({(s.x_mm, s.y_mm) for s in screws}) == count
    assert {(s.pitch_mm, s.raises) for s in screws} == {(0.5, "clockwise")}
    assert all(20 <= v <= 200 for s in screws for v in (s.x_mm, s.y_mm))
    by_name = {s.name: s for s in screws}
    assert by_name["front left"].x_mm < by_name["front right"].x_mm
    # Neither the number nor the places may be taken for known.
    assert "places of the screws are guessed" in result.stderr
    assert (tmp_path / "bed.toml").read_text().count("\n[[screw]]\n") == count


@pytest.mark.parametrize("answer", ["", "?\n3", "u", "3", "unknown"])
def test_nobody_has_to_know_which_turn_raises_the_bed(
    tmp_path: Path, terminal: None, answer: str
) -> None:
    """A guessed direction would double the tilt."""
    result = run("init", tmp_path, answers="\n" * 8 + f"4\n\n{answer}\n\n\n\n")
    assert result.exit_code == 0, result.output
    assert "3  I do not know: until bed.toml says it" in result.stderr
    assert {s.raises for s in load_bed(tmp_path).screws} == {"unknown"}
    assert "until then no direction is advised" in result.stderr
    assert "raises the bed by" not in result.stderr
    assert (tmp_path / "bed.toml").read_text().count('raises = "unknown"') == 4


def test_screws_told_by_an_option_get_no_direction_either(tmp_path: Path) -> None:
    assert run("init", tmp_path, "--screws", 4).exit_code == 0
    assert {s.raises for s in load_bed(tmp_path).screws} == {"unknown"}


@pytest.mark.parametrize("back", ["<", "back"])
def test_one_can_go_back_to_the_question_before(tmp_path: Path, terminal: None, back: str) -> None:
    # At the first there is nothing to go back to; 300 is put right at the second time.
    answers = f"{back}\n300\n200\n{back}\n{back}\n310\n\n" + "\n" * 11
    result = run("init", tmp_path, answers=answers)
    assert result.exit_code == 0, result.output
    assert result.stderr.count("< or b goes back to the question before") == 1
    assert "Width of the plate (x), mm [300]" in result.stderr
    plate = load_bed(tmp_path).plate
    assert (plate.size_x_mm, plate.size_y_mm) == (310, 200)


def test_going_back_passes_over_what_is_not_asked(tmp_path: Path, terminal: None) -> None:
    """From the way to tell a mesh value, without screws, to their number."""
    result = run("init", tmp_path, answers="\n" * 9 + "<\n3\n\n\n\n\n\n")
    assert result.exit_code == 0, result.output
    assert len(load_bed(tmp_path).screws) == 3


def test_answers_are_shown_and_can_be_changed_before_anything_is_written(
    tmp_path: Path, terminal: None
) -> None:
    # Width; screws, which ask for more; a value kept by going back; a number that is none.
    answers = "\n" * 11 + "1\n250\n9\n4\n5\n2\n2\n<\n44\n<\n\n\n"
    result = run("init", tmp_path, answers=answers)
    assert result.exit_code == 0, result.output
    assert "   1  Width of the plate (x), mm: 220\n" in result.stderr
    assert "   1  Width of the plate (x), mm: 250\n" in result.stderr
    assert "Their thread (3, 4 or 5 for M3, M4 or M5): 5" in result.stderr
    assert "Turn that raises the bed: counter-clockwise" in result.stderr
    assert "or a number from 1 to 13." in result.stderr
    assert (
        result.stderr.count("Way to set the offset of all points [") == 2
    )  # back from the end, too
    bed = load_bed(tmp_path)
    assert (bed.plate.size_x_mm, bed.plate.size_y_mm, len(bed.screws)) == (250, 220, 4)
    assert {(s.pitch_mm, s.raises) for s in bed.screws} == {(0.8, "counter-clockwise")}


def test_a_change_that_leaves_the_mesh_no_room_asks_for_the_inset(
    tmp_path: Path, terminal: None
) -> None:
    answers = "\n" * 5 + "60\n" + "\n" * 5 + "1\n100\n<\n30\n\n"
    result = run("init", tmp_path, answers=answers)
    assert result.exit_code == 0, result.output
    assert "[mesh]" in result.stderr
    assert load_bed(tmp_path).mesh.x_max_mm == 70


def test_no_at_the_end_writes_nothing(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path / "a", answers="\n" * 11 + "n\n")
    assert result.exit_code == 1
    assert result.stderr.endswith("nothing was written.\n")
    assert not (tmp_path / "a").exists()


def test_screws_of_a_round_plate_lie_on_it(tmp_path: Path) -> None:
    result = run("init", tmp_path, "--round", 200, "--centre-origin", "--screws", 3)
    assert result.exit_code == 0, result.output
    screws = load_bed(tmp_path).screws
    assert len(screws) == 3
    assert all(50 < (s.x_mm**2 + s.y_mm**2) ** 0.5 < 90 for s in screws)


@pytest.mark.parametrize("answer", ["wide", "220,5", "-5", "nan", "inf", "1e9"])
def test_what_is_no_size_is_asked_again_in_plain_words(
    tmp_path: Path, terminal: None, answer: str
) -> None:
    result = run("init", tmp_path, answers=f"{answer}\n250" + "\n" * 12)
    assert result.exit_code == 0, result.output
    assert "Give a number from 50 to 1000, such as 220." in result.stderr
    assert load_bed(tmp_path).plate.size_x_mm == 250


@pytest.mark.parametrize(("answer", "style"), [("2", "M421-offset"), ("TABLE", "table")])
def test_the_style_is_told_by_number_or_word(
    tmp_path: Path, terminal: None, answer: str, style: str
) -> None:
    result = run("init", tmp_path, answers="\n" * 9 + f"help\n9\n{answer}\n\n\n")
    assert result.exit_code == 0, result.output
    assert result.stderr.count("Give a number from 1 to 5") == 2
    assert load_bed(tmp_path).edits.style == style


def test_a_question_mark_explains_and_asks_again(tmp_path: Path, terminal: None) -> None:
    """It takes no choice, not even where one may not know."""
    answers = "\n\n?\n2\n" + "\n" * 5 + "4\n\n?\n1\n\n\n\n"
    result = run("init", tmp_path, answers=answers)
    assert result.exit_code == 0, result.output
    said = " ".join(result.stderr.split())
    assert said.count("where is X0 Y0?") == 2
    assert "Give a number from 1 to 2; Enter alone takes 1." in said
    assert said.count("Which way does a knob raise the bed?") == 2
    assert "Give a number from 1 to 3; Enter alone takes 3." in said
    assert load_bed(tmp_path).plate.origin == "centre"
    assert {s.raises for s in load_bed(tmp_path).screws} == {"clockwise"}


def test_every_style_has_its_words() -> None:
    assert tuple(STYLE_WORDS) == EDIT_STYLES


def test_enter_at_every_question_gives_the_default_bed(tmp_path: Path, terminal: None) -> None:
    assert run("init", tmp_path, answers="\n" * 12).exit_code == 0
    assert load_bed(tmp_path) == Bed()


def test_g29_is_only_taken_with_the_manuals_word(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path / "a", answers="\n" * 9 + "G29 S3\ny\n\n\n")
    assert result.exit_code == 0, result.output
    assert "probing run" in result.stderr
    assert load_bed(tmp_path / "a").edits.g29_sets_points
    # Whoever says no is asked for another style.
    result = run("init", tmp_path / "b", answers="\n" * 9 + "3\nn\n4\n\n\n")
    assert result.exit_code == 0, result.output
    assert load_bed(tmp_path / "b").edits.style == "table"
    assert not load_bed(tmp_path / "b").edits.g29_sets_points


def test_the_custom_line_is_asked_for(tmp_path: Path, terminal: None) -> None:
    line = "SETPOINT {column0} {row0} {change_mm:.2f}"
    assert run("init", tmp_path, answers="\n" * 9 + f"custom\n{line}\n\n\n").exit_code == 0
    assert load_bed(tmp_path).edits.template == line


def test_a_custom_line_that_cannot_be_filled_in_is_asked_again(
    tmp_path: Path, terminal: None
) -> None:
    line = "SETPOINT {column0} {row0} {change_mm:.2f}"
    result = run("init", tmp_path, answers="\n" * 9 + f"5\nFOO\n{{x}}\nG1 X{line}\n{line}\n\n\n")
    assert result.exit_code == 0, result.output
    assert "needs the column of the point" in result.stderr
    assert "takes M words that do none of these" in result.stderr
    assert load_bed(tmp_path).edits.template == line


def test_an_option_or_a_pipe_means_no_questions(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path / "a", "--bed-temp", 70)
    assert result.exit_code == 0, result.output
    assert "of the plate (x)" not in result.output


def test_breaking_off_writes_nothing(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path / "a", answers="300\n")
    assert result.exit_code == 1
    assert result.stderr.endswith("\nBroken off: nothing was written.\n")
    assert not (tmp_path / "a").exists()


def test_where_x0_y0_lies_is_asked_and_the_screws_follow(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path, answers="180\n180\n2\n\n\n\n\n\n3\n\n\n\n\n\n")
    assert result.exit_code == 0, result.output
    bed = load_bed(tmp_path)
    assert (bed.plate.origin, bed.mesh.x_min_mm, bed.mesh.x_max_mm) == ("centre", -70, 70)
    assert {(s.x_mm, s.y_mm) for s in bed.screws} == {(-65, -65), (65, -65), (0, 65)}
    assert "X0 Y0 in the middle" in result.stderr
    assert "coordinates of the printer" in " ".join((tmp_path / "bed.toml").read_text().split())


def test_how_the_offset_is_set_is_asked_and_can_be_told(tmp_path: Path, terminal: None) -> None:
    result = run("init", tmp_path / "a", answers="\n" * 10 + "2\n\n\n")
    assert result.exit_code == 0, result.output
    assert load_bed(tmp_path / "a").edits.offset_style == "M851"
    assert "by hand is always right" in " ".join(result.stderr.split())
    assert run("init", tmp_path / "b", answers="\n" * 12).exit_code == 0
    assert load_bed(tmp_path / "b").edits.offset_style == "hand"
    assert run("init", tmp_path / "c", "--offset-style", "M290").exit_code == 0
    assert load_bed(tmp_path / "c").edits.offset_style == "M290"


@pytest.mark.parametrize(
    ("answer", "outside"),
    [("1", "hold"), ("Extend", "extend"), ("off", "off"), ("u", "unknown"), ("", "unknown")],
)
def test_what_the_printer_does_beyond_the_mesh_is_asked_after_the_inset(
    tmp_path: Path, terminal: None, answer: str, outside: str
) -> None:
    result = run("init", tmp_path, answers="\n" * 6 + f"{answer}\n" + "\n" * 5)
    assert result.exit_code == 0, result.output
    said = " ".join(result.stderr.split())
    assert said.index("to the edge, mm") < said.index("beyond its outermost mesh points? Look in")
    assert "With hold or extend the outer pads stand on their points; else up to 18 mm" in said
    assert f"Beyond the outermost mesh points: {outside} " in said, "shown before it is written"
    assert load_bed(tmp_path).mesh.outside == outside
    # What stays unknown, and matters, is named at the end.
    assert ("outside in [mesh]" in said.partition("Look up first")[2]) == (outside == "unknown")


def test_every_word_for_what_lies_beyond_is_explained() -> None:
    assert tuple(OUTSIDE_WORDS) == OUTSIDE


def test_one_goes_back_from_the_temperature_to_what_lies_beyond(
    tmp_path: Path, terminal: None
) -> None:
    result = run("init", tmp_path, answers="\n" * 6 + "1\n<\n2\n" + "\n" * 5)
    assert result.exit_code == 0, result.output
    assert "Beyond the outermost mesh points [1]" in result.stderr
    assert load_bed(tmp_path).mesh.outside == "extend"


@pytest.mark.parametrize("style", ["M851", "M206"])
@pytest.mark.parametrize(
    ("answers", "now_mm"),
    [("-1.25", -1.25), ("0", 0.0), ("?\n0.1 mm", 0.1), ("", None), ("99\nu", None)],
)
def test_the_offset_that_the_printer_holds_is_asked_where_it_keeps_one(
    tmp_path: Path, terminal: None, style: str, answers: str, now_mm: float | None
) -> None:
    result = run("init", tmp_path, answers="\n" * 10 + f"{style}\n{answers}\n\n")
    assert result.exit_code == 0, result.output
    said = " ".join(result.stderr.split())
    assert "M851 or M206 alone, or the menu, shows it on many" in said
    shown = "unknown" if now_mm is None else f"{now_mm:g}"
    assert f"Offset that the printer holds now, mm: {shown} " in said
    asked_again = answers.startswith(("?", "99"))
    assert ("Give a number from -20 to 20, or u if you do not know it." in said) == asked_again
    edits = load_bed(tmp_path).edits
    assert (edits.offset_style, edits.offset_now_mm) == (style, now_mm)
    last = said.partition("Look up first")[2]
    assert ("the line that sets the offset with " + style in last) == (now_mm is None)


@pytest.mark.parametrize("style", ["none", "M290", "hand"])
def test_where_no_offset_is_kept_its_value_is_not_asked(
    tmp_path: Path, terminal: None, style: str
) -> None:
    result = run("init", tmp_path, answers="\n" * 10 + f"{style}\n\n")
    assert result.exit_code == 0, result.output
    assert "holds now" not in result.stderr
    assert "offset_now_mm" not in result.stderr


def test_the_value_of_one_word_is_never_taken_for_that_of_another(
    tmp_path: Path, terminal: None
) -> None:
    """From the answers back to the way, which changes: its value is asked anew."""
    answers = "\n" * 10 + "M851\n<\n\n-1.25\n11\nM206\n\n\n"
    result = run("init", tmp_path / "a", answers=answers)
    assert result.exit_code == 0, result.output
    assert "Offset that the printer holds now, mm: -1.25\n" in result.stderr
    assert "Offset that the printer holds now, mm [-1.25]" not in result.stderr
    edits = load_bed(tmp_path / "a").edits
    assert (edits.offset_style, edits.offset_now_mm) == ("M206", None)
    # By hand there is none; the same way again keeps it.
    result = run("init", tmp_path / "b", answers="\n" * 10 + "M851\n-1.25\n11\nhand\n\n")
    assert result.exit_code == 0, result.output
    assert load_bed(tmp_path / "b").edits == Bed().edits
    result = run("init", tmp_path / "c", answers="\n" * 10 + "M851\n-1.25\n11\nM851\n\n")
    assert result.exit_code == 0, result.output
    assert load_bed(tmp_path / "c").edits.offset_now_mm == -1.25


def test_options_say_what_lies_beyond_and_which_offset_is_held(tmp_path: Path) -> None:
    result = run(
        *("init", tmp_path, "--outside", "off", "--offset-style", "M206", "--offset-now", "-0.4")
    )
    assert result.exit_code == 0, result.output
    bed = load_bed(tmp_path)
    assert (bed.mesh.outside, bed.edits.offset_style, bed.edits.offset_now_mm) == (
        "off",
        "M206",
        -0.4,
    )
    last = result.stderr.partition("Look up first")[2].partition("\n")[0]
    assert "z_step_mm and z_lowest_mm in [motion]" in last
    assert "[mesh]" not in last
    assert "[edits]" not in last


def test_three_screws_may_lie_the_other_way_round(tmp_path: Path) -> None:
    three = run("init", tmp_path / "three", "--screws", 3).stderr
    assert "Two of them in front and one at the back is a guess as well" in three
    assert "the other way round" not in run("init", tmp_path / "four", "--screws", 4).stderr
