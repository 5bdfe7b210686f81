"""What is known of a water, and a catch, written on the page: they count as ``--known`` and ``--catch`` do."""

from __future__ import annotations

import datetime
import html
import json
import re
import time
from pathlib import Path

import pytest

from poolbuilder import Job, Site, Store
from poolbuilder.web.views import application
from poolbuilder.web.workspace import Workspace
from tests.test_page import PORT, TOKEN, Client

ASKED = {
    "at": "36.9, -91.2",
    "name": "Mill Pond",
    "radiusKm": "40",
    "asOf": "2026-06-01",
    "checklist": "lepomis",
}
WRITTEN = {
    "known-scientificName-0": "longear sunfish",
    "known-what-0": "listed",
    "known-date-0": "2019",
    "known-source-0": "lake list <2019>, page 4",
    "known-scientificName-3": "Lepomis gulosus",
    "known-what-3": "absent",
    "catch-date": "2026-05-20",
    "catch-gear": "boat electrofishing",
    "catch-hours": "1.5",
    "catch-scientificName-0": "bluegill",
    "catch-individualCount-0": "12",
    "catch-scientificName-1": "redear sunfish",
    "catch-individualCount-1": "0",
}


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    folder: Path = tmp_path_factory.mktemp("notes")
    (folder / "pools").mkdir()
    (folder / "a.csv").write_text(
        "occurrenceID,scientificName,decimalLatitude,decimalLongitude,eventDate\n"
        + "".join(
            f"{n},Lepomis {'cyanellus' if n % 2 else 'macrochirus'},36.{900 + n},-91.2,20{n:02d}-05-01\n"
            for n in range(10, 20)
        )
    )
    Store(folder / "store").add([folder / "a.csv"])
    return Workspace(store=folder / "store", folder=folder / "pools")


@pytest.fixture
def client(workspace: Workspace) -> Client:
    return Client(application(workspace, token=TOKEN, port=PORT))


def test_what_is_written_counts_as_the_options_of_the_command_do(
    client: Client, workspace: Workspace
) -> None:
    sent = client.post(f"/{TOKEN}/notes", data={**ASKED, **WRITTEN})
    assert sent.status_code == 303, html.unescape(sent.text)
    address = sent.headers["location"]
    names = re.findall(r"(?:known|catch)-[0-9a-f]{12}\.csv", address)
    assert len(names) == 2
    for _ in range(300):
        answer = client.get(f"/{TOKEN}/{address}")
        if answer.status_code != 202:
            break
        time.sleep(0.1)
    assert answer.status_code == 200, html.unescape(answer.text)
    assert "lake list &lt;2019&gt;, page 4" in answer.text
    (key,) = {path.parent.name for path in workspace.folder.glob("*/pool.json")}
    made = json.loads((workspace.folder / key / "pool.json").read_text())
    files = [workspace.notes / name for name in names]
    alone = Job(
        site=Site(longitude=-91.2, latitude=36.9, radius_km=40, name="Mill Pond"),
        as_of=datetime.date(2026, 6, 1),
        store=workspace.store,
        known=[path for path in files if path.name.startswith("known")],
        catch=[path for path in files if path.name.startswith("catch")],
    ).run()
    presence = {row["scientificName"]: row["presence"] for row in alone.candidates.to_pylist()}
    for row in made["candidates"]:
        assert row["presence"] == pytest.approx(presence[row["scientificName"]], abs=1e-6)
    assert presence["Lepomis macrochirus"] > 0.9  # caught
    assert presence["Lepomis microlophus"] < presence["Lepomis megalotis"]  # looked for; on the list

    form = client.get(f"/{TOKEN}/notes{address.removeprefix('pool')}").text  # edit
    for text in ("longear sunfish", "boat electrofishing", '"1.5"', "redear sunfish", "2026-05-20"):
        assert text in form
    again = client.get(
        f"/{TOKEN}/list?key={key}"
    ).text  # as it was, and to be built again with the same notes
    for name in names:
        assert f'value="{name}"' in again


def test_every_wrong_row_is_marked_at_once_and_nothing_typed_is_lost(client: Client) -> None:
    wrong = {
        **WRITTEN,
        "known-scientificName-0": "blugil sunfish trout",
        "known-date-0": "2031",
        "known-date-3": "last summer",
        "catch-hours": "long",
        "catch-individualCount-1": "9" * 400,
    }
    answer = client.post(f"/{TOKEN}/notes", data={**ASKED, **wrong})
    assert answer.status_code == 422
    for field in (
        "known-scientificName-0",
        "known-date-0",
        "known-date-3",
        "catch-individualCount-1",
        "catch-hours",
    ):
        assert f'id="{field}-fault"' in answer.text, field
    for text in ("blugil sunfish trout", "last summer", "boat electrofishing"):
        assert f'value="{text}"' in answer.text


def test_notes_that_are_not_here_are_refused(client: Client) -> None:
    for name in ("known-0123456789ab.csv", "../../etc/passwd", "known.csv"):
        answer = client.get(f"/{TOKEN}/pool", params={**ASKED, "known": name})
        assert answer.status_code == 422
        assert "there are no notes" in answer.text
    assert client.post(f"/{TOKEN}/notes", data={**ASKED, "at": "x"}).status_code == 404


def test_the_notes_are_their_writers_alone(client: Client, workspace: Workspace) -> None:
    client.post(f"/{TOKEN}/notes", data={**ASKED, **WRITTEN})
    assert workspace.notes.stat().st_mode & 0o777 == 0o700


def test_the_form_leads_to_the_notes(client: Client) -> None:
    assert 'formaction="notes"' in client.get(f"/{TOKEN}/").text
    form = client.get(f"/{TOKEN}/notes", params=ASKED)
    assert form.status_code == 200
    assert "Mill Pond" in form.text
    assert client.get(f"/{TOKEN}/notes?at=x").status_code == 303  # the form says what is wrong
