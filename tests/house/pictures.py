"""Pictures and parts of every page of a board, and what differs between two such folders.

``python -m tests.house.pictures --out FOLDER`` starts the demo, signs in, follows every link of
the board, and writes each page as two pictures (390 and 1280 px wide) and its parts as JSON.
``--project`` runs the demo of another checkout, ``--address`` takes a board that runs already.
``--compare OLD NEW`` prints, page by page, the parts that only one of two folders has.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urljoin, urlsplit

from playwright.sync_api import sync_playwright

from tests.web.chromium import ARGUMENTS, CHROMIUM

ROOT = Path(__file__).resolve().parents[2]
WIDTHS = (390, 1280)
NO_PAGE = re.compile(r"^/(static|api|live|metrics|healthz|sign-out|openapi)|\.(pdf|csv|json|css)$")
PARTS = {
    "heading": "h1, h2, h3, h4, h5, h6, caption, legend", "column": "th", "term": "dt",
    "button": "button, summary", "field": "label", "choice": "option", "link": "a",
    "picture": "figcaption, svg[aria-label]",
}
READ_PARTS = r"""kinds => {
  document.querySelectorAll('details').forEach(e => e.open = true);
  const text = e => (e.getAttribute('aria-label') || e.innerText || e.textContent || '')
    .replace(/\s+/g, ' ').trim();
  const found = {};
  for (const [kind, query] of Object.entries(kinds))
    found[kind] = [...document.querySelectorAll(query)].map(text).filter(t => t);
  found.text = document.body.innerText.split('\n').map(t => t.trim()).filter(t => t);
  return found; }"""


@contextmanager
def demo(project: Path, seconds: float) -> Iterator[tuple[str, str]]:
    """Run a checkout's demo for ``seconds``; yield its board's address and the demo's password."""
    running = subprocess.Popen(
        [sys.executable, "-m", "collector.cli", "demo"], cwd=project, text=True,
        env=os.environ | {"PYTHONPATH": str(project)}, stdout=subprocess.PIPE)
    lines: list[str] = []
    reader = threading.Thread(target=lambda: lines.extend(running.stdout or ()), daemon=True)
    reader.start()  # a pipe that is not read would stop the demo
    try:
        until = time.monotonic() + seconds
        while time.monotonic() < until and running.poll() is None:
            time.sleep(0.5)
        said = "".join(lines)
        address, password = re.search(r"^board +(\S+)", said, re.M), \
            re.search(r", password (\S+)", said)
        if address is None or password is None:
            raise SystemExit(f"the demo has no board after {seconds:g} s: {said}")
        yield address[1], password[1]
    finally:
        running.send_signal(signal.SIGINT)
        running.wait(20)


def walk(address: str, name: str, password: str, out: Path, first: Sequence[str]) -> int:
    """Sign in, follow every link from the pages ``first``; write what is seen, return how many."""
    out.mkdir(parents=True, exist_ok=True)
    waiting, seen = deque(first), set(first)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        page = browser.new_page()
        if name:
            page.goto(urljoin(address, "/sign-in"))
            page.get_by_label("Name").fill(name)
            page.get_by_label("Password").fill(password)
            page.get_by_role("button", name="Sign in").click()
            page.get_by_role("link", name=name).wait_for()
        while waiting:
            path = waiting.popleft()
            answer = page.goto(urljoin(address, path))
            if answer is None or "html" not in answer.headers.get("content-type", ""):
                continue
            if opening := page.query_selector("form[action='/acceptance/open'] button"):
                opening.click()  # so that the steps of an acceptance have pages, too
                page.goto(urljoin(address, path))
            links = page.eval_on_selector_all("a[href]", "all => all.map(a => a.href)")
            for link in links:
                parts = urlsplit(link)
                if parts.netloc == urlsplit(address).netloc and parts.path not in seen \
                        and not NO_PAGE.search(parts.path):
                    seen.add(parts.path)
                    waiting.append(parts.path)
            _keep(page, out / (path.strip("/").replace("/", "_") or "overview"))
        browser.close()
    return len(list(out.glob("*.json")))


def _keep(page: Any, name: Path) -> None:
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        page.screenshot(path=f"{name}-{width}.png", full_page=True)
    Path(f"{name}.json").write_text(json.dumps(page.evaluate(READ_PARTS, PARTS), indent=1))


def differences(old: Path, new: Path) -> Iterator[str]:
    """Yield a line per page and per part that only one of the folders has; figures are left out."""
    pages = [{path.stem for path in folder.glob("*.json")} for folder in (old, new)]
    for name in sorted(pages[0] ^ pages[1]):
        yield f"{name}: a page of {'the old' if name in pages[0] else 'the new'} folder alone"
    for name in sorted(pages[0] & pages[1]):
        before, after = (json.loads((folder / f"{name}.json").read_text()) for folder in (old, new))
        for kind in PARTS:
            was, now = (Counter(re.sub(r"[\d.:,-]+", "#", part) for part in parts.get(kind, ()))
                        for parts in (before, after))
            gone, come = list((was - now).elements()), list((now - was).elements())
            if gone or come:
                yield f"{name}: {kind} ({was.total()} to {now.total()})"
                yield from (f"    - {part[:200]}" for part in gone)
                yield from (f"    + {part[:200]}" for part in come)


def main(arguments: Sequence[str] | None = None) -> None:
    """Take the pictures, or compare two folders of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, metavar="FOLDER")
    parser.add_argument("--project", type=Path, default=ROOT, metavar="FOLDER")
    parser.add_argument("--after", type=float, default=150, metavar="SECONDS",
                        help="how long the demo runs first (six hours a minute)")
    parser.add_argument("--address", metavar="URL", help="a board that runs, in place of the demo")
    parser.add_argument("--name", default="", help="who signs in there")
    parser.add_argument("--password", default="")
    parser.add_argument("--first", nargs="+", default=["/", "/sign-in", "/acceptance"],
                        metavar="PATH")
    parser.add_argument("--compare", nargs=2, type=Path, metavar=("OLD", "NEW"))
    options = parser.parse_args(arguments)
    if options.compare:
        print("\n".join(differences(*options.compare)))
    elif options.out is None:
        parser.error("--out FOLDER or --compare OLD NEW")
    elif options.address:
        print(walk(options.address, options.name, options.password, options.out, options.first))
    else:
        with demo(options.project, options.after) as (address, password):
            print(walk(address, "demo", password, options.out, options.first))


if __name__ == "__main__":
    main()
