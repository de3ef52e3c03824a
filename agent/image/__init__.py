"""The stick: an image of Debian with the agent in it, made from packages, without loop mounts.

`pool` fetches packages and wheels once and records their versions and digests. From the pool alone,
`system` makes the Debian tree and its squashfs, `program` the squashfs of our own code, `initramfs` the
start, and `disk` the image that is written to a stick. `files/` holds what is copied into them as it stands.
"""
