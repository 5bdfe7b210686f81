"""One Arrow schema per stage of the pipeline; every column says what it holds.

Column names are Darwin Core terms where one exists, otherwise lowerCamelCase with the
unit at the end.  Distances are in kilometres, uncertainty in metres (as Darwin Core has
it), probabilities from 0 to 1.  The descriptions here are the ones that the data package
and the report print.
"""

from __future__ import annotations

import pyarrow as pa

from poolbuilder.errors import TableError

TEXT = pa.string()
REAL = pa.float64()
WHOLE = pa.int32()
YES_NO = pa.bool_()
TEXTS = pa.list_(pa.string())


def _column(name: str, kind: pa.DataType, doc: str, *, required: bool = False) -> pa.Field:
    return pa.field(name, kind, nullable=not required, metadata={"doc": doc})


_RECORD_COLUMNS = [
    _column(
        "recordKey",
        TEXT,
        "Identifier within the store: the service's own, else the occurrenceID with its data set, else file and row.",
        required=True,
    ),
    _column("occurrenceID", TEXT, "Identifier given by the source."),
    _column("datasetKey", TEXT, "Identifier of the data set at the service it came from."),
    _column("datasetName", TEXT, "Name of the data set."),
    _column("institutionCode", TEXT, "Institution that holds the specimen or record."),
    _column("license", TEXT, "Licence of the record, as given."),
    _column("basisOfRecord", TEXT, "Nature of the record, as given (Darwin Core)."),
    _column("scientificName", TEXT, "Name as given; a vernacular name when no other was given."),
    _column("vernacularName", TEXT, "Vernacular name as given."),
    _column("taxonRank", TEXT, "Rank of the name as given."),
    _column("taxonKey", TEXT, "Identifier of the taxon at the service; text, never assumed to be a number."),
    _column("taxonClass", TEXT, "Class of the taxon (Darwin Core `class`)."),
    _column("family", TEXT, "Family of the taxon."),
    _column("identificationQualifier", TEXT, "Doubt expressed by the identifier, such as cf. or aff."),
    _column("identificationVerificationStatus", TEXT, "How far the identification was verified, as given."),
    _column("identifiedBy", TEXT, "Who identified the organism, as given."),
    _column("dateIdentified", TEXT, "When the organism was identified, as given."),
    _column("identificationRemarks", TEXT, "Remarks on the identification, as given."),
    _column("occurrenceRemarks", TEXT, "Remarks on the occurrence, as given."),
    _column("references", TEXT, "Page of the record at its source, as given."),
    _column("associatedMedia", TEXT, "Addresses of photographs, sounds or films, as given."),
    _column("decimalLongitude", REAL, "Degrees east, in the datum of `geodeticDatum`."),
    _column("decimalLatitude", REAL, "Degrees north, in the datum of `geodeticDatum`."),
    _column("geodeticDatum", TEXT, "Datum of the coordinates as given."),
    _column(
        "coordinateUncertaintyInMeters",
        REAL,
        "Radius around the coordinates that holds the whole location, as given.",
    ),
    _column("coordinatePrecision", REAL, "Decimal degrees to which the coordinates were rounded, as given."),
    _column(
        "coordinateDecimals",
        pa.int8(),
        "Most decimals written in either coordinate; null when the source held binary numbers.",
    ),
    _column("eventDate", TEXT, "Date or interval of the event, as given (ISO 8601 expected)."),
    _column("year", WHOLE, "Year as given."),
    _column("month", pa.int8(), "Month as given."),
    _column("day", pa.int8(), "Day as given."),
    _column("eventID", TEXT, "Identifier of the sampling event as given."),
    _column("locationID", TEXT, "Identifier of the location as given."),
    _column("locality", TEXT, "Description of the place as given."),
    _column("waterBody", TEXT, "Name of the water body as given."),
    _column("samplingProtocol", TEXT, "Method of sampling as given."),
    _column("habitat", TEXT, "Category of the habitat, such as lake or stream, as given."),
    _column(
        "isTaxonomicScopeFullyReported",
        TEXT,
        "Whether every organism of the target scope was reported (Humboldt extension), as given.",
    ),
    _column("targetTaxonomicScope", TEXT, "Taxa that were looked for (Humboldt extension), as given."),
    _column("recordedBy", TEXT, "Collectors or observers as given."),
    _column("catalogNumber", TEXT, "Number in the collection as given."),
    _column("recordNumber", TEXT, "Collector's number as given."),
    _column("individualCount", REAL, "Individuals counted; 0 can mean absence."),
    _column("organismQuantity", TEXT, "Quantity of organisms as given."),
    _column("occurrenceStatus", TEXT, "Present or absent, detected or notDetected, as given."),
    _column("establishmentMeans", TEXT, "Native or introduced at the place, as given."),
    _column("degreeOfEstablishment", TEXT, "Degree to which the organism survives and spreads, as given."),
    _column("pathway", TEXT, "Way by which the organism arrived, as given."),
    _column("dataGeneralizations", TEXT, "What was made coarser before publication, as given."),
    _column("informationWithheld", TEXT, "What was withheld, as given."),
    _column("issue", TEXT, "Flags that the service set, separated by `;`."),
    _column("modified", TEXT, "When the record was last changed at its source, as given."),
    _column("sourceFile", TEXT, "File or service query that the record came from.", required=True),
    _column("sourceRow", pa.int64(), "Row in that file, counted from 1 with the header; null for a service."),
    _column("readNote", TEXT, "What could not be read, such as a latitude that is no number, with its text."),
]

STATEMENTS = pa.schema(
    [
        _column("scientificName", TEXT, "Name as given; scientific or common.", required=True),
        _column(
            "what", TEXT, "`present`, `absent`, `stocked` or `listed` (on the agency's list).", required=True
        ),
        _column("date", TEXT, "Day, month or year of the statement (ISO 8601)."),
        _column("source", TEXT, "Who says so; the file's name when no source is named.", required=True),
        _column("waterBody", TEXT, "Water that is meant; null for the site asked about."),
    ],
    metadata={"doc": "What is known of a water without a record."},
)

RECORDS = pa.schema(_RECORD_COLUMNS, metadata={"doc": "Records as read, nothing judged."})

_NAME_COLUMNS = [
    _column(
        "role",
        TEXT,
        "`candidate` (on the checklist), `hybrid` (of at least one checklist species or genus), `group` (another name: target group), `genus` (not identified to species within a checklist genus), `unknown` (epithet not on the checklist, genus is), `none` (no readable name).",
        required=True,
    ),
    _column(
        "acceptedNames",
        TEXTS,
        "Accepted species that the name may mean in this year and place: one, several when ambiguous, the known parents of a hybrid, or none.",
        required=True,
    ),
    _column(
        "parentOrder",
        TEXT,
        "For a hybrid: `female,male`, `male,female` or null when the direction is unknown; refers to acceptedNames.",
    ),
    _column(
        "hybridFormula",
        TEXT,
        "For a hybrid with two or more known parents: formula in alphabetical order with ×.",
    ),
    _column(
        "nameMatch",
        TEXT,
        "How the name was matched: exact, synonym, subspecies, misspelt, vernacular, ambiguous, hybrid, disagreeing, none.",
    ),
    _column(
        "nameQuality", REAL, "Factor 0–1 for doubt about the name (qualifier, misspelling).", required=True
    ),
    _column("nameNote", TEXT, "What was done to the name, in words."),
]

NAMED = pa.schema([*_RECORD_COLUMNS, *_NAME_COLUMNS], metadata={"doc": "Records with their names resolved."})

_SCREEN_COLUMNS = [
    _column("rejectedBy", TEXT, "Key of the first rule that rejects the record; null when kept."),
    _column("flagged", TEXTS, "Keys of the rules that flag the record without rejecting it.", required=True),
    _column("longitude", REAL, "Degrees east, WGS84."),
    _column("latitude", REAL, "Degrees north, WGS84."),
    _column("uncertaintyM", REAL, "Radius of uncertainty used, with defaults and datum shifts applied."),
    _column(
        "uncertaintySource",
        TEXT,
        "`given`, `withheld` (generalised), `decimals` (floor by rounding) or `default` (by basis of record).",
    ),
    _column("quality", REAL, "basis × identification × flags, 0–1, without age.", required=True),
    _column("eventYear", WHOLE, "Year of the event, from eventDate, else year."),
    _column("eventDay", TEXT, "Day of the event as YYYY-MM-DD when known to the day."),
    _column("ageYears", REAL, "Years from the event to the as-of date; null when undated."),
]

SCREENED = pa.schema(
    [*_RECORD_COLUMNS, *_NAME_COLUMNS, *_SCREEN_COLUMNS],
    metadata={"doc": "Records with the rule that rejects each, if any; none dropped."},
)

_PLACE_COLUMNS = [
    _column(
        "distanceKm",
        REAL,
        "Geodesic distance to the site: to its point, or to the nearest shore of its outline (0 inside).",
    ),
    _column("insideShare", REAL, "Probability that the true location lies within the radius."),
    _column("kernel", REAL, "exp(-d / 20 km), the location's uncertainty added to the distance."),
    _column(
        "inWaterShare",
        REAL,
        "Probability that the true location lies in this water; null when no outline is known.",
    ),
    _column("byWaterKm", REAL, "Distance along the stream network; null when not snapped or not connected."),
    _column("upstreamKm", REAL, "Part of byWaterKm that runs upstream from the site towards the record."),
    _column("downstreamKm", REAL, "Part of byWaterKm that runs downstream from the site towards the record."),
    _column(
        "passability",
        REAL,
        "Product of the barriers' passabilities on the way from the record to the site; null without network.",
    ),
    _column(
        "basinRelation",
        TEXT,
        "`same`, `upstream`, `downstream`, `neighbouring` or `other` watershed; null without basins.",
    ),
]

LOCATED = pa.schema(
    [*_RECORD_COLUMNS, *_NAME_COLUMNS, *_SCREEN_COLUMNS, *_PLACE_COLUMNS],
    metadata={"doc": "Kept records with their place relative to the site."},
)

REJECTED = pa.schema(
    [*_RECORD_COLUMNS, *_NAME_COLUMNS, *_SCREEN_COLUMNS],
    metadata={"doc": "Rejected records, each with the rule that rejects it."},
)

EVIDENCE = pa.schema(
    [
        _column("scientificName", TEXT, "Accepted name of the candidate.", required=True),
        _column(
            "eventKey",
            TEXT,
            "Event: eventID with its data set, else place, day and collector.",
            required=True,
        ),
        _column(
            "kind",
            TEXT,
            "`record`, `ambiguous` (likeliest species of a name that may mean several), `possible` (another species of such a name) or `hybrid` (named as a parent).",
            required=True,
        ),
        _column("records", WHOLE, "Kept records in the event.", required=True),
        _column("longitude", REAL, "Degrees east of the event's best record, WGS84.", required=True),
        _column("latitude", REAL, "Degrees north of the event's best record, WGS84.", required=True),
        _column("distanceKm", REAL, "Geodesic distance of the best record to the site.", required=True),
        _column("byWaterKm", REAL, "Distance of the best record along the stream network."),
        _column("basinRelation", TEXT, "Watershed of the best record relative to the site's."),
        _column(
            "coordinateUncertaintyInMeters", REAL, "Uncertainty used for the best record.", required=True
        ),
        _column("eventDate", TEXT, "Day, or year, of the event."),
        _column("year", WHOLE, "Year of the event."),
        _column("ageYears", REAL, "Years before the as-of date."),
        _column("quality", REAL, "Quality of the best record, age included.", required=True),
        _column("insideShare", REAL, "Probability that the event lies within the radius.", required=True),
        _column(
            "inWaterShare",
            REAL,
            "Probability that the event was made in this water: by its outline, else by sameWaterKm, or because it names the water.",
        ),
        _column(
            "kernel",
            REAL,
            "exp(-d / 20 km) of the best record, its uncertainty added to the distance.",
            required=True,
        ),
        _column(
            "logOdds",
            REAL,
            "Share of the species' change in log-odds that the event accounts for.",
            required=True,
        ),
        _column("datasetKey", TEXT, "Data set of the best record."),
        _column("recordIDs", TEXTS, "recordKey of every record in the event.", required=True),
    ],
    metadata={"doc": "One row per species and event."},
)

CONTRIBUTIONS = pa.schema(
    [
        _column("scientificName", TEXT, "Accepted name of the candidate.", required=True),
        _column(
            "part",
            TEXT,
            "Step of the argument: `status`, `wide` and `near` (share of looked-at sites around), `waterType`, `community` (co-occurring species), then what was seen in the water itself: `found`, `notDetected`, `statement`, `time` (years that passed).",
            required=True,
        ),
        _column(
            "logOdds",
            REAL,
            "Change in log-odds by this step; the first row of a species is its starting point, and all rows sum to logit(presence).",
            required=True,
        ),
        _column("year", WHOLE, "Year of what was seen, or to which time passed."),
        _column("events", WHOLE, "Sampling events or statements behind the step."),
        _column("detected", WHOLE, "Sampling sites around at which the species was found."),
        _column("sampled", WHOLE, "Sampling sites around that were looked at."),
        _column("withinKm", REAL, "How far around these are counted."),
        _column("evidenceFor", TEXTS, "Co-occurring species that are evidence for it, strongest first."),
        _column(
            "evidenceAgainst", TEXTS, "Co-occurring species that are evidence against it, strongest first."
        ),
        _column("source", TEXT, "Who says so, for a status or a statement."),
        _column("words", TEXT, "The step in plain words.", required=True),
    ],
    metadata={"doc": "Why each presence is what it is; the parts of a species add up."},
)

STATUS = pa.schema(
    [
        _column("scientificName", TEXT, "Accepted name.", required=True),
        _column(
            "rangeClass",
            TEXT,
            "What the polygons say of presence at the place: extant (also probably_, possibly_extant), introduced, "
            "possibly_extinct, extinct, uncertain, vagrant; outside (polygons, none of presence here); no_map.",
            required=True,
        ),
        _column(
            "establishmentMeans",
            TEXT,
            "Darwin Core vocabulary at the place; `uncertain` when a polygon says so; null when unknown.",
            required=False,
        ),
        _column(
            "rangeKm", REAL, "0 inside a polygon, else distance to the nearest edge; null without a map."
        ),
        _column("words", TEXT, "The polygon's statement in plain words.", required=True),
        _column(
            "polygonsDisagree", YES_NO, "Whether polygons that hold the place say both native and introduced."
        ),
    ],
    metadata={"doc": "What the range polygons say of each species at the site."},
)

POOL = pa.schema(
    [
        _column("scientificName", TEXT, "Accepted name, without author.", required=True),
        _column("vernacularName", TEXT, "Vernacular name from the checklist."),
        _column("presence", REAL, "Probability that the species lives in this water.", required=True),
        _column(
            "presenceLow",
            REAL,
            "Lower end of the 90 % interval, from the numbers of sites looked at, how well, and the model's constants.",
        ),
        _column("presenceHigh", REAL, "Upper end of that interval."),
        _column(
            "weight", REAL, "Presence ÷ Σ presence: the candidate-parent weight; sums to 1.", required=True
        ),
        _column(
            "presenceIfFound", REAL, "Presence after one more complete list that finds the species here."
        ),
        _column("presenceIfMissed", REAL, "Presence after one more complete list that misses it."),
        _column(
            "listsToRuleOut",
            WHOLE,
            "Complete lists that have to miss it until presence is below 5 %; 0 where it is, null where 50 do not suffice.",
        ),
        _column(
            "tier",
            TEXT,
            "Strongest kind of evidence: `water`, `connected`, `radius`, `beyond`, `range` or `none`.",
            required=True,
        ),
        _column("records", WHOLE, "Kept records within the radius.", required=True),
        _column("recordsInWater", WHOLE, "Of those, in this water body; null when no outline is known."),
        _column(
            "expectedRecords",
            REAL,
            "Σ P(true location within the radius), over all kept records.",
            required=True,
        ),
        _column("events", WHOLE, "Independent events within the radius.", required=True),
        _column("nearestKm", REAL, "Geodesic distance of the nearest kept record."),
        _column("medianKm", REAL, "Median geodesic distance of the records within the radius."),
        _column("nearestByWaterKm", REAL, "Distance of the nearest kept record along the stream network."),
        _column("firstYear", WHOLE, "First year recorded within the radius."),
        _column("lastYear", WHOLE, "Last year recorded within the radius."),
        _column("establishmentMeans", TEXT, "Darwin Core vocabulary, at this place.", required=True),
        _column(
            "establishmentSource",
            TEXT,
            "`agency` (its own list), `region` (a list of the region), `record`, `polygon`, `checklist` (the species list), `shipped` (the built-in table) or `unknown`.",
            required=True,
        ),
        _column(
            "rangeKm", REAL, "0 inside a polygon, else distance to the nearest edge; null without a map."
        ),
        _column(
            "hybridRecords",
            WHOLE,
            "Hybrid records within reach that name this species as a parent.",
            required=True,
        ),
        _column("note", TEXT, "What a careful colleague would add.", required=True),
    ],
    metadata={"doc": "One row per candidate species, sorted by presence, then name."},
)

HYBRIDS = pa.schema(
    [
        _column("parents", TEXTS, "Known parents, two or more, accepted names.", required=True),
        _column("records", WHOLE, "Kept hybrid records within reach that name them.", required=True),
        _column(
            "weight",
            REAL,
            "Σ quality × expected kernel of these records: 1 is one faultless record in this water.",
            required=True,
        ),
    ],
    metadata={"doc": "Hybrid records within reach, one row per combination of parents."},
)

CROSSES = pa.schema(
    [
        _column("parent1", TEXT, "First parent in alphabetical order.", required=True),
        _column("parent2", TEXT, "Second parent; equal to parent1 for a pure species.", required=True),
        _column("formula", TEXT, "Hybrid formula `A × B`; the name alone for a pure species.", required=True),
        _column(
            "prior",
            REAL,
            "Unnormalised prior P_a P_b × viability × how often the cross is met, and what hybrid records add to it; above 1 where they show the cross.",
            required=True,
        ),
        _column(
            "weight",
            REAL,
            "Prior ÷ Σ prior; sums to 1. With pure species among the rows: prior ÷ Σ prior of its kind, times the share of that kind (`f1Share` for pairs).",
            required=True,
        ),
        _column("documented", YES_NO, "Whether a source documents the cross in nature.", required=True),
        _column(
            "frequency",
            TEXT,
            "How often the cross is met in nature: `common`, `repeated`, `single report` or `none known`; null for a pure species.",
        ),
        _column(
            "bredAndStocked",
            YES_NO,
            "Whether the cross is bred and stocked; null in pools of schemaVersion 1.0.",
        ),
        _column(
            "viability",
            TEXT,
            "Whether the cross lives, with direction, in words; `unknown` when no source says.",
            required=True,
        ),
        _column(
            "hybridRecords", WHOLE, "Kept hybrid records within reach that name both parents.", required=True
        ),
        _column("note", TEXT, "Source of what is said, and cautions.", required=True),
    ],
    metadata={"doc": "Parent pairs, sorted by weight, then formula."},
)


CHANGES = pa.schema(
    [
        _column("scientificName", TEXT, "Accepted name.", required=True),
        _column(
            "change",
            TEXT,
            "`gained` or `lost` (recorded within the radius now but not before, or the reverse), `moved` (presence changed by more than movedPresence) or `steady`.",
            required=True,
        ),
        _column(
            "presenceBefore", REAL, "Presence in the older pool; null when the species was no candidate."
        ),
        _column("presenceAfter", REAL, "Presence in the newer pool; null when it is no candidate any more."),
        _column("logOddsChange", REAL, "Change in log-odds; null unless the species is in both pools."),
        _column("recordsBefore", WHOLE, "Kept records within the radius in the older pool.", required=True),
        _column("recordsAfter", WHOLE, "Kept records within the radius in the newer pool.", required=True),
        _column("tierBefore", TEXT, "Strongest kind of evidence in the older pool."),
        _column("tierAfter", TEXT, "Strongest kind of evidence in the newer pool."),
        _column("establishmentBefore", TEXT, "establishmentMeans in the older pool."),
        _column("establishmentAfter", TEXT, "establishmentMeans in the newer pool."),
    ],
    metadata={"doc": "What changed between two pools of one water; the largest changes first."},
)

CAUSES = pa.schema(
    [
        _column("scientificName", TEXT, "Accepted name.", required=True),
        _column(
            "cause",
            TEXT,
            "`new` or `withdrawn` records, `edited` records, `status`, `surroundings` (the sampling sites around), `community`, `time` (everything is older now), `settings`, `layers`, `place`, `version` or `checklist`.",
            required=True,
        ),
        _column(
            "logOdds",
            REAL,
            "Part of the change in log-odds; the parts of a species sum to its logOddsChange. Null for a species that only one pool has.",
        ),
        _column("records", WHOLE, "Records behind the cause; null where it is not a matter of records."),
        _column("words", TEXT, "The cause in plain words.", required=True),
    ],
    metadata={"doc": "Why each presence changed; the parts add up."},
)

_WATER = _column(
    "water", WHOLE, "Number of the water: its row in the table of waters, from 1.", required=True
)
_WATER_NAME = _column("waterName", TEXT, "Name of the water as given.", required=True)

POOLS = pa.schema(
    [_WATER, _WATER_NAME, *POOL],
    metadata={"doc": "The pools of many waters: one row per water and candidate species."},
)

PAIRS = pa.schema(
    [_WATER, _WATER_NAME, *CROSSES],
    metadata={"doc": "The parent pairs of many waters."},
)

WATERS = pa.schema(
    [
        _WATER,
        _WATER_NAME,
        _column("locationID", TEXT, "What its owner calls it, from the table of waters."),
        _column("county", TEXT, "Where it lies, from the table of waters."),
        _column("longitude", REAL, "Degrees east, WGS84.", required=True),
        _column("latitude", REAL, "Degrees north, WGS84.", required=True),
        _column("radiusKm", REAL, "What counts as near.", required=True),
        _column("read", WHOLE, "Records read for the water; read = kept + rejected.", required=True),
        _column("kept", WHOLE, "Records kept, those of the wider group among them.", required=True),
        _column("rejected", WHOLE, "Records rejected.", required=True),
        _column("withinRadius", WHOLE, "Kept records of candidates within the radius.", required=True),
        _column(
            "recordedSpecies", WHOLE, "Candidates recorded in the water or within the radius.", required=True
        ),
        _column(
            "expectedSpecies", REAL, "Σ presence: how many candidates are to be expected.", required=True
        ),
        _column("topSpecies", TEXT, "The most probable candidate."),
        _column("topPresence", REAL, "Its presence."),
        _column("topPair", TEXT, "The pair of parents with the largest weight."),
        _column("topPairWeight", REAL, "Its weight."),
    ],
    metadata={"doc": "One row per water, in the order of the table of waters."},
)

TALLIES = pa.schema(
    [
        _WATER,
        _WATER_NAME,
        _column("scientificName", TEXT, "Accepted name.", required=True),
        _column("records", WHOLE, "Kept records of this name alone within the radius.", required=True),
        _column("nearestKm", REAL, "Geodesic distance of the nearest of them; null when there is none."),
        _column("firstYear", WHOLE, "First year among them; null when none is dated."),
        _column("lastYear", WHOLE, "Last year among them; null when none is dated."),
    ],
    metadata={"doc": "Plain counts of many waters: one row per water and candidate, nothing weighed."},
)

INTRODUCED = pa.schema(
    [
        _column("water", TEXT, "Name of the water as given.", required=True),
        _column("locationID", TEXT, "What its owner calls it, from the table of waters."),
        _column("county", TEXT, "Where it lies, from the table of waters."),
        _column("scientificName", TEXT, "Accepted name, without author.", required=True),
        _column("vernacularName", TEXT, "Vernacular name from the checklist."),
        _column("establishmentMeans", TEXT, "Darwin Core vocabulary, at this water.", required=True),
        _column(
            "establishmentSource",
            TEXT,
            "`agency` (its own list), `region` (a list of the region), `record`, `polygon`, `checklist` (the species list), `shipped` (the built-in table) or `unknown`.",
            required=True,
        ),
        _column("presence", REAL, "Probability that the species lives in this water.", required=True),
        _column("nearestKm", REAL, "Geodesic distance of the nearest kept record."),
        _column("nearestByWaterKm", REAL, "Distance of the nearest kept record along the stream network."),
        _column("firstYear", WHOLE, "First year recorded within the radius."),
        _column("lastYear", WHOLE, "Last year recorded within the radius."),
        _column("events", WHOLE, "Independent events within the radius.", required=True),
        _column(
            "isNew",
            YES_NO,
            "Recorded near or in the water now and not before; null when there is nothing to compare with.",
        ),
        _column(
            "news",
            TEXT,
            "Kinds of news, with ` | `: `new-in-water`, `new-near`, `more-records` (of a species known before) and `disputed`.",
        ),
        _column("newRecords", WHOLE, "Records that nobody reviewed and the last run did not have."),
        _column("grade", TEXT, "How sure the deciding record is: `sure`, `likely` or `toBeChecked`."),
        _column("gradeReasons", TEXT, "Reasons for and against it, in words."),
        _column("review", TEXT, "The youngest review: verdict, who and when."),
        _column(
            "degreeOfEstablishment",
            TEXT,
            "Darwin Core vocabulary, from the latest record that says it, else from a region's list.",
        ),
        _column("restriction", TEXT, "Said where a record behind the row may not be used commercially."),
        _column("degreeSource", TEXT, "Who says the degree: `record`, or the list by name."),
        _column("pathway", TEXT, "Darwin Core vocabulary, as records or lists give it; several with ` | `."),
        _column(
            "note",
            TEXT,
            "What is new, which sources disagree, which way along the stream network, the trend.",
            required=True,
        ),
        _column("recordKey", TEXT, "Deciding record: its key in the store."),
        _column("occurrenceID", TEXT, "Deciding record: its identifier at the source."),
        _column("link", TEXT, "Deciding record: the page where it can be read."),
        _column("datasetName", TEXT, "Deciding record: its data set."),
        _column("datasetKey", TEXT, "Deciding record: identifier of its data set."),
        _column("license", TEXT, "Deciding record: its licence."),
        _column("recordedBy", TEXT, "Deciding record: collectors or observers."),
        _column("eventDate", TEXT, "Deciding record: its date."),
        _column("decimalLongitude", REAL, "Deciding record: degrees east, WGS84."),
        _column("decimalLatitude", REAL, "Deciding record: degrees north, WGS84."),
        _column("coordinateUncertaintyInMeters", REAL, "Deciding record: uncertainty used."),
        _column("basisOfRecord", TEXT, "Deciding record: specimen, observation, ..."),
        _column("identificationQualifier", TEXT, "Deciding record: doubt of the identifier."),
        _column("identificationVerificationStatus", TEXT, "Deciding record: how far it was verified."),
        _column("identificationRemarks", TEXT, "Deciding record: remarks on the identification."),
        _column("occurrenceRemarks", TEXT, "Deciding record: remarks on the occurrence."),
        _column("associatedMedia", TEXT, "Deciding record: addresses of photographs and other media."),
    ],
    metadata={"doc": "Introduced species recorded near a water."},
)


POSTERIOR = pa.schema(
    [
        _column(
            "hypothesis",
            TEXT,
            "What the fish may be: a species, or `A × B`.",
            required=True,
        ),
        _column("parent1", TEXT, "First parent.", required=True),
        _column("parent2", TEXT, "Second parent; equal to parent1 for a pure species.", required=True),
        _column(
            "prior", REAL, "Weight before the fish was looked at, from the pool; sums to 1.", required=True
        ),
        _column(
            "posterior", REAL, "Weight after it; sums to 1. Not a certainty: that takes DNA.", required=True
        ),
        _column("rank", WHOLE, "1 for the likeliest.", required=True),
    ],
    metadata={"doc": "What one fish may be, sorted by rank."},
)

TRAIT_EVIDENCE = pa.schema(
    [
        _column("scientificName", TEXT, "Possible parent.", required=True),
        _column("character", TEXT, "Key of the character.", required=True),
        _column("seen", TEXT, "What was seen, as it was given.", required=True),
        _column("expected", TEXT, "What the species shows.", required=True),
        _column("mark", TEXT, "How that is known: measured, read, read in part, from memory.", required=True),
        _column(
            "logOdds",
            REAL,
            "What this character alone adds to the species being a parent, alone or in a pair, at the pool's weights.",
            required=True,
        ),
        _column("added", REAL, "What it adds once all other characters are known.", required=True),
    ],
    metadata={"doc": "Trait evidence for and against each species as a parent of one fish."},
)


def check(table: pa.Table, schema: pa.Schema, stage: str) -> pa.Table:
    """Hold a stage to its contract.

    Returns
    -------
    Table
        The same table, so that the call can stand in a return.

    Raises
    ------
    TableError
        When names, order or types differ, or a required column holds a null.
    """
    if table.schema.names != schema.names:
        missing = [name for name in schema.names if name not in table.schema.names]
        extra = [name for name in table.schema.names if name not in schema.names]
        raise TableError(f"{stage}: columns differ: missing {missing}, unexpected {extra}")
    for field in schema:
        found = table.schema.field(field.name).type
        if found != field.type:
            raise TableError(f"{stage}: column {field.name} is {found}, expected {field.type}")
        if not field.nullable and table.column(field.name).null_count:
            raise TableError(f"{stage}: column {field.name} holds nulls")
    return table


def describe(schema: pa.Schema) -> dict[str, str]:
    """Column name to description, in order."""
    return {field.name: field.metadata[b"doc"].decode() for field in schema}
