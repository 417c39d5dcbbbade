"""The shop in the head of a report: embedded, escaped, and nothing fetched."""

from __future__ import annotations

import struct
import zlib
from base64 import b64encode
from typing import TYPE_CHECKING

import pytest

from tests.report.documents import comparison
from verify.report.edition import Edition
from verify.report.formats import rendered
from verify.report.handover import build_handover, report_document
from verify.report.letterhead import Letterhead, Logo

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command


def png() -> bytes:
    """Return a grey picture of one pixel (PNG 1.2: signature, IHDR, IDAT, IEND)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    parts = chunk(b"IHDR", head), chunk(b"IDAT", zlib.compress(b"\0\x80")), chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


SHOP = Letterhead("Lindgren <b>& Sons", ("Mill Lane 3", "*Northport*"), Logo("image/png", png()))


def made(ending: str, shop: Letterhead | None) -> str:
    """Return a report with that head."""
    handover = build_handover(comparison(), Edition.CUSTOMER, shop=shop)
    return rendered(handover, ending, "a4").decode("utf-8", "replace")


def test_page_when_a_shop_is_set_then_its_head_is_embedded_and_escaped() -> None:
    """RFC 2397: the picture is in its own address; the policy allows such and no other."""
    page = made(".html", SHOP)
    assert "Lindgren &lt;b&gt;&amp; Sons" in page
    assert "Mill Lane 3<br>" in page.replace("\n", "") or "<br>Mill Lane 3" in page
    assert f'src="data:image/png;base64,{b64encode(png()).decode()}"' in page
    assert "img-src data:" in page


def test_page_when_no_shop_is_set_then_it_is_as_it_was() -> None:
    """No empty head, and no picture allowed."""
    page = made(".html", None)
    assert '<div class="shop">' not in page
    assert "img-src" not in page


def test_formats_when_a_shop_is_set_then_each_tells_it() -> None:
    """Markdown by its own signs; JSON with the logo's digest, under the report's."""
    assert "\\*Northport\\*" in made(".md", SHOP)
    with_shop = build_handover(comparison(), Edition.CUSTOMER, shop=SHOP)
    without = build_handover(comparison(), Edition.CUSTOMER)
    told = report_document(with_shop)["shop"]
    assert (told["name"], told["address"]) == ("Lindgren <b>& Sons", ["Mill Lane 3", "*Northport*"])
    assert report_document(without)["shop"] is None
    assert with_shop.digest != without.digest


def test_pdf_when_a_shop_is_set_then_its_picture_is_in_it() -> None:
    """A PDF embeds the picture as an image object (ISO 32000-1, 8.9.5)."""
    pytest.importorskip("weasyprint")
    plain, headed = made(".pdf", None), made(".pdf", SHOP)
    assert "/Subtype /Image" not in plain
    assert "/Subtype /Image" in headed


def test_pdf_when_a_page_names_another_place_then_it_is_not_made(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Nothing is fetched, neither from the network nor from a file."""
    pytest.importorskip("weasyprint")
    (tmp_path / "logo.png").write_bytes(png())
    link = (tmp_path / "logo.png").as_uri()
    monkeypatch.setattr("verify.report.pdf.html", lambda _: f'<img src="{link}">')
    with pytest.raises(ValueError, match="Error fetching"):
        made(".pdf", None)


def test_report_when_the_shop_is_set_then_options_go_before_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: Command
) -> None:
    """An invalid logo is refused before anything is read."""
    (tmp_path / "logo.png").write_bytes(png())
    (tmp_path / "logo.svg").write_text("<svg/>")
    settings = tmp_path / "settings.toml"
    settings.write_text(f'[shop]\nname = "Lindgren"\nlogo = "{tmp_path / "logo.png"}"\n')
    settings.chmod(0o600)
    monkeypatch.setenv("DRIVEWITNESS_SETTINGS", str(settings))
    saved = tmp_path / "comparison.json"
    saved.write_text(comparison().model_dump_json(by_alias=True))
    told = command("report", saved, "--json").document["shop"]
    assert (told["name"], len(told["logo_blake3"])) == ("Lindgren", 64)
    address = "--shop-address", "Mill Lane 3; Northport"
    told = command("report", saved, "--json", "--shop", "Brandt", *address).document["shop"]
    assert (told["name"], told["address"]) == ("Brandt", ["Mill Lane 3", "Northport"])
    wrong = "report", saved, "--shop-logo"
    command(*wrong, tmp_path / "logo.svg").assert_one_sentence(4, "neither PNG nor JPEG")
    command(*wrong, tmp_path / "none.png").assert_one_sentence(4, "none.png")
    command("report", saved, "--shop", "a\nb").assert_one_sentence(2, "--shop")
