#!/usr/bin/env python3
"""Makes the pictures of the pages from the invented farm of `heapward demo`.

    deploy/pictures/make.py [BINARY]      (with the Python environment of tests/run: .venv/bin/python3)

Every page is shown at a phone's width (360) and at a desk's (1280). BINARY is target/release/heapward if not given.
"""

import hashlib
import json
import os
import pathlib
import shutil
import subprocess
import sys
import time
import urllib.request
from urllib.parse import urlencode

from playwright.sync_api import sync_playwright

here = pathlib.Path(__file__).resolve().parent
binary = sys.argv[1] if len(sys.argv) > 1 else here.parent.parent / "target/release/heapward"
port, speed = 18_780, 14_400
address = f"http://127.0.0.1:{port}"
secret = "0" * 64
# When the pictures are taken: hours of the farm's time after the first pile was built.
AFTER_HOURS = 200
# What is further down a page is left out.
HIGHEST = 1_600


def ask(path):
    with urllib.request.urlopen(address + path, timeout=10) as answer:
        return json.load(answer)


def wait_for(what, look, seconds=180):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            if found := look():
                return found
        except OSError:
            pass
        time.sleep(0.2)
    sys.exit(f"waited in vain for {what}")


def pair(demo):
    """A pass beside the demo's records, as `heapward pair` would make it."""
    folder = pathlib.Path(f"/tmp/heapward-demo-{demo.pid}")
    passes = wait_for("the demo's folder", lambda: folder.is_dir() and folder) / "passes"
    passes.mkdir(mode=0o700, exist_ok=True)
    name = passes / f"pass.{hashlib.sha256(secret.encode()).hexdigest()}"
    name.write_text(json.dumps({"name": "OM", "made_ms": 0}))


def hours():
    about, piles = ask("/v1/about"), ask("/v1/piles")["items"]
    if not piles:
        return 0
    first = min(pile["built"] for pile in piles)
    seconds = lambda text: time.mktime(time.strptime(text[:19], "%Y-%m-%dT%H:%M:%S"))
    return (seconds(about["now"]) - seconds(first)) / 3600


def pages():
    piles = [pile["pile"] for pile in ask("/v1/piles")["items"]]
    first, last = piles[0], piles[-1]
    shown = [("piles", "/"), ("probes", "/probes"), ("refused", "/refused"), ("outbox", "/outbox"), ("about", "/about")]
    shown += [(f"pile-{pile}", f"/piles/{pile}") for pile in piles]
    shown += [("pile-two-days", f"/piles/{first}?range=3d"), ("log", f"/piles/{first}/log")]
    shown += [("noticed", f"/piles/{last}/incidents"), ("write", f"/piles/{first}/write")]
    shown += [(what, f"/piles/{first}/write/{what}") for what in ("reading", "check")]
    mix = urlencode({"what": "horse-manure=3yd3 Tansy Ford stables\nhen-manure=10buckets\nleaves", "make": "8yd3", "bay": "9yd3"})
    beds = urlencode({"beds": "north-4 100x4 1 2027-05-15\ntomatoes 2400 1 2027-06-20", "from": "2027-03-01"})
    shown += [("mix", f"/mix?{mix}"), ("mix-card", f"/mix?{mix}&card=yes"), ("season", f"/season?{beds}")]
    shown += [("record", f"/piles/{first}/record")]
    return shown + [("place", f"/piles/{first}/place"), ("start", "/start"), ("pair", "/pair")]


def take(browser, width, height):
    context = browser.new_context(viewport={"width": width, "height": height})
    context.add_cookies([{"name": "heapward", "value": secret, "url": address}])
    page = context.new_page()
    for name, path in pages():
        page.goto(address + path)
        high = min(page.evaluate("document.documentElement.scrollHeight"), HIGHEST)
        box = {"x": 0, "y": 0, "width": width, "height": high}
        page.screenshot(path=here / f"{name}-{width}.png", full_page=True, clip=box)
    context.close()


demo = subprocess.Popen([binary, "demo", "--port", str(port), "--speed", str(speed)], stdout=subprocess.DEVNULL)
try:
    pair(demo)
    wait_for("a season of the demo", lambda: hours() >= AFTER_HOURS)
    with sync_playwright() as playwright:
        options = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"]
        chromium = os.environ.get("CHROMIUM") or shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=chromium, args=options)
        take(browser, 360, 640)
        take(browser, 1280, 900)
        browser.close()
finally:
    demo.terminate()
    demo.wait()
