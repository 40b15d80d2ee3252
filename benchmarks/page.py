"""How quick the page is, measured in a real browser.

    PYTHONPATH=src .venv/bin/python -m benchmarks.page

First contentful paint of the demo's site (Paint Timing, W3C), the time from turning a knob to the new figures
in the document (12 machines, 50 turns), and the frames of a ladder of 1,000 flows while it is scrolled.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

from tests.web.browsing import browser, missing, opened, served
from tests.web.conftest import laid_out

from toprung.web.bench import Bench

TURNS = 50
MACHINES = 12
PAINTED = """() => new Promise(done => new PerformanceObserver(list => done(list.getEntries()
  .find(e => e.name === 'first-contentful-paint').startTime)).observe({type: 'paint', buffered: true}))"""
TURN = """position => new Promise(done => {
  const knob = document.querySelector('select[name="links:lan:loss"]'), begun = performance.now();
  document.body.addEventListener('htmx:afterSettle', () => done(performance.now() - begun), {once: true});
  knob.value = position; knob.dispatchEvent(new Event('change', {bubbles: true}));
})"""
SCROLL = """() => new Promise(done => {
  const times = []; let last = performance.now(), at = 0;
  const step = now => { times.push(now - last); last = now; at += 60; scrollTo(0, at);
    times.length < 120 ? requestAnimationFrame(step) : done(times.slice(1)); };
  requestAnimationFrame(step);
})"""


def site(machines: int, topics: int, readers: int = 1) -> str:
    """Machines on one link, two participants each, topics in a ring."""
    names = [f"m{n}" for n in range(machines)]
    lines = ["site: nursery", "machines:"]
    lines += [f"  {name}: {{interfaces: {{eth0: 10.1.0.{n + 1}/24}}}}" for n, name in enumerate(names)]
    joined = ", ".join(f"{name}.eth0" for name in names)
    lines += ["links:", f"  lan: {{kind: ethernet, joins: [{joined}], rate: 1000 Mbit/s, loss: 0 %}}"]
    lines += ["participants:"]
    lines += [f"  p{n}: {{machine: m{n % machines}, middleware: cyclone}}" for n in range(2 * machines)]
    lines += ["topics:"]
    for n in range(topics):
        to = ", ".join(f"p{(n + 1 + 3 * k) % (2 * machines)}" for k in range(readers))
        lines.append(
            f"  t{n}: {{type: cart::Scan, size: 720 B, rate: 10 Hz, from: p{n % (2 * machines)}, to: [{to}]}}"
        )
    return "\n".join(lines) + "\n"


def first_paint(started) -> list[float]:
    """Milliseconds, of five fresh windows; the server has answered once before."""
    bench = laid_out(Path(tempfile.mkdtemp()))
    found = []
    with served(bench) as address:
        for _ in range(6):
            page, _ = opened(started, address)
            page.goto(f"{address}/site")
            found.append(page.evaluate(PAINTED))
            page.close()
    bench.close()
    return found[1:]


def knob(started) -> list[float]:
    """Milliseconds from a turn to its figures, every turn to a position that was not forecast before."""
    bench = Bench(Path(tempfile.mkdtemp()))
    bench.put_site(site(MACHINES, 40))
    found = []
    with served(bench) as address:
        page, _ = opened(started, address)
        page.goto(f"{address}/whatif")
        page.evaluate("document.querySelector('select[name=\"links:lan:loss\"]').innerHTML = ''")
        for turn in range(TURNS):
            bench.put_site(
                bench.text.replace(f"# {turn - 1}\n", "") + f"# {turn}\n"
            )  # nothing is kept from before
            position = ("1 %", "2 %")[turn % 2]
            page.evaluate(
                f"document.querySelector('select[name=\"links:lan:loss\"]').add(new Option('{position}'))"
            )
            found.append(page.evaluate(TURN, position))
        page.close()
    bench.close()
    return found


def scrolling(started) -> list[float]:
    """Milliseconds a frame while the ladder of 1,000 flows is scrolled, its table open."""
    bench = Bench(Path(tempfile.mkdtemp()))
    bench.put_site(site(MACHINES, 500, 2))
    with served(bench) as address:
        page, _ = opened(started, address)
        page.goto(f"{address}/ladder")
        page.locator("summary").first.click()
        found = page.evaluate(SCROLL)
        page.close()
    bench.close()
    return found


def main() -> int:
    why = missing()
    if why:
        sys.stderr.write(f"{why}\n")
        return 2
    with browser() as started:
        for words, bar, found in (
            ("first paint of the demo", "1,000 ms", first_paint(started)),
            ("a knob, 12 machines", "200 ms", knob(started)),
            ("a frame while 1,000 flows scroll", "34 ms", scrolling(started)),
        ):
            worst = statistics.quantiles(found, n=20)[18]
            sys.stdout.write(
                f"{words}: median {statistics.median(found):.0f} ms, 95 % within {worst:.0f} ms (bar {bar})\n"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
