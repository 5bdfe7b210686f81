"""Controlled vocabularies of Darwin Core, as published by TDWG, and how loosely they are read.

Sources: the lists of terms for ``establishmentMeans`` (http://rs.tdwg.org/dwc/doc/em/),
``degreeOfEstablishment`` (http://rs.tdwg.org/dwc/doc/doe/) and ``pathway``
(http://rs.tdwg.org/dwc/doc/pw/).  ``contaminateBait`` is spelt so there.
"""

from __future__ import annotations

from collections.abc import Collection

ESTABLISHMENT_MEANS = (
    "native",
    "nativeReintroduced",
    "introduced",
    "introducedAssistedColonisation",
    "vagrant",
    "uncertain",
    "nativeEndemic",
)

DEGREE_OF_ESTABLISHMENT = (
    "native",
    "captive",
    "cultivated",
    "released",
    "failing",
    "casual",
    "reproducing",
    "established",
    "colonising",
    "invasive",
    "widespreadInvasive",
)

PATHWAY = (
    # level 1
    "intentional", "unintentional", "corridorAndDispersal",
    # level 2
    "releaseInNature", "escapeFromConfinement", "transportContaminant", "transportStowaway", "corridor",
    "unaided",
    # level 3
    "biologicalControl", "erosionControl", "fisheryInTheWild", "hunting", "landscapeImprovement",
    "conservationOrWildlifeManagement", "releasedForUse", "otherIntentionalRelease", "agriculture",
    "aquacultureMariculture", "publicGardenZooAquaria", "pet", "farmedAnimals", "forestry", "fur",
    "horticulture", "ornamentalNonHorticulture", "research", "liveFoodLiveBait", "otherEscape",
    "contaminantNursery", "contaminateBait", "foodContaminant", "contaminantOnAnimals",
    "parasitesOnAnimals", "contaminantOnPlants", "parasitesOnPlants", "seedContaminant", "timberTrade",
    "transportationHabitatMaterial", "fishingEquipment", "containerBulk", "hitchhikersAirplane",
    "hitchhikersShip", "machineryEquipment", "people", "packingMaterial", "ballastWater", "hullFouling",
    "vehicles", "otherTransport", "waterwaysBasinsSeas", "tunnelsBridges", "naturalDispersal",
)  # fmt: skip

BASIS_OF_RECORD = (
    "MaterialEntity",
    "PreservedSpecimen",
    "FossilSpecimen",
    "LivingSpecimen",
    "MaterialSample",
    "Event",
    "HumanObservation",
    "MachineObservation",
    "Taxon",
    "Occurrence",
    "MaterialCitation",
    # spelt so by the aggregator alone, beside the Darwin Core classes
    "Observation",
    "Literature",
)


def fold(text: str | None) -> str:
    """Letters and digits only, lower-case: ``PRESERVED_SPECIMEN`` and ``PreservedSpecimen`` agree.

    A namespace in front (``dwc:``, a web address) is dropped.

    Examples
    --------
    >>> fold("dwc:Human Observation")
    'humanobservation'
    """
    if not text:
        return ""
    last = text.strip().rstrip("/#").rsplit("/", 1)[-1].rsplit("#", 1)[-1].rsplit(":", 1)[-1]
    return "".join(letter for letter in last.casefold() if letter.isalnum())


def read_term(text: str | None, vocabulary: Collection[str]) -> str | None:
    """The term of *vocabulary* that *text* spells in any case or with any separator, or None.

    Examples
    --------
    >>> read_term("INTRODUCED", ESTABLISHMENT_MEANS)
    'introduced'
    >>> read_term("native: endemic", ESTABLISHMENT_MEANS)
    """
    wanted = fold(text)
    return next((term for term in vocabulary if fold(term) == wanted), None)
