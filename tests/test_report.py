"""The report: what it says, that it is safe, and that it stays the same."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import matplotlib.pyplot
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from poolbuilder import Pool, PoolBuilderError, Site, explore, notebook_html, write_pool
from poolbuilder import words as wording
from poolbuilder.cli import cli
from poolbuilder.pages import as_script, draw, drawings, maps, pool_page, write_page
from poolbuilder.pages.pool_page import render
from poolbuilder.records.rules import RULES
from poolbuilder.words import pool_words
from tests.pools import SITE, SPECIES, invented_pool

HOSTILE = [
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    '" onmouseover="alert(1)',
    "'><svg/onload=alert(1)>",
    "<!--",
    "]]>",
    "{{ 7*7 }}",
    "\N{LINE SEPARATOR}\N{PARAGRAPH SEPARATOR}",
    "\N{RIGHT-TO-LEFT OVERRIDE}drow",
]


class Reader(HTMLParser):
    """Collects what matters of a page."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self.text: list[str] = []
        self._in: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in {"script", "style"}:
            self._in = tag
            (self.scripts if tag == "script" else self.styles).append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == self._in:
            self._in = None

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            self.scripts[-1] += data
        elif self._in == "style":
            self.styles[-1] += data
        else:
            self.text.append(data)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    reader.close()
    return reader


def words(page: str) -> str:
    return re.sub(r"\s+", " ", " ".join(read(page).text))


@pytest.fixture(scope="module")
def pool() -> Pool:
    return invented_pool()


@pytest.fixture(scope="module")
def page(pool: Pool) -> str:
    return render(pool)


def test_same_pool_same_bytes(page: str) -> None:
    assert render(invented_pool()) == page


def test_report_says_what_a_reader_asks_for(page: str) -> None:
    text = words(page)
    assert "Marsh Hollow Lake" in text
    assert "37.6000° N, 89.2000° W" in text
    assert "Could be parents here: bluegill ( Lepomis macrochirus ), green sunfish (" in text
    assert "Four of them are recorded in the water itself, three more within 40 km (25 mi)" in text
    assert "Think first of the pairs green sunfish × bluegill" in text
    assert "Unlikely, but not ruled out: bantam sunfish 7" in text
    assert "records in all, the last of" in text  # one sentence of reason before any log-odds
    assert "Not calibrated on surveys of this region" in text
    assert "Why Lepomis macrochirus , bluegill, is at 98" in text
    assert "Invented Agency (2024). Invented lake survey." in text
    assert "CC BY 4.0" in text
    assert "a3f1" * 16 in text
    assert "changed: regionKm = 250" in text
    assert "Do not move live fish" in text
    assert "takes DNA" in text
    assert "Lepomis nemo (2)" in text


def test_every_rejected_rule_stands_with_its_title(page: str) -> None:
    titles = {rule.key: rule.title for rule in RULES}
    text = words(page)
    for key, count in (("absent", 12), ("fossil", 11), ("captive", 11)):
        assert f"{titles[key]} " in text
        assert str(count) in text
    read_, kept = re.search(r"Read ([\d,]+) = kept ([\d,]+) \+ left out 46", text).groups()  # type: ignore[union-attr]
    assert int(read_.replace(",", "")) == int(kept.replace(",", "")) + 46


def test_every_species_has_its_row_and_its_argument(page: str) -> None:
    tags = read(page).tags
    rows = [attrs for tag, attrs in tags if tag == "tr" and "data-number" in attrs]
    dossiers = [attrs for tag, attrs in tags if tag == "article"]
    assert [row["data-number"] for row in rows] == [str(number) for number in range(13)]
    assert [item["id"] for item in dossiers] == [f"why-{number}" for number in range(13)]


def test_probability_after_the_last_step_is_the_presence(pool: Pool) -> None:
    for row in pool_page.species_rows(pool):
        assert row["steps"][-1]["after"] == pytest.approx(row["presence"], abs=1e-6)


def test_the_shipped_map_lies_beneath_report_and_picture(demo_pool: Pool, tmp_path: Path) -> None:
    """Counties, states and towns without any layer of the user's."""
    page = render(demo_pool)
    for kind in ("m-county", "m-state", "m-town"):
        assert f'class="{kind}"' in page, kind
    assert ">Winona</text>" in page
    assert "GeoNames, CC BY 4.0" in page
    figure, axes = matplotlib.pyplot.subplots()
    maps._map(demo_pool, axes)
    assert "Winona" in {text.get_text() for text in axes.texts}
    matplotlib.pyplot.close(figure)


def test_nothing_in_the_page_points_outside(page: str) -> None:
    reader = read(page)
    for tag, attrs in reader.tags:
        for name in ("src", "href", "srcset", "action", "data", "poster", "background"):
            value = attrs.get(name)
            if value is not None:
                assert value.startswith("#"), f"{tag} {name}={value}"
        assert "style" not in attrs, f"{tag} has a style attribute, which the policy forbids"
        assert not [name for name in attrs if name.startswith("on")], tag
    for style in reader.styles:
        for target in re.findall(r"url\(([^)]*)\)", style):
            assert target.startswith(("data:", "#")), target
        assert "@import" not in style
    for script in reader.scripts:
        assert "sourceMappingURL" not in script


def test_policy_names_the_hash_of_every_script_and_style(page: str) -> None:
    reader = read(page)
    policy = next(attrs["content"] for tag, attrs in reader.tags if attrs.get("http-equiv"))
    assert policy is not None
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    kinds = [attrs.get("type") for tag, attrs in reader.tags if tag == "script"]
    run = [text for text, kind in zip(reader.scripts, kinds, strict=True) if kind is None]
    assert len(run) == 4
    for text in [*run, *reader.styles]:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_data_block_is_json_of_every_event(pool: Pool, page: str) -> None:
    reader = read(page)
    data = json.loads(next(text for text in reader.scripts if text.startswith("{")))
    assert len(data["events"]["longitude"]) == pool.evidence.num_rows
    assert data["species"][0] == "Lepomis macrochirus"
    assert set(data["layers"]) == {"disc", "outline", "streams", "barriers", "ranges"}
    lengths = {len(column) for name, column in data["events"].items() if name != "datasets"}
    assert lengths == {pool.evidence.num_rows}


def hostile_pool(text: str) -> Pool:
    plain = invented_pool(
        rename={"Lepomis humilis": text},
        notes=(f"missing {text}",),
        inputs=({"path": text, "sha256": text, "kind": text},),
        datasets=({"datasetKey": "ds-web", "title": text, "citation": text, "license": text},),
        checklist_name=text,
        counts={"read": 1, "kept": 1, "rejected": {text: 1}, "unknownNames": {text: 1}},
        site=Site(longitude=-89.2, latitude=37.6, name=text),
    )
    features = {layer: [dict(item) for item in items] for layer, items in plain.features.items()}
    features["streams"][0]["properties"] = {"name": text, "scientificName": text}
    return invented_pool(**{**vars(plain), "features": features})


@pytest.mark.parametrize("text", ["".join(HOSTILE[:4]), "".join(HOSTILE[4:]), HOSTILE[0]])
def test_hostile_text_is_text(text: str) -> None:
    hostile = read(render(hostile_pool(text)))
    calm = read(render(hostile_pool("Aaaa bbbb")))
    assert [tag for tag, _ in hostile.tags] == [tag for tag, _ in calm.tags]
    assert [sorted(attrs) for _, attrs in hostile.tags] == [sorted(attrs) for _, attrs in calm.tags]
    assert hostile.scripts[1:] == calm.scripts[1:]
    assert text in json.loads(hostile.scripts[0])["species"]


@given(st.text(max_size=40))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_any_text_survives_the_data_block(text: str) -> None:
    script = str(as_script({"a": [text], text: 1}))
    assert json.loads(script) == {"a": [text], text: 1}
    assert not re.search("[<>&\N{LINE SEPARATOR}\N{PARAGRAPH SEPARATOR}]", script)


@given(st.text(max_size=30), st.lists(st.text(min_size=1, max_size=6), max_size=4))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_italics_change_no_letter(text: str, names: list[str]) -> None:
    told = pool_page.italic(text, names)
    assert told.unescape().replace("<i>", "").replace("</i>", "") == text.replace("<i>", "").replace(
        "</i>", ""
    )
    assert set(re.findall(r"<[^>]*>", str(told))) <= {"<i>", "</i>"}


def test_size_of_a_usual_pool_and_of_twenty_thousand_records(page: str) -> None:
    assert len(page.encode()) < 1_000_000
    large = invented_pool(many=120)
    assert large.evidence.num_rows > 20_000
    assert len(render(large).encode()) < 5_000_000


def test_without_interval_no_whisker_and_the_words_no_interval() -> None:
    bare = invented_pool()
    rows = [row | {"presenceLow": None, "presenceHigh": None} for row in bare.candidates.to_pylist()]
    page = render(invented_pool(candidates=rows))
    assert "g-whisker" not in page.split("<body", 1)[1]
    assert "which is unknown here" in words(page)
    assert page.count(">no interval</span>") == 13
    assert "g-whisker" in render(bare).split("<body", 1)[1]


def test_calibrated_pool_shows_its_diagram() -> None:
    calibration = {
        "title": "fitted to 412 surveys",
        "words": "Fitted to 412 surveys of streams.",
        "brier": 0.09,
        "reliability": [{"predicted": 0.1, "observed": 0.12, "surveys": 50}],
    }
    page = render(invented_pool(calibration=calibration))
    assert "Fitted to 412 surveys of streams." in words(page)
    assert 'class="reliability"' in page
    assert "Not calibrated" not in words(page)


def test_every_argument_ends_with_what_would_settle_it(page: str) -> None:
    text = words(page)
    assert text.count("One more complete list of this water:") == 13
    redear = text.split("Why Lepomis microlophus")[1].split("Why Lepomis")[0]
    assert (
        "74 % if it finds the species, 24 % if it does not; below 5 % after 3 lists that miss it." in redear
    )
    bluegill = text.split("Why Lepomis macrochirus")[1].split("Why Lepomis")[0]
    assert "fifty lists that miss it would not bring it below 5 %" in bluegill


def test_non_detections_in_a_row_are_one_step_of_the_page() -> None:
    steps = [
        {"part": "status", "logOdds": -0.5, "words": "inside the extant native polygon"},
        {"part": "found", "logOdds": 3.0, "year": 1990, "events": 1},
        {"part": "time", "logOdds": -0.4, "year": 2001},
        {"part": "notDetected", "logOdds": -1.0, "year": 2001, "events": 2},
        {"part": "time", "logOdds": -0.1, "year": 2004},
        {"part": "notDetected", "logOdds": -0.7, "year": 2004, "events": 1},
    ]
    name = "Lepomis macrochirus"
    rows = [
        {"scientificName": name, "words": step.get("words") or pool_words.argument(step), **step}
        for step in steps
    ]
    told = pool_page.species_rows(invented_pool(contributions=rows))[0]["steps"]
    assert [(pool_words.ARGUMENT[row["part"]], wording.signed(row["logOdds"])) for row in told] == [
        ("Status", "\N{MINUS SIGN}0.5"),
        ("This water", "+3.0"),
        ("This water", "\N{MINUS SIGN}2.2"),
    ]
    assert (
        told[2]["words"] == "not detected by 3 sampling events of 2001–2004 in this water, while years passed"
    )
    assert told[2]["after"] == pytest.approx(1 / (1 + 2.718281828**-0.3))


def test_pool_without_records_pairs_or_features() -> None:
    bare = invented_pool(
        evidence=[],
        contributions=[],
        crosses=[],
        features={},
        datasets=(),
        inputs=(),
        counts={"read": 0, "kept": 0},
    )
    text = words(render(bare))
    assert "No record lies within reach of this water, so there is no list and no order of pairs" in text
    assert "native here: bantam sunfish ( Lepomis symmetricus )" in text
    assert "98" not in text.split("What could be wrong")[0]
    assert "Parent pairs" not in text
    assert "No outline of the water was given" in text


def test_pool_without_species() -> None:
    text = words(render(invented_pool(candidates=[], evidence=[], contributions=[], crosses=[], status=[])))
    assert "The checklist has no species" in text


def test_doubts_name_what_is_missing() -> None:
    statuses = [row | {"rangeClass": "no_map"} for row in invented_pool().status.to_pylist()]
    doubts = pool_words.doubts(
        invented_pool(
            status=statuses,
            features={},
            notes=("all well",),
            counts={
                **invented_pool().counts,
                "unreadDates": {"records": 412, "dated": 536, "example": "4/20/2017"},
                "byWaterType": [["Lepomis gulosus", 0.7, 0.2]],
            },
        )
    )
    assert any("No range map" in text for text in doubts)
    assert any("No outline" in text for text in doubts)
    assert doubts[0].startswith("412 of 536 dates could not be read, such as '4/20/2017'")
    assert any("as a stream or river: Lepomis gulosus 70" in text for text in doubts)
    assert "all well" not in doubts


def test_findings_when_nothing_is_recorded_near() -> None:
    rows = [
        row | {"tier": "beyond" if row["presence"] > 0.1 else "none"}
        for row in invented_pool().candidates.to_pylist()
    ]
    said = pool_words.findings(invented_pool(candidates=rows))
    assert "None is recorded within 40 km (25 mi)" in said


def test_map_across_the_date_line_is_in_one_piece() -> None:
    site = Site(longitude=179.9, latitude=-17.0, radius_km=60, name="Far Water")
    ring = [[179.5, -17.4], [180.0, -17.4], [180.0, -16.6], [179.5, -16.6], [179.5, -17.4]]
    other = [[-180.0, -17.4], [-179.6, -17.4], [-179.6, -16.6], [-180.0, -16.6], [-180.0, -17.4]]
    feature = {
        "type": "Feature",
        "properties": {},
        "geometry": {"type": "MultiPolygon", "coordinates": [[ring], [other]]},
    }
    moved = invented_pool(site=site, features={"outline": [feature]}, evidence=[])
    west, _, east, _ = maps.around(moved)["outline"][0]["geometry"].bounds
    assert (west, east) == pytest.approx((179.5, 180.4))


@given(st.floats(-180, 180), st.floats(-89, 89), st.floats(0, 360), st.floats(0.1, 500))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_projection_keeps_distance_from_the_site(lon: float, lat: float, azimuth: float, km: float) -> None:
    import numpy as np
    from pyproj import Geod

    site = Site(longitude=lon, latitude=lat, radius_km=40)
    there = Geod(ellps="WGS84").fwd(lon, lat, azimuth, km * 1000)
    x, y = maps.project(np.array([there[0]]), np.array([there[1]]), site)
    assert float(np.hypot(x, y)[0]) == pytest.approx(km, rel=1e-6)


@given(
    st.floats(0, 1),
    st.one_of(st.none(), st.tuples(st.floats(0, 1), st.floats(0, 1)).map(lambda ends: tuple(sorted(ends)))),
)
@settings(deadline=None, derandomize=True, max_examples=80)
def test_gauge_grows_with_presence(presence: float, ends: tuple[float, float] | None) -> None:
    low, high = ends or (None, None)
    drawn = str(draw("gauge", presence, low, high))
    width = float(re.search(r'class="g-fill"[^>]*width="([\d.]+)"', drawn)[1])  # type: ignore[index]
    assert width == pytest.approx(max(0.8, 116 * presence), abs=0.06)
    assert ("g-whisker" in drawn) == (ends is not None)


def test_steps_begin_where_the_last_ended() -> None:
    drawn = [str(draw("step", bar)) for bar in drawings.steps([1.0, 2.0, -1.5])]
    spans = [
        (float(x), float(x) + float(width))
        for x, width in (re.search(r' x="([\d.]+)" y="6" width="([\d.]+)"', step).groups() for step in drawn)  # type: ignore[union-attr]
    ]
    assert spans[1][0] == pytest.approx(spans[0][1], abs=0.2)
    assert spans[2][1] == pytest.approx(spans[1][1], abs=0.2)
    assert "s-against" in drawn[2]


def test_pairs_triangle_has_a_cell_for_every_pair(pool: Pool) -> None:
    drawn = str(pool_page.triangle(pool))
    assert drawn.count("p-cell") == 13 * 12 // 2
    assert drawn.count("p-known") == 4


def test_notebook_fragment_has_no_script(pool: Pool) -> None:
    fragment = read(notebook_html(pool))
    assert not fragment.scripts
    assert "Could be parents here" in words(notebook_html(pool))


def test_explore_frames_the_page(pool: Pool) -> None:
    frame = read(explore(pool)._repr_html_())
    (tag, attrs) = frame.tags[0]
    assert tag == "iframe"
    assert attrs["srcdoc"] == render(pool, view="map")


@pytest.mark.parametrize("ending", maps.FORMATS)
def test_picture_is_the_same_twice(pool: Pool, ending: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("picture")
    first = maps.picture(pool, folder / f"a{ending}").read_bytes()
    assert first == maps.picture(pool, folder / f"b{ending}").read_bytes()
    assert first[:4] == {".png": b"\x89PNG", ".svg": b"<?xm", ".pdf": b"%PDF"}[ending]


def test_picture_of_another_kind_is_refused(pool: Pool, tmp_path_factory: pytest.TempPathFactory) -> None:
    with pytest.raises(PoolBuilderError, match=r"cannot be a \.gif"):
        maps.picture(pool, tmp_path_factory.mktemp("picture") / "a.gif")


def test_plot_draws_a_bar_for_every_species(pool: Pool) -> None:
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots()
    assert maps.plot(pool, axes) is axes
    assert len(axes.patches) == len(SPECIES)
    plt.close(figure)


def test_write_page_leaves_the_old_page_when_it_cannot_write(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("page")
    write_page("one", folder / "report.html")
    with pytest.raises(UnicodeEncodeError):
        write_page("two \ud800", folder / "report.html")
    assert (folder / "report.html").read_text() == "one"
    assert [path.name for path in folder.iterdir()] == ["report.html"]
    with pytest.raises(PoolBuilderError, match="cannot be written"):
        write_page("one", folder / "report.html" / "in a file.html")


def test_report_command_makes_page_and_picture(pool: Pool, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("command")
    write_pool(pool, folder / "pool")
    ran = CliRunner().invoke(cli, ["report", str(folder / "pool")])
    assert ran.exit_code == 0, ran.output
    assert words((folder / "pool" / "report.html").read_text()) == words(render(pool))
    ran = CliRunner().invoke(
        cli, ["report", str(folder / "pool"), "--picture", str(folder / "pool_rows.png")]
    )
    assert ran.exit_code == 0, ran.output
    assert (folder / "pool_rows.png").stat().st_size > 10_000


def test_site_without_a_name_is_called_by_its_coordinates() -> None:
    unnamed = Site(longitude=SITE.longitude, latitude=SITE.latitude)
    assert "37.6000° N, 89.2000° W: candidate parents" in render(invented_pool(site=unnamed))


def test_findings_when_no_species_is_likely() -> None:
    rows = [row | {"presence": 0.002, "tier": "none"} for row in invented_pool().candidates.to_pylist()]
    said = pool_words.findings(invented_pool(candidates=rows))
    assert said.startswith("None of the 13 species on the checklist reaches one chance in ten here; none is")
    assert "pair" not in said


def test_undated_events_are_said_and_not_drawn() -> None:
    rows = [
        row | {"year": None, "ageYears": None, "eventDate": None, "logOdds": 0.0}
        for row in invented_pool().evidence.to_pylist()
    ]
    page = render(invented_pool(evidence=rows))
    text = words(page)
    assert "All of the events have no date" in text
    assert "No event is dated." in text
    assert "The 5 nearest of 61 events; they count together" in text
    assert "events per" not in page


def test_a_page_is_made_without_pandas_and_matplotlib() -> None:
    code = (
        "import sys; from tests.pools import invented_pool; from poolbuilder.pages.pool_page import render; "
        "render(invented_pool()); print([name for name in ('pandas', 'geopandas', 'scipy', 'matplotlib', "
        "'pyogrio') if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
