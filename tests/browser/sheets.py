"""The picture that is read back from the screen."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from reference.devices import demo_printer

CANVAS = demo_printer("matte-canvas", "4.4")
NAME = "<script>document.title = 'mud'</script> & \"reeds\".tif"
PATCH_PX = 100
COLOURS = (
    (255, 255, 255),
    (128, 128, 128),
    (20, 20, 20),
    (194, 150, 130),
    (98, 122, 157),
    (87, 108, 67),
    (255, 120, 0),
    (0, 160, 60),
)
"""sRGB, 8 bits: neutrals, skin, sky, leaf, and two that the canvas cannot make."""


def patches() -> NDArray[np.uint16]:
    """Two rows of four patches, shape (200, 400, 3), uint16, in sRGB."""
    colours = np.array(COLOURS, dtype=np.uint16).reshape(2, 4, 3) * np.uint16(257)
    return colours.repeat(PATCH_PX, axis=0).repeat(PATCH_PX, axis=1)


def centres() -> list[tuple[float, float]]:
    """Middles of the patches, in the order of `COLOURS`: shares of width and height."""
    return [((column + 0.5) / 4, (row + 0.5) / 2) for row in (0, 1) for column in range(4)]


def contrasts(page, scheme: str) -> list[tuple[float, str]]:
    """Contrast of every text with its ground, and its first words, light or dark.

    Relative luminance as WCAG 2.2 has it; 1.4.3 wants at least 4.5.
    """
    feature = [{"name": "prefers-color-scheme", "value": scheme}]
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": feature})
    ratios = page.execute_script("""
        const light = text => {
          const [r, g, b] = text.match(/[\\d.]+/g).slice(0, 3).map(v => v / 255)
            .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
          return 0.2126 * r + 0.7152 * g + 0.0722 * b;
        };
        const ground = e => {
          for (; e; e = e.parentElement) {
            const c = getComputedStyle(e).backgroundColor;
            if (c !== 'rgba(0, 0, 0, 0)') return c;
          }
        };
        const kinds = 'h1,h2,h3,p,dt,dd,li,span,figcaption,caption,code,td,th,label,button';
        return [...document.querySelectorAll(kinds)]
          .filter(e => e.textContent.trim() && e.checkVisibility()).map(e => {
            const both = [light(getComputedStyle(e).color), light(ground(e))];
            const ratio = (Math.max(...both) + 0.05) / (Math.min(...both) + 0.05);
            return [ratio, e.textContent.trim().slice(0, 40)];
          });
    """)
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    return [tuple(each) for each in ratios]


def width_in_a_window_of(page, width: int) -> int:
    """How wide the page becomes in a window of this width, in CSS pixels."""
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    wide: int = page.execute_script("return document.documentElement.scrollWidth")
    page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    return wide


def check_headings(page) -> None:
    """One title, and no level of headings left out below another."""
    levels = page.execute_script(
        "return [...document.querySelectorAll('h1,h2,h3')].map(e => Number(e.tagName[1]))"
    )
    assert [1] == levels[:1]
    assert 1 == levels.count(1)
    assert max(b - a for a, b in itertools.pairwise(levels)) <= 1
