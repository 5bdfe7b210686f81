"""What a person with one fish asks, through the command line: both questions, hybrids, several fish, photographs."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest

from poolbuilder import write_pool
from poolbuilder.cli import main
from tests.pools import invented_pool

BETWEEN = """
[fish]
name = "{name}"
sex = "male"
[seen]
standard_length_mm = 142
dorsal_rays = 11
anal_rays = 10
lateral_line_scales = 45
maxilla_reach = "front of pupil"
pectoral_tip = "blunt"
flap_edge = "narrow pale"
dorsal_blotch = "distinct"
fin_edges = "yellow_orange"
gill_rakers_lower = 11
"""
CROSS = "Lepomis cyanellus × Lepomis macrochirus"


@pytest.fixture(scope="module")
def pool(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pool(invented_pool(), tmp_path_factory.mktemp("pools") / "marsh")


@pytest.fixture
def ask(pool: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]):  # type: ignore[no-untyped-def]
    """Run ``specimen`` on notes, each text a file of its own; what it prints, in one line."""

    def run(*notes: str, more: tuple[object, ...] = ()) -> str:
        paths = []
        for number, text in enumerate(notes):
            paths.append(tmp_path / f"{number}.toml")
            paths[-1].write_text(text, encoding="utf-8")
        with pytest.raises(SystemExit) as left:
            main([str(each) for each in ("specimen", pool, *paths, *more)])
        out = capsys.readouterr()
        assert left.value.code == 0, out.err
        return out.out if "--format" in more or "--field-sheet" in more else " ".join(out.out.split())

    return run


def _rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(text.splitlines()))


# -- two questions, one control ------------------------------------------------------------


def test_both_questions_are_answered_and_one_control_moves_both(ask) -> None:  # type: ignore[no-untyped-def]
    seen = r"any fish of this water \(hybrids ([\d.]+) .*? fits no species \(hybrids ([\d.]+)\)"
    few, many = (re.search(seen, ask(BETWEEN, more=("--f1-share", share))) for share in ("0.02", "0.2"))
    assert few
    assert many
    assert (few[1], many[1]) == ("0.02", "0.2")
    for found in (few, many):
        odds = 16 * float(found[1]) / (1 - float(found[1]))
        assert float(found[2]) == pytest.approx(odds / (1 + odds), abs=0.01)


def test_is_it_of_this_genus_at_all_stands_first_where_a_character_is_odd(ask) -> None:  # type: ignore[no-untyped-def]
    for text, first in (("[seen]\nanal_spines = 4", True), (BETWEEN, False)):
        doubts = ask(text).split("doubt: ")[1:]
        assert sum(each.startswith("Is it a Lepomis at all?") for each in doubts) == 1
        assert any(doubts[i].startswith("Is it a Lepomis") for i in ((0, 1) if first else (-1,)))
        for other in ("rock bass", "crappie", "young bass", "banded sunfish"):
            assert other in " ".join(doubts)


# -- hybrids -------------------------------------------------------------------------------


# Smitherman & Hester 1962 (Trans. Am. Fish. Soc. 91, abstract): counts of five hybrids of
# bluegill, redear and redbreast were generally intermediate.
def test_a_count_between_two_parents_points_to_their_cross(ask) -> None:  # type: ignore[no-untyped-def]
    parents = ("Lepomis cyanellus", "Lepomis humilis")

    def against(scales: int) -> list[float]:
        text = f"[seen]\nlateral_line_scales = {scales}"
        rows = {
            row["hypothesis"]: float(row["posterior"]) for row in _rows(ask(text, more=("--format", "csv")))
        }
        return [rows[" × ".join(parents)] / rows[name] for name in parents]

    between, green, orange = against(42), against(50), against(34)
    assert between[0] > green[0]
    assert between[1] > orange[1]


# The warmouth's tongue teeth are lost in its hybrids (from memory in the table, marked so).
def test_what_hybrids_lose_speaks_less_against_the_parent(ask) -> None:  # type: ignore[no-untyped-def]
    text = ask("[seen]\ntongue_teeth = false\nmaxilla_reach = 'middle of eye'")
    assert "which its hybrids commonly lose" in text
    rows = {
        row["hypothesis"]: row for row in _rows(ask("[seen]\ntongue_teeth = false", more=("--format", "csv")))
    }

    def moved(name: str) -> float:
        return float(rows[name]["posterior"]) / float(rows[name]["prior"])

    assert moved("Lepomis cyanellus × Lepomis gulosus") > 4 * moved("Lepomis gulosus")


def test_later_crosses_are_a_caution_with_odds_and_no_hypotheses(ask) -> None:  # type: ignore[no-untyped-def]
    text = ask(BETWEEN)
    odds = re.search(
        r"Later crosses look like anything: .*? (?:an F2|a backcross to \S+ \S+) has odds of ([\d.e-]+)", text
    )
    assert odds
    assert 0 < float(odds[1]) < 1
    rows = _rows(ask(BETWEEN, more=("--format", "csv")))
    assert not any("F2" in row["hypothesis"] or "backcross" in row["hypothesis"] for row in rows)


def test_an_intergrade_is_named_as_between_its_forms(ask, shared_data: Path) -> None:  # type: ignore[no-untyped-def]
    """Measured fish between two forms of longear: GitHub manolofperez/CNN_SNPs_Traits."""
    counts = (
        "dorsal_spines", "dorsal_rays", "anal_rays", "lateral_line_scales", "cheek_scale_rows",
        "standard_length_mm",
    )  # fmt: skip
    with (shared_data / "fish_measured" / "longear_complex.csv").open(encoding="utf-8", newline="") as stream:
        rows = [
            row for row in csv.DictReader(stream) if row["namedAs"] == "intergrade Ozark form x megalotis"
        ]
    named = 0
    for row in rows[:8]:
        text = "[seen]\n" + "\n".join(f"{key} = {row[key]}" for key in counts)
        text += f"\npectoral_rays_left = {row['pectoral_rays']}\nflap_length = 'very long'\nflap_edge = 'narrow pale'"
        found = re.search(r"form: between (.*?) and (.*?) \(", ask(text))
        named += bool(found and {"Ozark form", "megalotis in the strict sense"} & {found[1], found[2]})
    assert named >= 5


# -- photographs, and how sure -------------------------------------------------------------


def test_what_a_photograph_does_not_show_is_left_out(ask) -> None:  # type: ignore[no-untyped-def]
    few, more = (
        "[seen]\nflank_marks = 'bars'",
        "[seen]\nflank_marks = 'bars'\ndorsal_rays = ''\npectoral_tip = '?'",
    )
    assert ask(few, more=("--format", "csv")) == ask(more, more=("--format", "csv"))


def test_unsure_moves_the_answer_less_and_says_why(ask) -> None:  # type: ignore[no-untyped-def]
    def share(sure: str) -> float:
        text = f"[seen]\ntongue_teeth = {{ value = 'present', sure = '{sure}', why = 'a quick feel' }}"
        rows = _rows(ask(text, more=("--format", "csv")))
        return sum(float(row["posterior"]) for row in rows if "gulosus" in row["hypothesis"])

    assert share("sure") > share("fairly sure") > share("unsure") > 0.05
    assert "not sure, a quick feel" in ask(
        "[seen]\ntongue_teeth = { value = 'present', sure = 'unsure', why = 'a quick feel' }"
    )


# -- the field sheet, several fish, a second opinion ---------------------------------------


def test_the_field_sheet_holds_six_to_eight_drawn_characters_with_blanks(pool, ask) -> None:  # type: ignore[no-untyped-def]
    page = ask(more=("--field-sheet",))
    looks = re.findall(r"<li><b>(.*?)</b>(.*?)</li>", page, re.DOTALL)
    assert 6 <= len(looks) <= 8
    for name, look in looks:
        assert "<svg" in look, name
        assert "☐" in look or "&#9744;" in look, name
    known = ask("[seen]\ndorsal_blotch = 'absent'\nmaxilla_reach = 'past middle'", more=("--field-sheet",))
    assert "Reach of the upper jaw" not in known  # what was seen is not asked again


def test_several_fish_of_one_water_make_the_same_cross_likelier(ask, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    alone = {
        row["hypothesis"]: float(row["posterior"]) for row in _rows(ask(BETWEEN, more=("--format", "csv")))
    }
    several = _rows(
        ask(
            *(BETWEEN.format(name=f"fish {n}") for n in range(4)),
            more=("--format", "csv", "--out", tmp_path / "o"),
        )
    )
    assert [row["fish"] for row in several] == ["fish 0", "fish 1", "fish 2", "fish 3"]
    for row in several:
        places = [rank for rank in ("first", "second") if row[rank] == CROSS]
        assert places
        assert float(row[f"{places[0]}Posterior"]) > alone[CROSS]
    assert (tmp_path / "o" / "answers.csv").exists()


@pytest.mark.parametrize(
    ("place", "told", "kept"),
    [
        ("none", "", "Sedge Bay"),
        ("degree", "38, -89 (± 0.5°)", "Sedge Bay"),
        ("tenth", "(± 0.05°)", "Sedge Bay"),
        ("exact", "Sedge Bay", ""),
    ],
)
def test_a_second_opinion_tells_the_place_no_finer_than_chosen(
    ask,
    tmp_path: Path,
    place: str,
    told: str,
    kept: str,  # type: ignore[no-untyped-def]
) -> None:
    text = BETWEEN.format(name="fish 7").replace(
        "[seen]", 'place = "Sedge Bay"\nobserver = "K. Example"\n[seen]'
    )
    ask(text, more=("--out", tmp_path / "out", "--place", place))
    page = (tmp_path / "out" / "second_opinion.html").read_text(encoding="utf-8")
    site = json.loads(json.dumps(invented_pool().site.latitude))
    for words in ("lateral-line scales", "45", "What would decide", CROSS.split(" × ")[0], "The pool"):
        assert words in page
    assert told in page
    assert not kept or kept not in page
    assert (f"{site:.4f}" in page) == (place == "exact")
    assert "K. Example" not in page
