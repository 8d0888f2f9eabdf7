"""Small files that could eat a machine, each made by hand; what they hold is invented."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Iterator

import openpyxl

_HEAD = b'<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/'
_HEAD += b'2006/main"><sheetData>'
_ROWS = b'<row r="1"><c r="A1" t="inlineStr"><is><t>press</t></is></c>'
_ROWS += b'<c r="B1" t="inlineStr"><is><t>peel</t></is></c></row>'
_ROWS += b'<row r="2"><c r="A2"><v>1</v></c><c r="B2"><v>4</v></c></row>'


def plain_workbook() -> bytes:
    """A workbook of two headings and one row, as openpyxl writes it."""
    made = openpyxl.Workbook()
    made.active.append(["press", "peel"])
    made.active.append([1, 4])
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def with_part(name: str, content: bytes) -> bytes:
    """``plain_workbook`` with one part in place of its own, or added."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(plain_workbook())) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for part in old.infolist():
            if part.filename != name:
                new.writestr(part, old.read(part))
        new.writestr(name, content)
    return out.getvalue()


def with_sheet(rows: bytes, after: bytes = b"") -> bytes:
    """``plain_workbook`` with the XML of these rows, and of what follows them."""
    xml = _HEAD + rows + b"</sheetData>" + after + b"</worksheet>"
    return with_part("xl/worksheets/sheet1.xml", xml)


def _merged(reference: bytes, times: int = 1) -> bytes:
    cells = b"".join(b'<mergeCell ref="%s"/>' % reference for _ in range(times))
    return with_sheet(_ROWS, b"<mergeCells>" + cells + b"</mergeCells>")


def _strings() -> bytes:
    many = b"<si><t>a</t></si>" * 2_000_000
    return with_part(
        "xl/sharedStrings.xml",
        b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">' + many
        + b"</sst>",
    )  # fmt: skip


def _entities() -> bytes:
    lines = [b'<!DOCTYPE a [<!ENTITY e0 "boom">']
    lines += [b'<!ENTITY e%d "%s">' % (k, b"&e%d;" % (k - 1) * 10) for k in range(1, 12)]
    return with_part("xl/worksheets/sheet1.xml", b"".join(lines) + b"]><a>&e11;</a>")


def _deep() -> bytes:
    return with_part("xl/styles.xml", b"<a>" * 300_000 + b"</a>" * 300_000)


FILES: dict[str, tuple[str, Callable[[], bytes]]] = {
    "merged to the last cell": ("a.xlsx", lambda: _merged(b"A1:XFD1048576")),
    "a merged column": ("a.xlsx", lambda: _merged(b"B2:B1048576")),
    "50,000 merged cells": ("a.xlsx", lambda: _merged(b"D5:E6", 50_000)),
    "packed cells": ("a.xlsx", lambda: with_sheet(
        _ROWS + b'<row r="3">' + b'<c s="1"><v>1</v></c>' * 2_500_000 + b"</row>")),
    "packed cells, far less packed": ("a.xlsx", lambda: with_sheet(
        _ROWS + b"".join(b'<row r="%d"><c><v>%d</v></c></row>' % (k % 19_999 + 1, k * k % 99_991)
                         for k in range(600_000)))),
    "a million formatted empty rows": ("a.xlsx", lambda: with_sheet(
        _ROWS + b"".join(b'<row r="%d" s="1" customFormat="1"/>' % k
                         for k in range(3, 1_000_003)))),
    "a cell in the last row": ("a.xlsx", lambda: with_sheet(
        _ROWS + b'<row r="1048576"><c r="A1048576"><v>1</v></c></row>')),
    "a cell in the last column": ("a.xlsx", lambda: with_sheet(
        _ROWS + b'<row r="3"><c r="XFD3"><v>1</v></c></row>')),
    "two million shared texts": ("a.xlsx", _strings),
    "60 MB of nothing": ("a.xlsx", lambda: with_part("xl/media/a.bin", bytes(60_000_000))),
    "entities in entities": ("a.xlsx", _entities),
    "300,000 elements deep": ("a.xlsx", _deep),
    "19.6 MB of text": ("a.csv", lambda: b"press,peel\n" + b"1,4\n" * 4_900_000),
    "4.9 MB of short rows": ("a.csv", lambda: b"press,peel\n" + b"1,4\n" * 1_225_000),
    "4.9 MB of commas": ("a.csv", lambda: b"press,peel\n" + b"," * 4_900_000),
    "4.9 MB of line ends": ("a.csv", lambda: b"press,peel\n1,4\n" + b"\n" * 4_900_000),
    "4.9 MB in one cell": ("a.csv", lambda: b"press,peel,note\n1,4," + b"x" * 4_900_000),
    "4.9 MB of quotes": ("a.csv", lambda: b'press,peel\n1,"' + b'""' * 2_450_000),
}  # fmt: skip


def files(only: str = "") -> Iterator[tuple[str, str, bytes]]:
    """What each is called here (with ``only`` in it), the name of its file, its contents."""
    for name, (file, make) in FILES.items():
        if only in name:
            yield name, file, make()
