"""The page on this computer: record, replay and view results in a browser, with the functions of the commands.

In the order of a request: `listening` (HTTP, with limits for each device) -> `guard` (access: Host, Origin, pairing) ->
`app` and `pages/` (the pages) -> `desk`, which has the single objects: `folder` (the recordings), `recording` (the
drive being recorded), `playing` (saved drives being played), `converting` (foreign traces and their questions) and
`jobs` (analyses). Their background work (`recorder`, `player`, `converter`, `tasks`) runs in a `worker`, a separate
process. `board` and `guide` have what a page shows of a drive.
"""
