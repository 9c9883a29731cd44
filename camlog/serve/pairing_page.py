"""What a device sees that is not paired: a page without script that needs nothing else of the server."""

from __future__ import annotations

import math

from camlog.cautions import OPERATE, caution

PAIR_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>camlog: pair this device</title>
<link rel="icon" href="data:,">
<style>
:root {{ color-scheme: light dark; }}
body {{ font: 1.15rem/1.5 system-ui, sans-serif; max-width: 30rem; margin: 2rem auto; padding: 0 1rem; }}
label, input, button {{ display: block; font: inherit; }}
input {{ font-size: 2rem; letter-spacing: 0.08em; width: 100%; box-sizing: border-box;
  padding: 0.4rem; margin: 0.4rem 0 1rem; }}
button {{ width: 100%; min-height: 3.5rem; font-weight: 700; }}
.said {{ border: 2px solid; padding: 0.5rem 0.8rem; }}
</style>
</head>
<body>
<main>
<h1>Pair this device</h1>
{said}
<form method="post" action="/pair" autocomplete="off">
<label for="code">The eight digits that the computer with the adapter shows, in the window where
camlog serve runs</label>
<input id="code" name="code" inputmode="numeric" pattern="[0-9 \\-]*" maxlength="12" required autofocus>
<button>Pair</button>
</form>
<p>Each code pairs one device. {care}</p>
</main>
</body>
</html>
"""


def pairing_page(wait_s: float = 0.0, wrong: bool = False, withdrawn: bool = False) -> str:
    """The page; `wait_s` is how long (s) this device has to wait before its next try, `withdrawn` whether no
    code is taken before there is a new one."""
    said = []
    if withdrawn:
        said.append("Too many wrong codes were tried on this network, and none is taken now. Press \"New code\" "
                    "on camlog's Record page, on the computer with the adapter.")  # fmt: skip
    if wrong:
        said.append("That was not the code. It may have been used already: look again at the computer.")
    if wait_s > 0.0:
        said.append(f"After wrong codes there is a wait: try again in {waiting(wait_s)}, or press \"New code\" on "
                    "camlog's Record page, on the computer with the adapter.")  # fmt: skip
    return _PAGE.format(
        care=caution(OPERATE), said=f'<p class="said" role="alert">{" ".join(said)}</p>' if said else ""
    )


def waiting(wait_s: float) -> str:
    """A waiting time in words."""
    seconds = math.ceil(wait_s)
    if seconds < 100:
        return "1 second" if seconds == 1 else f"{seconds} seconds"
    return f"{math.ceil(seconds / 60)} minutes"
