"""What `check` remarks on: settings that work, and that a person should look at."""

import pytest

from hotfolder.overview.check import check


@pytest.mark.parametrize(
    ("result", "remarked"),
    [
        ('format = "tiff"\ncompression = "lzw"\n', True),
        ('format = "tiff"\ncompression = "lzw"\nbits = 8\n', False),
        ('format = "tiff"\n', False),
        ('format = "png"\ncompression = "lzw"\n', False),
    ],
)
def test_lzw_in_16_bits_is_remarked_on(root, result, remarked):
    """Some photographs become larger than without compression."""
    file = root.destinations / "fine-art-canvas.toml"
    text = file.read_text("utf-8")
    start = text.index("[result]")
    stop = text.index("[", start + 1)
    file.write_text(f"{text[:start]}[result]\n{result}\n{text[stop:]}", "utf-8")
    said = [each for each in check(root).remarks if "lzw" in each]
    assert remarked == bool(said)
    if said:
        assert 'fine-art-canvas: result.compression = "lzw"' in said[0]
        assert '"deflate" saves a third' in said[0]


@pytest.mark.parametrize(("name", "remarked"), [("web-gallery", True), ("book-pages", False)])
def test_a_page_without_a_printers_profile_is_remarked_on(root, name, remarked):
    file = root.destinations / f"{name}.toml"
    text = file.read_text("utf-8")
    before = 'format = "jpeg"' if name == "web-gallery" else 'format = "tiff"'
    file.write_text(text.replace(before, 'format = "pdf"'), "utf-8")
    said = [each for each in check(root).remarks if "output intent" in each]
    assert remarked == bool(said)
