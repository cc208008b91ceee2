"""A reader of Darwin Core Archives from the rules of the text guide (https://dwc.tdwg.org/text/) alone; nothing of the exporter is used.

Usage: dwca_guide.py FOLDER TERMS_FOLDER SIGHTINGS_JSON bare|full
Prints what it found, and "timecode LABEL RATE" for each timecode in the remarks of events. Exits 1 where a rule is broken.
"""
import json
import re
import sys
import xml.etree.ElementTree as ET
from datetime import datetime

folder, terms_folder, sightings_file, how = sys.argv[1:]
NS = "{http://rs.tdwg.org/dwc/text/}"
DWC = "http://rs.tdwg.org/dwc/terms/"
wrong = []


def check(fine, what):
    if not fine:
        wrong.append(what)


def listed(name):
    with open(f"{terms_folder}/{name}", encoding="utf-8") as lines:
        return [line.rstrip("\n").split("\t") for line in lines if line.strip() and not line.startswith("#")]


TERMS = {row[0] for row in listed("terms.tsv") if row[1] != "row type"}
ROW_TYPES = {row[0] for row in listed("terms.tsv") if row[1] == "row type"}
BASIS = {row[0] for row in listed("basis.txt")}
UNESCAPED = {"\\t": "\t", "\\n": "\n", "\\r": "\r"}


def read_table(element):
    """The rows of a core or extension as dictionaries from term to value, with "" for the id."""
    children = [child.tag.removeprefix(NS) for child in element]
    key = "id" if element.tag == NS + "core" else "coreid"
    check(children[:2] == ["files", key] and set(children[2:]) == {"field"}, f"order of children: {children[:4]}")
    check(element.get("rowType") in ROW_TYPES, f"row type {element.get('rowType')}")
    check(element.get("encoding") == "UTF-8", "encoding")
    locations = [location.text for location in element.iter(NS + "location")]
    check(len(locations) == 1, f"locations {locations}")
    fields = UNESCAPED.get(element.get("fieldsTerminatedBy"), element.get("fieldsTerminatedBy"))
    lines = UNESCAPED.get(element.get("linesTerminatedBy"), element.get("linesTerminatedBy"))
    check(element.get("fieldsEnclosedBy") == "", "an enclosure, which this reader does not undo")
    with open(f"{folder}/{locations[0]}", encoding="utf-8", newline="") as text:
        rows = text.read().split(lines)
    check(rows[-1] == "", f"{locations[0]}: the last line has no end")
    headers = [row.split(fields) for row in rows[: int(element.get("ignoreHeaderLines"))]]
    mapping = {}
    for field in element.iter(NS + "field"):
        term, index = field.get("term"), int(field.get("index"))
        check(term in TERMS, f"{locations[0]}: {term} is not on the list of terms")
        check(term not in mapping, f"{locations[0]}: {term} twice")
        check(headers[0][index] == term.rsplit("/", 1)[1], f"{locations[0]}: the header of column {index} is {headers[0][index]}")
        mapping[term] = index
    width = len(headers[0])
    check(sorted(mapping.values()) == list(range(width)), f"{locations[0]}: columns without a term")
    key_index = int(element.find(NS + key).get("index"))
    table = []
    for number, row in enumerate(rows[len(headers) : -1]):
        values = row.split(fields)
        check(len(values) == width, f"{locations[0]} row {number}: {len(values)} fields of {width}")
        check(not any(re.search("[\x00-\x1f]", value) for value in values), f"{locations[0]} row {number}: a control character")
        table.append({"": values[key_index], **{term: values[index] for term, index in mapping.items()}})
    return element.get("rowType").rsplit("/", 1)[1], table


def unique(rows, term, what):
    values = [row[DWC + term] for row in rows]
    check(len(set(values)) == len(values) and "" not in values, f"{what}: {term} is not unique")
    return set(values)


def instants(text, what):
    try:
        ends = [datetime.strptime(end, "%Y-%m-%dT%H:%M:%S.%fZ") for end in text.split("/")]
        check(len(ends) <= 2 and ends == sorted(ends), f"{what}: {text}")
        return ends[0], ends[-1]
    except ValueError:
        check(False, f"{what}: '{text}' is no ISO 8601 instant or interval")
        return None


def inside(child, parent):
    return child and parent and parent[0] <= child[0] and child[1] <= parent[1]


def check_events(rows):
    ids = unique(rows, "eventID", "event")
    by_id = {row[""]: row for row in rows}
    for row in rows:
        name = row[DWC + "eventID"]
        check(row[""] == name, f"{name}: id and eventID differ")
        parent = row[DWC + "parentEventID"]
        check(parent == "" or parent in ids, f"{name}: no event {parent}")
        check((parent == "") == (row[DWC + "eventType"] == "Dive"), f"{name}: parent '{parent}'")
        seen = set()
        while parent and parent not in seen:
            seen.add(parent)
            parent = by_id[parent][DWC + "parentEventID"] if parent in by_id else ""
        check(not parent, f"{name}: its parents go in a circle")
        span = instants(row[DWC + "eventDate"], name)
        if row[DWC + "parentEventID"] in by_id and row[DWC + "eventType"] == "Transect":
            check(inside(span, instants(by_id[row[DWC + "parentEventID"]][DWC + "eventDate"], name)), f"{name}: outlasts its dive")
        lat, lon = row[DWC + "decimalLatitude"], row[DWC + "decimalLongitude"]
        check(lat == "" or -90 <= float(lat) <= 90 and -180 <= float(lon) <= 180, f"{name}: {lat} {lon}")
        check((lat == "") == (lon == "") == (row[DWC + "geodeticDatum"] == ""), f"{name}: half a position")
        radius = row[DWC + "coordinateUncertaintyInMeters"]
        check(radius == "" or float(radius) > 0, f"{name}: uncertainty {radius}")
        least, most = row[DWC + "minimumDepthInMeters"], row[DWC + "maximumDepthInMeters"]
        check((least == "") == (most == "") and (least == "" or float(least) <= float(most)), f"{name}: depths {least} {most}")
        check_footprint(name, row[DWC + "footprintWKT"])
        found = re.search(r"video timecode (\S+) at (\S+)", row[DWC + "eventRemarks"])
        if found:
            print("timecode", *found.groups())
    return ids


def check_footprint(name, wkt):
    if wkt == "":
        return
    match = re.fullmatch(r"MULTILINESTRING \((\(.*\))\)", wkt)
    check(match is not None, f"{name}: {wkt[:60]}")
    for line in re.findall(r"\(([^()]*)\)", match.group(1)) if match else []:
        points = [tuple(map(float, point.split())) for point in line.split(", ")]
        check(len(points) >= 2, f"{name}: a line of {len(points)} points")
        check(all(abs(a[0] - b[0]) < 180 for a, b in zip(points, points[1:])), f"{name}: a line jumps over the antimeridian")


def check_occurrences(rows, events):
    ids = unique(rows, "occurrenceID", "occurrence")
    for row in rows:
        name = row[DWC + "occurrenceID"]
        check(row[""] == row[DWC + "eventID"] and row[""] in events, f"{name}: no event {row['']}")
        check(row[DWC + "basisOfRecord"] in BASIS, f"{name}: {row[DWC + 'basisOfRecord']}")
        check(row[DWC + "occurrenceStatus"] in ("present", "absent"), f"{name}: status")
        check(row[DWC + "scientificName"] != "", f"{name}: no scientific name")
        check(row[DWC + "verbatimIdentification"] != "", f"{name}: nothing verbatim")
        count = row[DWC + "individualCount"]
        check(count == "" or int(count) >= 1, f"{name}: count {count}")
        check((row[DWC + "materialSampleID"] != "") == (row[DWC + "basisOfRecord"] == "MaterialSample"), f"{name}: sample")
    return ids


def check_extension(rows, term, events, occurrences, references):
    if rows:
        unique(rows, term, term)
    for row in rows:
        check(row[""] == row[DWC + "eventID"] and row[""] in events, f"{row[DWC + term]}: no event {row['']}")
        for reference, needed in references:
            value = row[DWC + reference]
            check(value in occurrences or (value == "" and not needed), f"{row[DWC + term]}: no occurrence '{value}'")


def check_record(tables):
    """What stands in the database, by SQLite: one occurrence for each sighting that stands, none for the others."""
    with open(sightings_file, encoding="utf-8") as text:
        sightings = json.load(text)
    seen = {row[DWC + "recordNumber"]: row for row in tables["Occurrence"]}
    for sighting in sightings:
        row = seen.get(sighting["ref"])
        stands = sighting["state"] in ("open", "closed")
        check((row is not None) == stands, f"{sighting['ref']} is {sighting['state']}")
        if row is None:
            continue
        check(int(row[DWC + "individualCount"]) == sighting["individuals"], f"{sighting['ref']}: count")
        event = next(each for each in tables["Event"] if each[""] == row[""])
        check(sighting["timecode"] in event[DWC + "eventRemarks"], f"{sighting['ref']}: timecode {sighting['timecode']}")


def check_eml():
    root = ET.parse(f"{folder}/eml.xml").getroot()
    check(root.tag == "{https://eml.ecoinformatics.org/eml-2.2.0}eml", root.tag)
    check(root.get("packageId") and root.get("system"), "eml: packageId and system")
    order = ["alternateIdentifier", "title", "creator", "language", "abstract", "intellectualRights", "coverage", "contact", "methods"]
    children = [child.tag for child in root.find("dataset")]
    check([order.index(child) for child in children] == sorted(order.index(child) for child in children), f"eml: order {children}")
    check({"title", "creator", "contact"} <= set(children), f"eml: {children}")
    box = root.find(".//boundingCoordinates")
    sides = [child.tag for child in box]
    check(sides == [side + "BoundingCoordinate" for side in ("west", "east", "north", "south")], f"eml: {sides}")
    west, east, north, south = (float(child.text) for child in box)
    check(south <= north and west > east, "eml: this dive's box lies over the antimeridian, so its west is above its east")


def main():
    root = ET.parse(f"{folder}/meta.xml").getroot()
    check(root.tag == NS + "archive" and root.get("metadata") == "eml.xml", "meta.xml: archive")
    check([child.tag.removeprefix(NS) for child in root] == ["core"] + ["extension"] * (len(root) - 1), "meta.xml: order")
    tables = dict(read_table(child) for child in root)
    events = check_events(tables["Event"])
    occurrences = check_occurrences(tables["Occurrence"], events)
    check_extension(tables["Identification"], "identificationID", events, occurrences, [("occurrenceID", True)])
    check_extension(tables["ExtendedMeasurementOrFact"], "measurementID", events, occurrences, [("occurrenceID", False)])
    check_extension(tables["ResourceRelationship"], "resourceRelationshipID", events, occurrences,
                    [("resourceID", True), ("relatedResourceID", True)])
    check_record(tables)
    check_eml()
    media = [row[DWC + "associatedMedia"] for row in tables["Occurrence"] if row[DWC + "associatedMedia"]]
    expected = ["https://media.example.org/clips/a.mov | https://media.example.org/stills/a b.png"] if how == "full" else []
    check(media == expected, f"media {media}")
    prefix = "urn:example:hollin:" if how == "full" else ""
    check(all(row[""].startswith(prefix + "D007") for rows in tables.values() for row in rows), "a key without the prefix")
    print(f"{how}:", ", ".join(f"{len(rows)} {name}" for name, rows in tables.items()), f"rows, {len(wrong)} rules broken")
    for what in wrong[:20]:
        print(what, file=sys.stderr)
    return 1 if wrong else 0


sys.exit(main())
