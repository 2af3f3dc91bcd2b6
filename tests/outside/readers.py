"""What the demo's notebook exports, read by other people's libraries. Run by `.ci/run` in the demo's folder."""

import csv
import json
import pathlib
import sys
import xml.etree.ElementTree as ET

import jsonschema
import pymupdf
import tifffile
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

dwc = "{http://rs.tdwg.org/dwc/text/}"
meta = ET.parse("dwc/meta.xml").getroot()
for part in (meta.find(f"{dwc}core"), meta.find(f"{dwc}extension")):
    location = part.find(f"{dwc}files/{dwc}location").text
    with open(f"dwc/{location}", encoding="utf-8", newline="") as table:
        rows = list(csv.reader(table))
    for field in part.findall(f"{dwc}field"):
        assert rows[0][int(field.get("index"))] == field.get("term").rsplit("/", 1)[1], field.attrib
    assert all(len(row) == len(rows[0]) for row in rows)
print("Darwin Core: meta.xml names the columns that are there")
