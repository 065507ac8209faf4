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
