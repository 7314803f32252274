"""A QR code in the page (ISO/IEC 18004), as a picture that is drawn with the page and fetched from nowhere."""

from __future__ import annotations

import segno


def qr(text: str) -> str:
    """An SVG of this text, with the border of four modules that a reader needs; error correction M: paper stains."""
    rows = [bytes(row) for row in segno.make_qr(text, error="m").matrix_iter(border=4)]
    dark = "".join(f"M{x} {y}h1v1h-1z" for y, row in enumerate(rows) for x, module in enumerate(row) if module)
    size = f'viewBox="0 0 {len(rows[0])} {len(rows)}"'
    return f'<svg class="qr" {size} role="img" aria-label="the head as a QR code"><path d="{dark}"/></svg>'
