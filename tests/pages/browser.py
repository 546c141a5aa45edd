"""The grower's way through the pages in a real browser.

browser.py ADDRESS CODE PILE PROBE WIDTH HEIGHT

Prints `PUBLISH VALUE` where a reading of the probe in degrees F should come over MQTT; ends with 0 if everything was
found. Pictures of the pages go into $HEAPWARD_PICTURES, if it is set.
"""

import datetime
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
from urllib.parse import urlencode

import axe_playwright_python
from playwright.sync_api import expect, sync_playwright

address, code, pile, probe = sys.argv[1:5]
width, height = int(sys.argv[5]), int(sys.argv[6])
axe = (pathlib.Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()
pictures = os.environ.get("HEAPWARD_PICTURES")
chromium = os.environ.get("CHROMIUM") or shutil.which("chromium")
if not chromium:
    sys.exit("chromium is missing: apt-get install chromium")

# What a thumb in a glove can't hit: links and buttons below 44 pixels (those within a sentence may be narrow).
SMALL = """() => [...document.querySelectorAll('a, button, select, textarea, input, label.choice')]
    .filter(one => one.type !== 'hidden' && !one.matches('label.choice input') && one.offsetParent)
    .map(one => [one.textContent.trim() || one.name, one.getBoundingClientRect()])
    .filter(([_, box]) => box.height < 44 || box.width < 44).map(([name, box]) => `${name} ${box.width}x${box.height}`)"""


# Dates, and figures with their units, that end in another line than they begin. What is shown as it was written may.
BROKEN = r"""() => {
    const found = [];
    const lines = range => new Set([...range.getClientRects()].filter(box => box.width > 1).map(box => Math.round(box.top / 8))).size;
    const walker = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
    const figure = /\b\d[\d.,:]*[ \u00a0](h|min|s|days?|°[FC]|%|lb|gallons|cubic[ \u00a0]yards)(?![\w])|\b\d{4}-\d\d-\d\d\b|\b\d{1,2}[ \u00a0](Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)(,?[ \u00a0][\d:]+)?|\blb[ \u00a0]a[ \u00a0]cubic[ \u00a0]yard\b/g;
    while (walker.nextNode()) {
        const node = walker.currentNode;
        if (node.parentElement.closest('svg, pre, code, textarea, select')) continue;
        for (const match of node.data.matchAll(figure)) {
            const range = document.createRange();
            range.setStart(node, match.index);
            range.setEnd(node, match.index + match[0].length);
            if (lines(range) > 1) found.push(match[0]);
        }
    }
    return found;
}"""


AXE = """axe.run({
    runOnly: ['wcag2a', 'wcag2aa', 'wcag2aaa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
    rules: {'color-contrast-enhanced': {enabled: true}, 'target-size': {enabled: true}},
})"""


def say(line):
    print(line, flush=True)


def look(page, name):
    """The page as it stands: nothing too wide or too small, nothing serious for axe."""
    if pictures:
        page.screenshot(path=f"{pictures}/{name}-{width}.png", full_page=True)
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= width, f"{name} is {wide} pixels wide on a screen of {width}"
    small = page.evaluate(SMALL)
    assert not small, f"{name} has targets below 44 pixels: {small}"
    broken = page.evaluate(BROKEN)
    assert not broken, f"{name} breaks lines within {broken}"
    page.evaluate(axe)
    found = page.evaluate(AXE)
    for one in found["violations"]:
        say(f"{name}: {one['impact']}: {one['help']}: {[node['target'] for node in one['nodes']][:3]}")
    assert not found["violations"], f"axe found something on {name}"


def way(page):
    errors, asked = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)

    page.goto(f"{address}/pair/{code}")
    look(page, "pair")
    page.get_by_label("Your initials").fill("OM")
    page.get_by_role("button", name="Pair this phone").click()
    expect(page).to_have_url(f"{address}/")
    look(page, "piles")

    page.get_by_role("link", name="Start a pile").first.click()
    look(page, "start")
    page.get_by_label("Name, short and speakable").fill(pile)
    page.get_by_label("Bay").fill("2")
    page.get_by_label("Carbon to nitrogen").fill("30")
    # It was built four days ago: what is entered can be set back.
    now = datetime.datetime.fromisoformat(page.get_by_label("Building finished").input_value())
    back(page, "Building finished", now, 97)
    for row in (3, 4):
        page.get_by_label(f"Spot {row}", exact=True).fill("")
    page.get_by_role("button", name="Start the pile").click()

    expect(page.get_by_role("heading", name="Place a probe")).to_be_visible()
    look(page, "place")
    page.get_by_label(probe).check()
    page.get_by_label("core-north").check()
    page.get_by_role("button", name="Place it").click()

    # The pile's page, with readings as they come.
    expect(page.get_by_role("heading", name=f"Pile {pile}")).to_be_visible()
    row = page.get_by_role("row").filter(has=page.get_by_role("rowheader", name=re.compile("core-north")))
    expect(row).to_contain_text("not known")
    say("PUBLISH 61.3")
    expect(row).to_contain_text("61.3 °F", timeout=20_000)
    say("PUBLISH 62.1")
    expect(row).to_contain_text("62.1 °F", timeout=20_000)
    look(page, "pile")

    # Two taps from the pile: readings by hand. With one a day at both spots the hours are proven.
    verdict = page.locator(".verdict").first
    expect(verdict).to_contain_text("Not qualified: nothing of 72 h proven yet; core-north holds it up")
    for hours in (96, 72, 48, 24) if width == 360 else ():
        for spot in ("core-north", "core-south"):
            page.get_by_role("link", name="Read by hand").click()
            if hours == 96 and spot == "core-north":
                look(page, "reading")
            page.get_by_label(spot).check()
            page.get_by_label("Temperature").fill("134.5")
            back(page, "When", now, hours)
            page.get_by_role("button", name="Write it down").click()
            expect(page.get_by_role("status")).to_contain_text(f"Read by hand at {spot}: 134.5 °F.")
        if hours == 48:
            expect(verdict).to_contain_text("48 h of 72 h proven")
    if width == 360:
        expect(verdict).to_contain_text("Qualified on")
    else:
        page.get_by_role("link", name="Read by hand").click()
        look(page, "reading")
        page.get_by_role("link", name="Leave it").click()

    # Fresh material: everything begins anew. Then a spot is given up, and the verdict names the other one.
    page.get_by_role("link", name="Something else").click()
    page.get_by_role("link", name="Fresh material added").click()
    page.get_by_label("What, and how much").fill("a load of stable bedding")
    page.get_by_label("yes, it went in").check()
    page.get_by_role("button", name="Write it down").click()
    expect(verdict).to_contain_text("Not qualified: nothing of 72 h proven yet; core-north holds it up")
    page.get_by_role("link", name="Something else").click()
    look(page, "write")
    page.get_by_role("link", name="Give a spot up").click()
    page.get_by_label("core-north").check()
    page.get_by_label("Reason").fill("lance broken")
    page.get_by_role("button", name="Write it down").click()
    expect(verdict).to_contain_text("core-south holds it up")
    row = page.get_by_role("row").filter(has=page.get_by_role("rowheader", name=re.compile("core-north")))
    expect(row).to_contain_text("given up")

    # A correction: nothing is overwritten.
    entry = page.locator(".log > li").filter(has_text="given up: lance broken")
    entry.get_by_role("link", name="Correct").click()
    look(page, "correct")
    page.get_by_label("Reason").fill("it was another pile")
    page.get_by_role("button", name="Withdraw it").click()
    expect(verdict).to_contain_text("core-north holds it up")
    page.goto(f"{address}/piles/{pile}/log")
    expect(page.locator(".gone").first).to_contain_text("given up: lance broken")
    look(page, "log")

    for name in ("6 hours", "Whole pile"):
        page.goto(f"{address}/piles/{pile}")
        page.get_by_role("link", name=name).click()
        expect(page.locator("svg:visible")).to_have_count(1)
    for name, path in (("probes", "/probes"), ("refused", "/refused"), ("outbox", "/outbox"), ("about", "/about")):
        page.goto(address + path)
        look(page, name)
    mix = urlencode({"what": "horse-manure=3yd3 Tansy Ford stables\nhen-manure=10buckets\nleaves", "make": "8yd3", "bay": "9yd3"})
    beds = urlencode({"beds": "north-4 100x4 1 2027-05-15\ntomatoes 2400 1 2027-06-20", "from": "2027-03-01"})
    for name, path, text in (
        ("mix", f"/mix?{mix}", "C:N 30"),
        ("mix-card", f"/mix?{mix}&card=yes", "layers, each of them"),
        ("season", f"/season?{beds}", "8.6 cubic yards wanted"),
        ("record", f"/piles/{pile}/record", "What is in it"),
        ("asked", f"/piles/{pile}/write/asked", "treated, painted or glued"),
    ):
        page.goto(address + path)
        expect(page.get_by_text(text).first).to_be_visible()
        look(page, name)
    # A card of many feedstocks, printed, is one sheet for the bay.
    many = ("horse-manure", "hen-manure", "leaves", "straw", "chips-hardwood", "grass-clippings", "sawdust", "coffee-grounds")
    what = "\n".join(f"{name}=20buckets Tansy Ford stables, the third load of May" for name in many)
    page.goto(f"{address}/mix?{urlencode({'what': what + chr(10) + 'water=60gal', 'card': 'yes'})}")
    expect(page.get_by_text("layers, each of them").first).to_be_visible()
    for paper in ("A4", "Letter"):
        printed = page.pdf(format=paper, path=f"{pictures}/card-{paper}.pdf" if pictures else None)
        assert sheets(printed) == 1, f"the build card does not fit one page of {paper}"
    # The chart is drawn: its parts stand side by side. At this width readings of four days were entered.
    page.goto(f"{address}/piles/{pile}/record")
    assert width != 360 or page.locator(".record svg > *").count() > 5
    assert not errors, errors

    # A page is asked for with its style, its script and its live view, and nothing outside.
    assert all(url.startswith(address + "/") or url == "data:," for url in asked), asked
    asked.clear()
    page.goto(f"{address}/piles/{pile}")
    page.wait_for_load_state()
    kinds = sorted({url.removeprefix(address).split("?")[0] for url in asked if url != "data:,"})
    assert set(kinds) - {"/v1/live"} == {f"/piles/{pile}", "/style.css", "/live.js"}, kinds
    size = len(page.request.get(f"{address}/piles/{pile}").body())
    assert size < 120_000, f"{size} bytes"

    # Printed, the chart and the log stay, forms and the menu go.
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible()
    assert page.locator("svg.wide").is_visible()
    page.emulate_media(media="screen")


def sheets(pdf):
    with tempfile.NamedTemporaryFile(suffix=".pdf") as file:
        file.write(pdf)
        file.flush()
        said = subprocess.run(["pdfinfo", file.name], check=True, capture_output=True, text=True).stdout
    return int(re.search(r"^Pages: +(\d+)$", said, re.MULTILINE)[1])


def back(page, label, now, hours):
    """Sets a field of date and time back."""
    page.get_by_label(label, exact=True).fill((now - datetime.timedelta(hours=hours)).isoformat(timespec="minutes"))


def without_script(browser, cookies):
    """Everything that can be read and written works without a script."""
    context = browser.new_context(java_script_enabled=False, viewport={"width": width, "height": height})
    context.add_cookies(cookies)
    page = context.new_page()
    page.goto(f"{address}/piles/{pile}")
    expect(page.locator("svg:visible")).to_have_count(1)
    page.get_by_role("link", name="Watered").click()
    page.get_by_label("Gallons, if you know").fill("40")
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_role("status")).to_contain_text("Watered with 40 gallons")
    context.close()


def stranger(browser):
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    page.goto(f"{address}/piles/{pile}")
    expect(page.locator("svg:visible")).to_have_count(1)
    # No pass: whoever wants to write is told how to get one.
    page.get_by_role("link", name="Turned").click()
    expect(page.get_by_role("heading", name="Pair this phone")).to_be_visible()
    context.close()


with sync_playwright() as playwright:
    options = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"]
    browser = playwright.chromium.launch(executable_path=chromium, args=options)
    # The policy of our pages keeps axe out as it keeps everybody out; the tests of the server look at the policy.
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    way(context.new_page())
    without_script(browser, context.cookies())
    stranger(browser)
    browser.close()
