"""What the forkserver loads once, so that a fresh worker process costs milliseconds.

The built-in and installed stages come through the registry like any other; importing this
module loads them, lets each prepare, and with them loads numpy, scipy and the codecs.
"""

import contextlib
import gc

import jinja2
import scipy
import segno
import tifffile
from PIL import Image, ImageDraw, ImageFont

import hotfolder.colour
import hotfolder.pages
import hotfolder.work.pipeline
from hotfolder.colour.kept_points import made_by
from hotfolder.colour.machine_code import compile_all
from hotfolder.disk.processes import keep_freed_memory
from hotfolder.errors import PluginError
from hotfolder.raster.dither import Dither
from hotfolder.stages.registry import load_registry
from hotfolder.work.describing import versions

keep_freed_memory()

# What is loaded by the functions that need it is loaded here, and not in each worker.
_ = scipy.ndimage, scipy.spatial, jinja2, segno, tifffile, Image, ImageDraw, ImageFont
Image.preinit()  # its formats
Dither(1, 1)  # computes its noise, once for all workers
versions()
made_by()

# A broken plugin is told by the daemon and by every worker; here the message would be lost.
with contextlib.suppress(PluginError):
    for stage in load_registry().stages.values():
        # A stage that fails here fails in its job too, where it is said which and why.
        with contextlib.suppress(Exception):
            stage.prepare()

# Exports are loaded when they are first named, which is here and not in each worker.
for room in (hotfolder, hotfolder.colour, hotfolder.pages):
    for name in room.__all__:
        getattr(room, name)

compile_all()

# what is there now stays; a worker that looked at it for what can go would copy all its pages
gc.collect()
gc.freeze()
