"""How long a request should take by the simulated adapter's timing model, and faults in random order."""

from __future__ import annotations

import random
from collections.abc import Sequence

from camlog.simulate.adapter import FAULT_KINDS, Fault, TimingModel
from camlog.simulate.adapter.buses import BUSES, Bus
from camlog.simulate.adapter.timing import SerialLine


def random_faults(
    seed: int, total_s: float, kinds: Sequence[str] = FAULT_KINDS, *, first_s: float = 0.0, share: float = 0.5
) -> tuple[Fault, ...]:
    """Every kind once, in random order, spread over `first_s` to `first_s + total_s`.

    Each gets an equal slot and lasts up to `share` of it, so that there is quiet after each.
    """
    draw = random.Random(seed)
    order = list(kinds)
    draw.shuffle(order)
    slot = total_s / len(order)
    made = []
    for number, kind in enumerate(order):
        lasts = slot * share * draw.uniform(0.5, 1.0)
        begins = first_s + slot * number + draw.uniform(0.0, slot * (1.0 - share) / 2)
        made.append(Fault(kind, begins, lasts))
    return tuple(made)


def request_time_s(
    request: bytes,
    lines: Sequence[str],
    *,
    timing: TimingModel = TimingModel(),
    bus: Bus = BUSES["6"],
    counted: bool = True,
    wait_s: float | None = None,
    linefeeds: bool = False,
    back_to_back: bool = True,
) -> float:
    """Seconds from a request's first byte to the prompt that ends its answer, by the timing model.

    `request` is what is sent, carriage return included; `lines` the answer of one module as printed
    (headers on), without line ends. `counted`: the request ends with the right response count, so there is
    no wait; otherwise the adapter waits `wait_s`, by default the model's adaptive wait. `back_to_back` adds,
    on buses that want it, the pause due between the last answer and this request.
    """
    data = bytes(b for b in request if b not in b" \r\n")
    digits = len(data) - (1 if counted and len(data) % 2 else 0)
    end = 2 if linefeeds else 1
    sizes = [0 if bus.is_can else max(0, len(line.replace(" ", "")) // 2 - 4) for line in lines]
    sent = timing.serial_s(len(request))
    on_bus = timing.request_s(bus, digits // 2)
    arrivals = [sent + on_bus + offset for offset in timing.answer_offsets(sizes, bus)]
    line = SerialLine(timing)
    for text, at in zip(lines, arrivals, strict=True):
        line.put(len(text) + end, at)
    done = arrivals[-1] if arrivals else sent + on_bus
    if not counted or not arrivals:
        done += timing.wait_s if wait_s is None else wait_s
    prompt = line.put(end + 1, done)
    if back_to_back and arrivals:
        prompt += max(0.0, timing.idle_s(bus) - (prompt - arrivals[-1]) - sent)
    return prompt
