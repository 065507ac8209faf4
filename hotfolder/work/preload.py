"""What the forkserver loads once, so that a fresh worker process costs milliseconds.

The built-in and installed stages come through the registry like any other; importing this
module loads them, and with them numpy, scipy and the codecs.
"""

import contextlib

import scipy

from hotfolder.colour.machine_code import compile_all
from hotfolder.errors import PluginError
from hotfolder.raster.dither import Dither
from hotfolder.stages.registry import load_registry
from hotfolder.work.pipeline import versions

_ = scipy.ndimage  # read from disk when it is first named, which is here
Dither(1, 1)  # computes its noise, once for all workers
versions()

# A broken plugin is told by the daemon and by every worker; here the message would be lost.
with contextlib.suppress(PluginError):
    load_registry()

compile_all()
