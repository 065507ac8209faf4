"""Acts on disks that survive a power cut, safe names, markers, and what only one system can do."""
