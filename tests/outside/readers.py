"""What the demo's notebook exports, read by other people's libraries. Run by `.ci/run` in the demo's folder."""

import csv
import json
import pathlib
import sys
import xml.etree.ElementTree as ET

import jsonschema
import pymupdf
import tifffile
from dwca.read import DwCAReader
from PIL import Image

root = pathlib.Path(sys.argv[1])
notebook = json.load(open("notebook.json", encoding="utf-8"))

schema = json.load(open(root / "schema" / "notebook.schema.json", encoding="utf-8"))
jsonschema.Draft202012Validator.check_schema(schema)
jsonschema.Draft202012Validator(schema).validate(notebook)
print("notebook.json fits its published schema (jsonschema)")

scale = next(m["reported"]["scale_px_per_um"] for m in notebook["measurements"] if "reported" in m)
names = [pathlib.PurePosixPath(p["path"]).stem for p in notebook["pictures"]]
assert names


def close(got, want, what):
    assert abs(got / want - 1) < 2e-4, f"{what}: {got}, want {want}"


for name in names:
    # Pillow has pHYs and JFIF density as dots per inch.
    close(Image.open(f"pictures_png/{name}.png").info["dpi"][0] / 25400, scale, "pHYs")
    jpeg = Image.open(f"pictures_jpeg/{name}.jpg")
    assert jpeg.info["jfif_unit"] == 2, "pixels per centimetre"
    close(jpeg.info["jfif_density"][0] / 1e4, scale, "JFIF density")
    with tifffile.TiffFile(f"pictures_tiff/{name}.ome.tif") as tiff:
        page = tiff.pages[0]
        assert tiff.is_ome and page.tags["ResolutionUnit"].value == 3
        n, d = page.tags["XResolution"].value
        close(n / d / 1e4, scale, "XResolution")
        space = {"o": "http://www.openmicroscopy.org/Schemas/OME/2016-06"}
        pixels = ET.fromstring(tiff.ome_metadata).find(".//o:Pixels", space)
        close(1 / float(pixels.get("PhysicalSizeX")), scale, "PhysicalSizeX")
        assert pixels.get("PhysicalSizeXUnit") == "\u00b5m"
print("the scale is read back from PNG, JPEG and TIFF (Pillow, tifffile)")

cards = sorted(pathlib.Path("cards").glob("*.pdf"))
assert len(cards) == len(notebook["animals"])
for card in cards:
    with pymupdf.open(card) as document:
        words = document[0].get_text()
        assert "µm" in words and "±" in words and "SHA-256" in "".join(p.get_text() for p in document), card
        pixels = document[0].get_pixmap(dpi=60)
        assert len(set(pixels.samples)) > 50, f"{card} is empty"
print("record cards open, their text can be searched, their pages are not empty (PyMuPDF)")

# Terms of the classes Record-level, Occurrence, MaterialEntity, Event, Location, Identification and MeasurementOrFact that an animal
# measured on a photograph may need; Darwin Core list of terms, TDWG (dist/all_dwc_vertical.csv).
TERMS = set(
    """basisOfRecord dynamicProperties occurrenceID catalogNumber recordNumber recordedBy individualCount sex lifeStage vitality
    occurrenceStatus associatedMedia occurrenceRemarks preparations disposition verbatimLabel materialEntityRemarks eventDate
    verbatimEventDate habitat samplingProtocol eventRemarks locality verbatimLocality locationRemarks identificationID
    verbatimIdentification identificationQualifier identifiedBy identificationRemarks measurementID parentMeasurementID measurementType
    verbatimMeasurementType measurementValue measurementAccuracy measurementUnit measurementDeterminedBy measurementDeterminedDate
    measurementMethod measurementRemarks""".split()
)
# Values that the standard recommends for basisOfRecord.
BASES = {"PreservedSpecimen", "FossilSpecimen", "LivingSpecimen", "MaterialSample", "HumanObservation", "MachineObservation", "Occurrence"}

dwc = "{http://rs.tdwg.org/dwc/text/}"
space = "http://rs.tdwg.org/dwc/terms/"
meta = ET.parse("dwc/meta.xml").getroot()
assert meta.tag == f"{dwc}archive"
for part in (meta.find(f"{dwc}core"), meta.find(f"{dwc}extension")):
    # The text guide's order: where the rows are, which column is the id, the fields.
    kinds = [child.tag.removeprefix(dwc) for child in part]
    assert kinds[:2] == ["files", "id" if part.tag.endswith("core") else "coreid"] and set(kinds[2:]) == {"field"}, kinds
    location = part.find(f"{dwc}files/{dwc}location").text
    raw = pathlib.Path("dwc", location).read_bytes()
    assert part.get("linesTerminatedBy") == "\\n" and b"\r\n" not in raw and raw.endswith(b"\n"), location
    rows = list(csv.reader(raw.decode(part.get("encoding")).splitlines(keepends=True)))
    for field in part.findall(f"{dwc}field"):
        term = field.get("term")
        assert term.startswith(space) and term.removeprefix(space) in TERMS, f"{term} is no term of Darwin Core"
        assert rows[0][int(field.get("index"))] == term.removeprefix(space), field.attrib
    assert all(len(row) == len(rows[0]) for row in rows)
print("Darwin Core: meta.xml is in the text guide's form, names the columns that are there, and every term is of the standard")

with DwCAReader("dwc") as archive:
    assert archive.descriptor.core.type == space + "Occurrence"
    seen, parts = {}, 0
    for row in archive:
        assert row.data[space + "basisOfRecord"] in BASES, row.data
        for fact in row.extensions:
            assert fact.rowtype == space + "MeasurementOrFact"
            data = {key.removeprefix(space): value for key, value in fact.data.items()}
            assert data["measurementID"] not in seen, "an id is there twice"
            seen[data["measurementID"]] = data
            parts += bool(data["parentMeasurementID"])
            assert data["measurementType"] and data["measurementMethod"] and data["measurementAccuracy"], data
            if data["measurementUnit"] in ("µm", "µm²") and data["measurementValue"]:
                assert float(data["measurementValue"]) > 0
    assert all(d["parentMeasurementID"] in seen for d in seen.values() if d["parentMeasurementID"])
stored = [m["reported"]["figure"] for m in notebook["measurements"] if "reported" in m]
figures = stored + [p for f in stored for p in f.get("parts", [])]
assert len(seen) == len(figures) and parts == len(figures) - len(stored), (len(seen), len(figures), parts)
values = sorted(float(d["measurementValue"]) for d in seen.values() if d["measurementValue"])
assert values == sorted(f["value"] for f in figures if f.get("value") is not None), "every figure to the last digit"
print(f"Darwin Core archive: {len(seen)} measurements, {parts} of them parts of others, to the last digit (python-dwca-reader)")
