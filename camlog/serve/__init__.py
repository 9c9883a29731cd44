"""The page on this computer: record, replay and look at results in a browser, over the same functions as the commands.

As a request goes: `guard` (who may ask: Host, Origin, pairing) -> `app` and `pages/` (what is shown, by Dash) -> `desk`,
which holds what there is one of: `folder` (the recordings), `recording` (the drive being recorded, in a process
`apart`, with `cautions`), `playing` (saved drives being played), `converting` (foreign traces and their questions) and
`jobs` (analysis in a process of its own). `board` and `guide` are what a page shows of a drive, live or saved.
"""
