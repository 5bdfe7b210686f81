"""The page's form for one fish: what it offers, what it answers, what it gives back."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest

from poolbuilder import write_pool
from poolbuilder.fish.characters import read_traits
from poolbuilder.web.views import application
from poolbuilder.web.workspace import Workspace
from tests.pools import invented_pool
from tests.test_page import KEY, PORT, TOKEN, Client

HERE = f"/{TOKEN}/fish"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Client:
    folder: Path = tmp_path_factory.mktemp("page")
    write_pool(invented_pool(), folder / KEY, pages={"report.html": "a page"})
    workspace = Workspace(store=folder / "store", folder=folder)
    return Client(application(workspace, token=TOKEN, port=PORT))


def test_the_form_asks_for_every_character(client: Client) -> None:
    answer = client.get(f"{HERE}?key={KEY}")
    assert answer.status_code == 200
    assert "Marsh Hollow Lake" in answer.text
    names = set(re.findall(r'name="(\w+)"', answer.text))
    for character in read_traits().characters:
        if character.kind != "ratio":
            assert character.key in names or {f"{character.key}_{side}" for side in character.sides} <= names
    assert {"standard_length_mm", "sex", "photos", "f1Share"} <= names


def test_every_state_is_drawn_and_several_stand_on_one_fish(client: Client) -> None:
    form = client.get(f"{HERE}?key={KEY}").text
    for character in read_traits().characters:
        for state in character.states:
            assert f'name="{character.key}" value="{state}"' in form
    assert form.count('<svg class="character"') >= sum(len(each.states) for each in read_traits().characters)
    sent = client.post(
        HERE,
        content=f"key={KEY}&name=two&flank_marks=bars&flank_marks=orange_spots",
        headers={"content-type": "application/x-www-form-urlencoded"},
    )
    assert sent.status_code == 303
    assert "bars and orange spots" in client.get(f"/{TOKEN}/{sent.headers['location']}").text
    again = client.get(f"/{TOKEN}/{sent.headers['location'].replace('fish=', 'edit=')}").text
    assert len(re.findall(r'name="flank_marks" value="(?:bars|orange_spots)" checked', again)) == 2


def test_the_report_leads_to_the_form(client: Client) -> None:
    assert f'href="fish?key={KEY}"' in client.get(f"/{TOKEN}/list?key={KEY}").text


def test_a_fish_is_weighed(client: Client) -> None:
    fields = {
        "key": KEY, "name": "fish <9>", "sex": "male", "standard_length_mm": "142,5", "dorsal_rays": "11",
        "anal_rays": "10", "sure_anal_rays": "0.5", "pectoral_tip": "blunt", "f1Share": "0.3",
        "photos": "side.jpg\nflap.jpg", "flap_edge": "",
    }  # fmt: skip
    sent = client.post(HERE, data=fields)
    assert sent.status_code == 303
    answer = client.get(f"/{TOKEN}/{sent.headers['location']}")
    assert answer.status_code == 200
    assert "fish &lt;9&gt;" in answer.text
    again = client.get(f"/{TOKEN}/{sent.headers['location'].replace('fish=', 'edit=')}")
    assert 'name="dorsal_rays" value="11"' in again.text
    kept = re.search(r"fish=([\w-]+)", sent.headers["location"])[1]  # type: ignore[index]
    assert client.get(f"/{TOKEN}/fish/{KEY}/{kept}/posterior.csv").text.startswith("\ufeffhypothesis")
    assert client.get(f"/{TOKEN}/fish/{KEY}/{kept}/notes.json").status_code == 404
    assert kept in client.get(f"{HERE}?key={KEY}").text
    assert "142.5 mm standard length" in html.unescape(answer.text)
    assert "50\N{NO-BREAK SPACE}%" in answer.text
    assert 'href="flap.jpg"' in answer.text
    assert "Hybrids hold 0.3 of the weight" in answer.text


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("anal_spines", "7", "anal spines: 7 is not possible"),
        ("dorsal_rays", "eleven", "dorsal rays = 'eleven' is not a number"),
        ("pectoral_tip", "square", "pectoral tip = 'square' is not a state of it"),
        ("f1Share", "lots", "share of hybrids: 'lots' is not a number"),
        ("f1Share", "7", "share of hybrids: 7 is out of bounds"),
        ("dorsal_rays", "9" * 400, "dorsal rays = inf is not a number"),
        ("standard_length_mm", "9" * 5000, "standard length = inf is not a number"),
        ("f1Share", "9" * 400, "share of hybrids: inf is"),
    ],
)
def test_what_is_wrong_comes_back_with_the_form_as_it_was(
    client: Client, field: str, value: str, message: str
) -> None:
    answer = client.post(HERE, data={"key": KEY, "name": "fish 3", "anal_rays": "10", field: value})
    assert answer.status_code == 422
    assert message in html.unescape(answer.text)
    assert 'value="fish 3"' in answer.text
    assert 'name="anal_rays" value="10"' in answer.text


def test_every_wrong_field_is_marked_at_once(client: Client) -> None:
    answer = client.post(HERE, data={"key": KEY, "anal_spines": "7", "dorsal_rays": "eleven", "f1Share": "7"})
    assert answer.status_code == 422
    for field in ("anal_spines", "dorsal_rays", "f1Share"):
        assert f'id="{field}-fault"' in answer.text
        assert f'aria-describedby="{field}-fault"' in answer.text
        assert f'href="#{field}"' in answer.text
    assert "3 fields cannot be read" in answer.text


def test_what_would_tell_most_is_asked_first(client: Client) -> None:
    form = client.get(f"{HERE}?key={KEY}").text
    assert form.index("they would tell most here") < form.index("Measures in millimetres")


def test_without_a_pool_there_is_no_form(client: Client) -> None:
    for answer in (client.get(f"{HERE}?key=none"), client.post(HERE, data={"key": "../x"})):
        assert answer.status_code == 404
        assert "there is no pool" in answer.text
        assert 'name="dorsal_rays"' not in answer.text


def test_strangers_cannot_post(client: Client) -> None:
    assert client.post(HERE, data={"key": KEY}, headers={"origin": "https://example.org"}).status_code == 403
