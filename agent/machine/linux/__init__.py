"""The Linux kernel's interfaces, one module each.

Every reader takes a `Tree` (the root of the file tree) and returns `Reading`s in the units of the
project, or `Absent` with the reason: units are converted here, once. Importing reads nothing. Nothing
here writes, and only `v4l2` opens a device node (to ask a camera what it is).
"""
