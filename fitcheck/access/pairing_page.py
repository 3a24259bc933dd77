"""The two small pages of pairing: type a code in, and show one with its QR picture."""

from __future__ import annotations

import base64
import hashlib
import html
import io
from functools import cache
from importlib.resources import files
from string import Template

import segno

from fitcheck.access.pairing import CODE_LIFETIME_S, readable


def form_page(wrong: str = "") -> str:
    """Return the page that asks for a code; ``wrong`` says why the last one was not taken."""
    said = f'<p class="wrong" role="alert">{html.escape(wrong)}</p>' if wrong else ""
    return _page(
        f"""{said}
<p>This device is not paired with the page yet.</p>
<form method="post" action="/pair">
<label for="code">Pairing code</label>
<input id="code" name="code" autocomplete="off" autocapitalize="characters" spellcheck="false"
 maxlength="20" required>
<label for="device">Name of this device (may stay empty)</label>
<input id="device" name="device" autocomplete="off" maxlength="40">
<input type="hidden" name="inspection" value="">
<button>Pair</button>
</form>
<p class="soft">The code stands in the window that the page was started from, and on a paired
device under “Pair another device”. Scanning its picture types it in.</p>"""
    )


def code_page(address: str, code: str, inspection: str = "") -> str:
    """Return the page that shows a code, with a picture of the address that types it in."""
    return _page(
        f"""<p>Scan this with the phone’s camera.</p>
<div class="qr" role="img" aria-label="QR picture of the pairing address">{
            qr_svg(pairing_address(address, code, inspection))
        }</div>
<p>Or open <strong>{html.escape(address)}</strong> there and type:</p>
<p class="typed">{readable(code)}</p>
<p class="soft">For one device, within {CODE_LIFETIME_S / 60:.0f} minutes. Load this page again
for another code.</p>"""
    )


def pairing_address(address: str, code: str, inspection: str = "") -> str:
    """Return the address that a QR picture holds; leads on to an inspection if one is named."""
    return f"{address}/pair#{code}{'.' if inspection else ''}{inspection}"


def qr_svg(text: str) -> str:
    """Return a QR picture as SVG."""
    buffer = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        buffer, kind="svg", border=4, xmldecl=False, svgns=True, omitsize=True
    )
    return buffer.getvalue().decode("utf-8")


def qr_text(text: str) -> str:
    """Return a QR picture for a terminal, of half-block characters."""
    buffer = io.StringIO()
    segno.make(text, error="l", micro=False).terminal(buffer, compact=True, border=2)
    return buffer.getvalue()


@cache
def content_policy() -> str:
    """Return the pages' Content-Security-Policy: their own style and script, nothing else."""

    def hashed(name: str) -> str:
        digest = hashlib.sha256(_shipped(name).encode("utf-8")).digest()
        return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"

    return (
        f"default-src 'none'; style-src {hashed('pair.css')}; script-src {hashed('pair.js')}; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )


def _page(body: str) -> str:
    page = Template(_shipped("pair.html"))
    return page.substitute(style=_shipped("pair.css"), script=_shipped("pair.js"), body=body)


@cache
def _shipped(name: str) -> str:
    return files("fitcheck.access").joinpath(name).read_text(encoding="utf-8")
