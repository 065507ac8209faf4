"""Where attempts run: in processes of this machine, or also on others that joined a scheduler.

`places` is the interface that the daemon sees; `local` and `elsewhere` are its two sides. Nothing
below `dask` is loaded unless ``[engine]`` or a command asks for it.
"""
