#!/usr/bin/env python3
"""The page in headless Chromium, over the DevTools protocol on a pipe; nothing but the standard library and axe-core.

usage: browser.py ASKED.json

ASKED.json: url, token, chromium, axe (path of axe.min.js), shots (folder), job, files (list), faults (a file, for a daemon that
runs; null for one that is played).
Goes the whole way as a person: log in, hand in a job, arm, watch points arrive, stop, acknowledge, resume, release, fetch the
certificate; then looks at every page at three widths, light and dark, with axe-core (rules tagged WCAG 2.x A and AA, and best
practice). Prints one JSON object: steps, errors of the console, serious findings of axe, pictures. Exit status 0 if it went
through at all; what it found is the caller's to judge.
"""

import base64
import fcntl
import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

SIZES = {"desktop": (1440, 900, 1), "tablet": (820, 1180, 1), "phone": (390, 844, 2)}
PATIENCE = 40.0


class Browser:
    """A browser and one tab of it."""

    def __init__(self, chromium, profile):
        to_child, to_browser = os.pipe()
        from_browser, from_child = os.pipe()
        # Out of the way of 3 and 4, where the browser looks for its pipe.
        high = [fcntl.fcntl(fd, fcntl.F_DUPFD, 10) for fd in (to_child, from_child)]

        def plug():
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        self.process = subprocess.Popen(
            [chromium, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--remote-debugging-pipe",
             f"--user-data-dir={profile}", "about:blank"],
            preexec_fn=plug, pass_fds=(3, 4), close_fds=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for fd in (to_child, from_child, *high):
            os.close(fd)
        self.out, self.inp = to_browser, from_browser
        self.buffer = b""
        self.number = 0
        self.session = None
        self.errors = []
        self.where = ""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "DOM"):
            self.ask(f"{domain}.enable")

    def ask(self, method, **params):
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.out, json.dumps(message).encode() + b"\0")
        while True:
            heard = self.hear()
            if heard.get("id") == self.number:
                if "error" in heard:
                    raise RuntimeError(f"{method}: {heard['error']}")
                return heard["result"]

    def hear(self):
        while b"\0" not in self.buffer:
            piece = os.read(self.inp, 1 << 16)
            if not piece:
                raise RuntimeError("the browser went away")
            self.buffer += piece
        line, self.buffer = self.buffer.split(b"\0", 1)
        heard = json.loads(line)
        self.note(heard)
        return heard

    def note(self, heard):
        """Keeps what the console calls an error."""
        params = heard.get("params", {})
        method = heard.get("method")
        if method == "Runtime.exceptionThrown":
            self.errors.append(f"{self.where}: {params['exceptionDetails'].get('text')} {params['exceptionDetails'].get('exception', {}).get('description')}")
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "assert"):
            self.errors.append(f"{self.where}: {[a.get('value') for a in params['args']]}")
        elif method == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.errors.append(f"{self.where}: {params['entry']['text']} {params['entry'].get('url', '')}")

    def run(self, script):
        """The value of an expression in the page; waits for promises."""
        done = self.ask("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        if "exceptionDetails" in done:
            raise RuntimeError(f"{script[:80]}: {done['exceptionDetails']}")
        return done["result"].get("value")

    def until(self, script, what):
        """Waits until an expression is true."""
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            try:
                if self.run(f"Boolean({script})"):
                    return
            except RuntimeError as error:
                # Between one page and the next there is none to ask.
                if "context" not in str(error) and "navigat" not in str(error):
                    raise
            time.sleep(0.05)
        raise TimeoutError(f"{what}: not within {PATIENCE} s at {self.run('location.href')}: {self.run('document.body.innerText.slice(0, 400)')}")

    def go(self, url):
        self.where = url
        self.ask("Page.navigate", url=url)
        self.until(f"document.readyState === 'complete' && location.href !== 'about:blank'", url)

    def click(self, selector):
        """A click as by a mouse: the thing has to be there, and not under something else."""
        place = self.run(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)}); if (!e) return null; e.scrollIntoView({{block: 'center'}});"
            "const r = e.getBoundingClientRect(); const [x, y] = [r.x + r.width / 2, r.y + r.height / 2];"
            "const top = document.elementFromPoint(x, y); return e.contains(top) || top?.contains(e) ? [x, y] : 'covered by ' + top?.outerHTML.slice(0, 80); })()")
        if not isinstance(place, list):
            raise RuntimeError(f"{selector} can't be clicked: {place}")
        for kind in ("mousePressed", "mouseReleased"):
            self.ask("Input.dispatchMouseEvent", type=kind, x=place[0], y=place[1], button="left", clickCount=1)

    def write(self, selector, text):
        self.run(f"document.querySelector({json.dumps(selector)}).focus()")
        self.ask("Input.insertText", text=text)

    def choose(self, selector, paths):
        node = self.ask("Runtime.evaluate", expression=f"document.querySelector({json.dumps(selector)})")
        self.ask("DOM.setFileInputFiles", files=[str(p) for p in paths], objectId=node["result"]["objectId"])
        self.run(f"document.querySelector({json.dumps(selector)}).dispatchEvent(new Event('change', {{bubbles: true}}))")

    def look(self, size, dark):
        width, height, scale = SIZES[size]
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=scale, mobile=size == "phone")
        scheme = "dark" if dark else "light"
        self.ask("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])

    def picture(self, path, whole):
        done = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        Path(path).write_bytes(base64.b64decode(done["data"]))

    def close(self):
        try:
            self.session = None
            self.ask("Browser.close")
        except (RuntimeError, OSError):
            pass
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()


class Way:
    """A person's way through the page, step by step."""

    def __init__(self, browser, asked):
        self.b, self.asked, self.url = browser, asked, asked["url"]
        self.steps, self.axe, self.pictures, self.wide = [], [], [], []
        self.source = Path(asked["axe"]).read_text()

    def step(self, name, act):
        act()
        self.steps.append(name)

    def walk(self):
        self.b.look("desktop", False)
        self.step("log in", self.log_in)
        if self.asked.get("faults"):
            self.served()
        else:
            self.played()

    def served(self):
        """Through a daemon that runs: one job is stopped, one trips, one comes to its certificate."""
        self.step("hand in", self.hand_in)
        self.step("watch points arrive live", self.watch_from_rest)
        self.all_looks("served-running", "/")
        self.step("stop", self.stop)
        self.step("resume after the stop", self.go_on_after_stop)
        self.step("hand in with a room that leaves its limits", lambda: self.hand_in(self.asked["pause"]))
        self.step("see the pause", self.see_pause)
        self.step("let the queue go on after the pause", self.let_go_on)
        self.step("hand in with a fault", lambda: self.hand_in(self.asked["faults"]))
        self.step("see the trip", self.see_trip)
        self.step("acknowledge", self.acknowledge)
        self.step("let the queue go on once more", self.let_go_on)
        self.step("hand in once more", self.hand_in)
        self.step("wait for its end", lambda: self.wait_for_drafts(2))
        self.step("release", self.release)
        self.step("fetch the certificate", self.certificate)

    def watch_from_rest(self):
        self.b.go(f"{self.url}/")
        self.b.until("document.querySelector('.state[data-running]')", "a run that goes on")
        self.watch()

    def let_go_on(self):
        b = self.b
        b.go(f"{self.url}/queue")
        if b.run("Boolean(document.querySelector('form[action=\"/do/queue/unhold\"]'))"):
            b.click("form[action='/do/queue/unhold'] button")
            b.until("location.pathname === '/queue' && !document.querySelector('form[action=\"/do/queue/unhold\"]')", "a queue that goes on")

    def go_on_after_stop(self):
        """What was measured before the stop is not measured again: the page of the run puts it in the queue once more."""
        b = self.b
        b.go(f"{self.url}/runs/{self.run_name}")
        b.click("form[action$='/resume'] button")
        b.until("location.pathname === '/queue'", "the queue after resuming")
        self.let_go_on()
        self.wait_for_drafts(1)

    def see_pause(self):
        """The room leaves its limits: the pause and its reason stand large, then the run is stopped."""
        b = self.b
        b.go(f"{self.url}/")
        b.until("document.querySelector('#moment .pause') && !document.querySelector('#moment .pause').hidden", "a pause that is shown")
        if "°C" not in b.run("document.querySelector('#moment .pause').innerText"):
            raise RuntimeError("a pause that does not say why")
        if b.run("document.querySelector('.state .word').textContent") != "Paused":
            raise RuntimeError("a pause that can't be read from afar")
        self.all_looks("paused", "/")
        self.stop()

    def see_trip(self):
        self.b.go(f"{self.url}/")
        self.b.until("document.querySelector('.state.bad') && !document.querySelector('.state[data-running]')", "a trip that is shown")

    def wait_for_drafts(self, count):
        b = self.b
        end = time.monotonic() + 3 * PATIENCE
        done = f"[...document.querySelectorAll('tbody tr')].filter(r => r.innerText.includes('draft') && r.innerText.includes('done')).length >= {count}"
        while time.monotonic() < end:
            b.go(f"{self.url}/runs")
            if b.run(done):
                return
            time.sleep(0.5)
        raise TimeoutError("no draft that is done")

    def played(self):
        self.step("hand in", self.hand_in)
        self.step("arm", self.arm)
        self.step("watch points arrive live", self.watch)
        self.all_looks("running", "/")
        self.step("stop", self.stop)
        self.step("acknowledge", self.acknowledge)
        self.step("see a stop that did not stop", self.see_no_stop)
        self.step("see that the daemon is silent", self.see_silence)
        self.step("see that an end of the stream is no silence", self.see_end)
        self.step("keep the place of the keyboard", self.keep_place)
        self.step("resume", self.resume)
        self.step("release", self.release)
        self.step("fetch the certificate", self.certificate)

    def log_in(self):
        b = self.b
        b.go(f"{self.url}/")
        b.until("location.pathname === '/login'", "whoever is nobody is asked to log in")
        self.all_looks("login", None)
        b.write("#token", self.asked["token"])
        b.click("button.first")
        b.until("location.pathname === '/' && document.querySelector('.state')", "the rig after the login")

    def hand_in(self, faults=None):
        b = self.b
        b.go(f"{self.url}/submit")
        b.choose("#job-file", [self.asked["job"]])
        b.choose("#other-files", self.asked["files"])
        if faults:
            b.choose("#faults-file", [faults])
        b.click("form#submit button.first")
        b.until("location.pathname === '/queue' && document.querySelector('.jobs li')", "the queue after handing in")

    def arm(self):
        b = self.b
        b.go(f"{self.url}/arm")
        for n in range(b.run("document.querySelectorAll('.tick input').length")):
            b.click(f".tick:nth-of-type({n + 1}) input")
        if b.run("Boolean(document.querySelector('form[action=\"/do/arm\"]'))"):
            b.click("form[action='/do/arm'] button.first")
        else:
            b.go(f"{self.url}/")
        b.until("location.pathname === '/' && document.querySelector('.state[data-running]')", "a run that goes on")

    def watch(self):
        b = self.b
        marks = "document.querySelectorAll('#deviations .wide circle').length"
        b.until("!document.querySelector('#moment').hidden && /[0-9]/.test(document.querySelector('[data-moment=acceleration_mps2_peak]').textContent)", "a moment")
        b.until(f"{marks} >= 4", "the first points")
        before = b.run(marks)
        b.until(f"{marks} > {before}", "one more point, without loading the page again")

    def stop(self):
        b = self.b
        self.run_name = b.run("document.querySelector('.state[data-running]').dataset.running")
        b.click("form.stop button")
        b.until("/^Stopped/.test(document.querySelector('#stop-said').textContent)", "what came of the stop")
        b.until("!document.querySelector('.state[data-running]')", "no run any more")

    def see_no_stop(self):
        """No answer, none at all, and one that says that something may move: each is said, and stays."""
        b = self.b
        b.go(f"{self.url}/")
        for answers, said in (
            ("new Promise(() => {})", "No answer yet: use the emergency stop."),
            ("Promise.reject(new Error('away'))", "NO ANSWER from the daemon. Use the emergency stop."),
            ("Promise.resolve(new Response(JSON.stringify({ at_rest: false, message: 'NOT SAFE' })))", "NOT STOPPED: NOT SAFE"),
        ):
            b.run(f"(() => {{ window.fetch = () => {answers}; }})()")
            b.click("form.stop button")
            b.until(f"document.querySelector('#stop-said').textContent === {json.dumps(said)}", said)
        b.run("say('The daemon answers again.')")
        if b.run("document.querySelector('#stop-said').hidden") or "bad" not in b.run("document.querySelector('#stop-said').className"):
            raise RuntimeError("what came of a stop does not stay")
        b.go(f"{self.url}/")

    def see_silence(self):
        """Nothing runs, so nothing need come: what is shown is called old all the same when not even a sign of life does."""
        b = self.b
        b.go(f"{self.url}/")
        # At one go: the stream may open a moment later, and is a sign.
        if not b.run("(() => { lastSign = Date.now() - 36000; ages();"
                     "return !document.querySelector('#old').hidden && document.body.classList.contains('is-old'); })()"):
            raise RuntimeError("a daemon that is silent is taken to be there")
        b.until("document.querySelector('#old').hidden && !document.body.classList.contains('is-old')", "the daemon again")

    def see_end(self):
        """The stream ends each hour and is opened again at once, which makes nothing old; one that is refused reloads no page."""
        b = self.b
        b.go(f"{self.url}/")
        b.until("stream.readyState === EventSource.OPEN", "the stream")
        b.run("stream.dispatchEvent(new Event('error'))")
        if b.run("lost || !document.querySelector('#old').hidden"):
            raise RuntimeError("a stream that ends is taken for a daemon that is silent")
        b.until("lost && !document.querySelector('#old').hidden", "what is old, where no other stream opens")
        b.run("(() => { window.before = stream; stream.close(); stream.onerror(); })()")
        b.until("stream !== before && stream.readyState === EventSource.OPEN && !lost", "another stream on the same page")

    def keep_place(self):
        """Rows are put in anew while the keyboard stands on one of them, and two of them look alike."""
        b = self.b
        b.go(f"{self.url}/queue")
        b.run("(() => { window.before = [...document.querySelectorAll('.jobs summary')].at(-1); before.focus(); renew(document.querySelector('#queue')); })()")
        b.until("!before.isConnected", "the rows anew")
        row = "?.closest('li')?.querySelector('.number').textContent"
        if not b.run(f"document.activeElement.matches('summary') && document.activeElement{row} === before{row}"):
            raise RuntimeError("the keyboard is somewhere else: " + b.run("document.activeElement.outerHTML.slice(0, 200)"))

    def acknowledge(self):
        b = self.b
        b.until("document.querySelector('.state.bad')", "a trip that is shown")
        self.all_looks("tripped", "/")
        self.all_looks("acknowledge", "/acknowledge")
        b.write("#reason", "looked at rig and amplifier; it was stopped from the page in a trial")
        b.click("form[action='/do/acknowledge'] button.first")
        b.until("location.pathname === '/' && !document.querySelector('.state.bad')", "no trip any more")

    def resume(self):
        b = self.b
        b.go(f"{self.url}/runs/{self.run_name}")
        b.click("form[action$='/resume'] button")
        b.until("location.pathname === '/queue'", "the queue after resuming")
        self.all_looks("arm", "/arm")
        self.arm()
        b.until("!document.querySelector('.state[data-running]')", "the end of the run")

    def release(self):
        b = self.b
        b.go(f"{self.url}/runs")
        name = b.run("[...document.querySelectorAll('tbody tr')].find(r => r.innerText.includes('draft') && r.innerText.includes('done'))?.querySelector('th a').textContent")
        if not name:
            raise RuntimeError("no draft that is done")
        self.done = name
        b.go(f"{self.url}/runs/{name}")
        if not b.run("Boolean(document.querySelector('.mark.draft'))"):
            raise RuntimeError("a draft that is not marked as one")
        self.all_looks("draft", None)
        b.click("details summary")
        b.click("form[action$='/approve'] button")
        b.until("document.querySelector('dl .badge')?.textContent === 'released'", "a run that is released")

    def certificate(self):
        b = self.b
        b.until("document.readyState === 'complete' && [...document.querySelectorAll('.files a')].some(a => a.href.endsWith('.pdf'))", "certificates to fetch")
        link = b.run("[...document.querySelectorAll('.files a')].map(a => a.href).find(h => h.endsWith('.pdf'))")
        cookies = b.ask("Network.getCookies")["cookies"]
        cookie = "; ".join(f"{c['name']}={c['value']}" for c in cookies)
        with urllib.request.urlopen(urllib.request.Request(link, headers={"Cookie": cookie})) as answer:
            if not answer.read(5) == b"%PDF-":
                raise RuntimeError(f"{link} is no PDF")

    def all_looks(self, name, path):
        """A page in every size, light and dark: pictures, axe, nothing wider than the window."""
        b = self.b
        if path and b.run("location.pathname") != path:
            b.go(self.url + path)
        for size in SIZES:
            for dark in (False, True):
                b.look(size, dark)
                time.sleep(0.25)
                look = f"{name}-{size}-{'dark' if dark else 'light'}"
                if b.run(f"document.documentElement.scrollWidth > {SIZES[size][0] + 1}"):
                    self.wide.append(look)
                self.find(look)
                shot = f"{self.asked['shots']}/{look}.png"
                b.picture(shot, False)
                self.pictures.append(shot)
                if name not in ("running", "login") and size != "tablet" and not dark:
                    b.picture(shot.replace(".png", "-whole.png"), True)
        b.look("desktop", False)

    def find(self, look):
        b = self.b
        if not b.run("typeof axe === 'object'"):
            b.run(self.source + "; true")
        found = b.run("axe.run(document, {resultTypes: ['violations']}).then(r => r.violations.filter(v => ['serious', 'critical'].includes(v.impact))"
                      ".map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.target.join(' ') + ' ' + n.failureSummary.split('\\n')[1]).join(' | ')))")
        self.axe += [f"{look}: {f}" for f in found]


def main():
    asked = json.loads(Path(sys.argv[1]).read_text())
    Path(asked["shots"]).mkdir(parents=True, exist_ok=True)
    failed = None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        browser = Browser(asked["chromium"], profile)
        way = Way(browser, asked)
        try:
            way.walk()
            done = way.done
            points = browser.run("[...document.querySelectorAll('tbody a[href*=\"/points/\"]')].map(a => new URL(a.href).pathname)[0]")
            serial = browser.run("document.querySelector('h2 a[href^=\"/sensors/\"]')?.getAttribute('href')")
            for name, path in [("run", f"/runs/{done}"), ("point", points), ("queue", "/queue"), ("submit", "/submit"), ("runs", "/runs"),
                               ("sensors", "/sensors"), ("sensor", serial), ("registers", "/registers"), ("audit", "/audit"), ("rest", "/"), ("nowhere", "/nowhere")]:
                if path:
                    if name == "point":
                        browser.go(way.url + path)
                        browser.click(".budget summary")
                    way.all_looks(name, path)
                    way.steps.append(f"look at {name}")
        except Exception as error:  # what went wrong is told, with all that was found before
            failed = f"{type(error).__name__}: {error}"
            browser.picture(f"{asked['shots']}/failed.png", False)
        browser.close()
    # A page that is not there is answered with 404, which the console calls an error.
    errors = [e for e in browser.errors if "/nowhere" not in e]
    print(json.dumps({"steps": way.steps, "failed": failed, "errors": errors, "axe": sorted(set(way.axe)), "wide": way.wide, "pictures": way.pictures}))


if __name__ == "__main__":
    main()
