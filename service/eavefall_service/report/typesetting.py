"""Typst in a process of its own: it keeps what it has laid out, tens of megabytes for each report.

Run as a file: one JSON object on standard input (``template``, ``inputs``, ``fonts``), the PDF on standard
output. It imports nothing of ours, so that it starts in a moment, and steps back behind pages.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import typst


def main() -> None:
    """Read the order, write the PDF."""
    if hasattr(os, "nice"):
        os.nice(5)
    order = json.load(sys.stdin)
    made = typst.compile(
        order["template"].encode(),
        format="pdf",
        sys_inputs=order["inputs"],
        # No font of the machine: Typst brings the serif, matplotlib the sans that the drawings are set in.
        font_paths=typst.Fonts(include_system_fonts=False, font_paths=[Path(order["fonts"])]),
        pdf_standards=["ua-1"],
        timestamp=0,
    )
    sys.stdout.buffer.write(made)


if __name__ == "__main__":
    main()
