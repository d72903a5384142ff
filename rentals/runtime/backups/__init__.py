"""Backups: one sealed file with the whole database and the files beside it, read through before it is trusted, and the way back.

`sealing` is the encryption, `archives` the parts inside, `manifest` what they are held against, `making`, `checking` and
`restoring` the three acts, `nightly` the record that the office shows. Rooms above say through `hooks` what must agree.
"""
