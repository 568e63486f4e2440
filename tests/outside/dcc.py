"""Certificates as XML against the open schema of Digital Calibration Certificates, by programs that are not ours.

usage: dcc.py SCHEMA_FOLDER FILE.xml ...

SCHEMA_FOLDER holds dcc.xsd 3.3.0 with what it imports. Each document is validated by xmlschema and by lxml (libxml2); the
units are read by dsiunits; the lists, whose lengths the schema does not check, are counted; and the numbers are compared with
the certificate's CSV beside it. Then each document is broken in ways that one of them has to notice.

Messages go to standard error; the last line of standard output is JSON. Exit status 0 if all is well, 1 if not.
"""

import csv
import io
import json
import sys
from pathlib import Path

import xmlschema
from dsi_unit import DsiUnit
from lxml import etree

SI = "{https://ptb.de/si}"
DCC = "{https://ptb.de/dcc}"
# A column of the CSV for each kind of quantity.
COLUMNS = {
    "calwright_frequency": "frequency_hz",
    "calwright_acceleration": "acceleration_mps2_peak",
    "calwright_displacement": "displacement_mm_peak",
    "calwright_magnitude": "sensitivity_per_mps2",
    "calwright_magnitudeOwn": "sensitivity_own_per_mps2",
    "calwright_phase": "phase_deg",
    "calwright_deviation": "deviation_percent",
}
# What a broken document looks like: text, and what stands in its place.
BREAKS = [
    ("<dcc:coreData>", "<dcc:coreDate>"),
    ("<dcc:mandatoryLangCodeISO639_1>", "<dcc:mandatoryLangCodeISO639_1>x"),
    ("\\hertz", "\\herz"),
    ("<dcc:beginPerformanceDate>2", "<dcc:beginPerformanceDate>x"),
    ("</si:valueExpandedMUXMLList>", " 1</si:valueExpandedMUXMLList>"),
    ("<si:coverageFactorXMLList>", "<si:coverageFactorXMLList>0.5 "),
]


class Judge:
    """The validators, made once."""

    def __init__(self, folder: Path):
        schema = folder / "dcc.xsd"
        self.one = xmlschema.XMLSchema(str(schema), allow="local")
        self.other = etree.XMLSchema(etree.parse(str(schema)))

    def complaints(self, text: str) -> list[str]:
        """Everything that is wrong with a document."""
        try:
            tree = etree.fromstring(text.encode())
        except etree.XMLSyntaxError as error:
            return [f"no XML: {error}"]
        wrong = [f"xmlschema: {e.reason}" for e in self.one.iter_errors(io.StringIO(text))]
        if not self.other.validate(tree):
            wrong += [f"lxml: {e.message}" for e in self.other.error_log]
        wrong += [f"dsiunits: {u}" for u in units(tree) if not DsiUnit(u).valid]
        return wrong + lengths(tree)


def units(tree) -> list[str]:
    found = tree.iter(SI + "unitXMLList")
    return [unit for node in found for unit in (node.text or "").split()]


def words(node, name: str) -> list[str]:
    found = next(node.iter(name), None)
    return (found.text or "").split() if found is not None else []


def lengths(tree) -> list[str]:
    """Lists of one result are equally long, and each uncertainty has its value."""
    wrong = []
    for group in tree.iter(DCC + "list"):
        sizes = set()
        for quantity in group.findall(DCC + "quantity"):
            real = quantity.find(SI + "realListXMLList")
            if real is None:
                sizes.add(len(words(quantity, DCC + "charsXMLList")))
                continue
            count = len(words(real, SI + "valueXMLList"))
            sizes.add(count)
            for name in ("valueExpandedMUXMLList", "coverageFactorXMLList"):
                if len(words(real, SI + name)) not in (0, 1, count):
                    wrong.append(f"{name} of {quantity.get('refType')} has another length")
        if len(sizes) > 1:
            wrong.append(f"lists of different lengths: {sorted(sizes)}")
    return wrong


def disagreements(tree, rows: list[dict]) -> list[str]:
    """Numbers of the XML that are not those of the CSV."""
    accepted = [row for row in rows if row["status"] == "accepted"]
    wrong = []
    for quantity in tree.iter(DCC + "quantity"):
        for kind in (quantity.get("refType") or "").split():
            if kind in COLUMNS:
                ours = words(quantity, SI + "valueXMLList")
                if ours != [row[COLUMNS[kind]] for row in accepted]:
                    wrong.append(f"{kind} differs from the CSV")
    return wrong


def main() -> int:
    judge = Judge(Path(sys.argv[1]).resolve())
    said = {"documents": 0, "points": 0, "broken": 0, "wrong": 0}
    for name in sys.argv[2:]:
        text = Path(name).read_text(encoding="utf-8")
        with open(Path(name).with_suffix(".csv"), encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        wrong = judge.complaints(text) + disagreements(etree.fromstring(text.encode()), rows)
        said["documents"] += 1
        said["points"] += len(rows)
        for old, new in BREAKS:
            if old in text:
                said["broken"] += 1
                if not judge.complaints(text.replace(old, new, 1)):
                    wrong.append(f"{new!r} in place of {old!r} is taken")
        said["wrong"] += len(wrong)
        for what in wrong:
            print(f"{name}: {what}", file=sys.stderr)
    print(json.dumps(said))
    return 1 if said["wrong"] or not said["documents"] else 0


if __name__ == "__main__":
    sys.exit(main())
