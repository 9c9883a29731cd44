"""The page on this computer: record, replay and look at results in a browser, with the commands' functions.

As a request goes: `listening` (HTTP, and who may have how much of it) -> `guard` (who may ask: Host, Origin,
pairing) -> `app` and `pages/` (what is shown) -> `desk`, which holds what there is one of: `folder` (the
recordings), `recording` (the drive being recorded), `playing` (saved drives being played), `converting` (foreign
traces and their questions) and `jobs` (analyses). What these have done in the background runs in a `worker`, a
process of its own: `recorder`, `player`, `converter`, `tasks`. `board` and `guide` are what a page shows of a drive.
"""
