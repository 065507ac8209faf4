"""What the forkserver loads once, so that a fresh worker process costs milliseconds.

The built-in and installed stages come through the registry like any other; importing this
module loads them, and with them numpy, scipy and the codecs.
"""

from hotfolder.errors import PluginError
from hotfolder.registry import load_registry

try:
    load_registry()
except PluginError:
    # The daemon has told the person already, or every worker will; here it would only be lost.
    pass
