"""The controlled vocabularies against the lists that TDWG publishes."""

from __future__ import annotations

import pytest

from poolbuilder.names.vocabularies import (
    BASIS_OF_RECORD,
    DEGREE_OF_ESTABLISHMENT,
    ESTABLISHMENT_MEANS,
    PATHWAY,
    fold,
    read_term,
)

# Source: http://rs.tdwg.org/dwcem/values/, http://rs.tdwg.org/dwcdoe/values/ and
# http://rs.tdwg.org/dwcpw/values/; strings of the column controlled_value_string, for
# pathway with the number of the concept and its broader concept.
PATHWAY_PUBLISHED = {
    "releaseInNature": (
        "biologicalControl erosionControl fisheryInTheWild hunting landscapeImprovement "
        "conservationOrWildlifeManagement releasedForUse otherIntentionalRelease"
    ),
    "escapeFromConfinement": (
        "agriculture aquacultureMariculture publicGardenZooAquaria pet farmedAnimals forestry fur horticulture "
        "ornamentalNonHorticulture research liveFoodLiveBait otherEscape"
    ),
    "transportContaminant": (
        "contaminantNursery contaminateBait foodContaminant contaminantOnAnimals parasitesOnAnimals "
        "contaminantOnPlants parasitesOnPlants seedContaminant timberTrade transportationHabitatMaterial"
    ),
    "transportStowaway": (
        "fishingEquipment containerBulk hitchhikersAirplane hitchhikersShip machineryEquipment people "
        "packingMaterial ballastWater hullFouling vehicles otherTransport"
    ),
    "corridor": "waterwaysBasinsSeas tunnelsBridges",
    "unaided": "naturalDispersal",
}


def test_establishment_means_has_seven_terms() -> None:
    published = (
        "native nativeReintroduced introduced introducedAssistedColonisation vagrant uncertain nativeEndemic"
    )
    assert list(ESTABLISHMENT_MEANS) == published.split()
    assert len(ESTABLISHMENT_MEANS) == 7


def test_degree_of_establishment_has_eleven_terms() -> None:
    published = (
        "native captive cultivated released failing casual reproducing established colonising invasive "
        "widespreadInvasive"
    )
    assert list(DEGREE_OF_ESTABLISHMENT) == published.split()
    assert len(DEGREE_OF_ESTABLISHMENT) == 11


def test_pathway_has_fifty_three_terms_in_three_levels() -> None:
    third = " ".join(PATHWAY_PUBLISHED.values()).split()
    assert len(third) == 44
    assert len(PATHWAY_PUBLISHED) == 6
    assert list(PATHWAY[-44:]) == third
    assert list(PATHWAY[3:9]) == list(PATHWAY_PUBLISHED)
    assert set(PATHWAY[:3]) == {"intentional", "unintentional", "corridorAndDispersal"}
    assert len(PATHWAY) == len(set(PATHWAY)) == 53


def test_the_published_spelling_is_kept() -> None:
    """`contaminateBait` is spelt so in the published list (concept p022, contaminated bait)."""
    assert "contaminateBait" in PATHWAY
    assert "contaminantBait" not in PATHWAY


@pytest.mark.parametrize(
    "vocabulary", [ESTABLISHMENT_MEANS, DEGREE_OF_ESTABLISHMENT, PATHWAY, BASIS_OF_RECORD]
)
def test_any_case_and_separator_reads_the_term(vocabulary: tuple[str, ...]) -> None:
    assert len({fold(term) for term in vocabulary}) == len(vocabulary)
    for term in vocabulary:
        spaced = "".join(f"_{letter}" if letter.isupper() else letter for letter in term)
        for given in (term, term.upper(), spaced.upper(), f"dwc:{term}", f"  {term} "):
            assert read_term(given, vocabulary) == term
    assert read_term("none of these", vocabulary) is None
    assert read_term(None, vocabulary) is None


def test_the_aggregators_spelling_of_basis_of_record() -> None:
    """Source: enumeration BasisOfRecord of the GBIF API library."""
    spelt = (
        "PRESERVED_SPECIMEN FOSSIL_SPECIMEN LIVING_SPECIMEN OBSERVATION HUMAN_OBSERVATION MACHINE_OBSERVATION "
        "MATERIAL_SAMPLE LITERATURE MATERIAL_CITATION OCCURRENCE"
    )
    for word in spelt.split():
        assert read_term(word, BASIS_OF_RECORD) == word.title().replace("_", "")
