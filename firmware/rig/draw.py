"""Draws the schematic: `python -m firmware.rig.draw` writes drawing/*.svg and schematic.pdf beside this file."""

from __future__ import annotations

import io
from pathlib import Path

from firmware.rig.circuit import Circuit, read_circuit
from firmware.rig.sheet import Sheet
from firmware.rig.sheets import control, current, lamps, overview, power, voltage, wiring

HERE = Path(__file__).parent
DRAWING = HERE / "drawing"
PDF = HERE / "schematic.pdf"
_ELECTRICAL = {"power": power, "current": current, "voltage": voltage, "lamps": lamps, "control": control}
_PICTURES = {"wiring": wiring, "overview": overview}


def electrical_sheets(circuit: Circuit) -> dict[str, Sheet]:
    """Draw the sheets of the circuit, by the name of their file; not yet finished."""
    sheets = {}
    for number, (name, module) in enumerate(_ELECTRICAL.items(), start=1):
        sheet = Sheet(number, module.TITLE, circuit)
        module.draw(sheet)
        sheets[f"{number}-{name}"] = sheet
    return sheets


def all_sheets(circuit: Circuit) -> dict[str, Sheet]:
    """Draw every page, by the name of its file without ending: the circuit's, then the pictures for people; not yet finished."""
    sheets = electrical_sheets(circuit)
    for number, (name, module) in enumerate(_PICTURES.items(), start=len(sheets) + 1):
        sheet = Sheet(number, module.TITLE, circuit)
        module.draw(sheet)
        sheets[f"{number}-{name}"] = sheet
    return sheets


def pages(circuit: Circuit) -> dict[str, bytes]:
    """Return every page as SVG, by the name of its file."""
    return {name: sheet.svg() for name, sheet in all_sheets(circuit).items()}


def pdf(svgs: list[bytes]) -> bytes:
    """Return the pages in one file, A3 across, each as large as it fits; the same bytes each time."""
    from reportlab.graphics import renderPDF
    from reportlab.lib.pagesizes import A3, landscape
    from reportlab.pdfgen.canvas import Canvas
    from svglib.svglib import svg2rlg

    width, height = landscape(A3)
    margin = 24.0
    kept = io.BytesIO()
    canvas = Canvas(kept, pagesize=(width, height), invariant=True)
    canvas.setTitle("Rig for interrupters: schematic")
    for svg in svgs:
        picture = svg2rlg(io.BytesIO(svg))
        if picture is None:
            raise ValueError("a page of the schematic is no SVG that the converter reads")
        scale = min((width - 2 * margin) / picture.width, (height - 2 * margin) / picture.height)
        picture.scale(scale, scale)
        renderPDF.draw(picture, canvas, (width - picture.width * scale) / 2, (height - picture.height * scale) / 2)
        canvas.showPage()
    canvas.save()
    return kept.getvalue()


def main() -> None:
    """Write all drawings."""
    DRAWING.mkdir(exist_ok=True)
    drawn = pages(read_circuit())
    for name, svg in drawn.items():
        (DRAWING / f"{name}.svg").write_bytes(svg)
    PDF.write_bytes(pdf(list(drawn.values())))


if __name__ == "__main__":
    main()
