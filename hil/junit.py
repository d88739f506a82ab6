"""Verdicts as JUnit XML: recipes by servings as test cases. Times are those of the pours, not of a clock."""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.etree import ElementTree

from dosewright.hil.avrboard.accuracy import Timing
from dosewright.hil.record import Verdict
from dosewright.hil.report import pin_timing

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit(verdicts: Sequence[Verdict], machine: str, rig: str) -> bytes:
    """The document in UTF-8. A crash of a simulated controller is an error, all else a failure."""
    suite = ElementTree.Element(
        "testsuite",
        name=_clean(f"{machine} on {rig}"),
        tests=str(len(verdicts)),
        failures=str(sum(not v.passed and not v.crashed for v in verdicts)),
        errors=str(sum(v.crashed for v in verdicts)),
        skipped="0",
        time=f"{sum(v.seconds for v in verdicts):.3f}",
    )
    when = pin_timing(verdicts)
    if when:
        properties = ElementTree.SubElement(suite, "properties")
        for what, value in _figures(when).items():
            ElementTree.SubElement(properties, "property", name=f"pin cycles, {what}", value=value)
    for verdict in verdicts:
        name = ", ".join(filter(None, (verdict.serving, verdict.by, verdict.case)))
        case = ElementTree.SubElement(
            suite,
            "testcase",
            classname=_clean(verdict.recipe),
            name=_clean(name),
            time=f"{verdict.seconds:.3f}",
        )
        if not verdict.passed:
            kind = "error" if verdict.crashed else "failure"
            failure = ElementTree.SubElement(case, kind, message=_clean(verdict.findings[0]))
            failure.text = _clean("\n".join(verdict.findings))
    root = ElementTree.Element("testsuites")
    root.append(suite)
    ElementTree.indent(root)
    document: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return document + b"\n"


def _figures(when: Timing) -> dict[str, str]:
    return {
        "worst": str(when.worst),
        "mean": f"{when.mean:.3f}",
        "skew": str(when.skew),
        "edges by how late": ", ".join(f"{late}: {edges}" for late, edges in when.histogram().items()),
    }


def _clean(text: str) -> str:
    return _NOT_XML.sub("\N{REPLACEMENT CHARACTER}", text)
