"""A headless Chromium for tests, driven through chromedriver (W3C WebDriver) with the standard
library alone. Both come from Debian: chromium and chromium-driver.

    with Browser() as browser:
        browser.open("file:///…/report.html")
        browser.run("return document.title")
"""

import base64
import json
import re
import shutil
import subprocess
import tempfile
import time
import urllib.error
import urllib.request

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--force-device-scale-factor=1", "--hide-scrollbars",
]


class Browser:
    def __init__(self, width=1100, height=900):
        self.profile = tempfile.mkdtemp(prefix="loadline-browser-")
        self.driver = subprocess.Popen(["chromedriver", "--port=0"], stdout=subprocess.PIPE,
                                       stderr=subprocess.STDOUT, text=True)
        self.session = None
        self.direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        try:
            self.url = f"http://127.0.0.1:{self._port()}"
            options = {"args": [*FLAGS, f"--user-data-dir={self.profile}",
                                f"--window-size={width},{height}"]}
            reply = self._call("POST", "/session", {"capabilities": {"alwaysMatch": {
                "browserName": "chrome", "goog:chromeOptions": options,
                "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"}}}})
            self.session = f"/session/{reply['sessionId']}"
        except BaseException:
            self.close()
            raise

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def _port(self):
        for line in self.driver.stdout:
            found = re.search(r"successfully on port (\d+)", line)
            if found:
                return found.group(1)
        raise RuntimeError("chromedriver did not start")

    def _call(self, method, path, body=None):
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.url + path, data=data, method=method,
                                         headers={"Content-Type": "application/json"})
        try:
            with self.direct.open(request, timeout=60) as reply:
                return json.load(reply)["value"]
        except urllib.error.HTTPError as error:
            raise RuntimeError(json.load(error)["value"]["message"]) from None

    def close(self):
        try:
            if self.session:
                self._call("DELETE", self.session)
        finally:
            self.driver.terminate()
            self.driver.wait(10)
            self.driver.stdout.close()
            shutil.rmtree(self.profile, ignore_errors=True)

    def open(self, url):
        self._call("POST", self.session + "/url", {"url": url})

    def run(self, script, *arguments):
        """Runs JavaScript in the page; `return` gives the result back."""
        return self._call("POST", self.session + "/execute/sync",
                          {"script": script, "args": list(arguments)})

    def wait(self, script, seconds=20):
        """Until the expression is true; the last value then."""
        end = time.monotonic() + seconds
        while True:
            value = self.run("return " + script)
            if value or time.monotonic() > end:
                return value
            time.sleep(0.1)

    def devtools(self, command, **parameters):
        return self._call("POST", self.session + "/goog/cdp/execute",
                          {"cmd": command, "params": parameters})

    def look(self, width, height, dark=False, phone=False):
        """Size, colour scheme and kind of the screen."""
        self.devtools("Emulation.setDeviceMetricsOverride", width=width, height=height,
                      deviceScaleFactor=2 if phone else 1, mobile=phone)
        self.devtools("Emulation.setEmulatedMedia", features=[
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}])

    def screenshot(self, path, whole=True):
        shot = self.devtools("Page.captureScreenshot", captureBeyondViewport=whole)
        with open(path, "wb") as file:
            file.write(base64.b64decode(shot["data"]))

    def pdf(self, path):
        made = self.devtools("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        with open(path, "wb") as file:
            file.write(base64.b64decode(made["data"]))

    def console(self):
        """Complaints of the page since the last call."""
        return [entry["message"] for entry in self._logs("browser")]

    def requests(self):
        """Addresses asked for since the last call."""
        sent = []
        for entry in self._logs("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                sent.append(message["params"]["request"]["url"])
        return sent

    def _logs(self, kind):
        return self._call("POST", self.session + "/se/log", {"type": kind})
