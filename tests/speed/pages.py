"""Size and time of the pages of office, technician and household at 20,000 components in service.

Makes a branch eight times the demo's (the same rows under other keys) with four times its people, so that
nearly every visit has a place, imports it into an embedded
database of its own, gives it Phoenix' weather, scores it, plans and adopts, and asks for each page
again and again over one connection. Times are whole answers, the network of this machine included.

Run: cargo build --release; tests/.venv/bin/python tests/speed/pages.py
(faketime, which tests/install.sh installs, sets the day to that of the demo.)
"""

import csv
import email
import email.policy
import http.client
import io
import json
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.parse
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BINARY = os.environ.get("HOTSPELL_BINARY", str(ROOT / "target/release/hotspell"))
TIMES = 8
PEOPLE = 4
ROUNDS = 20
NOW = "2025-02-17 17:00:00"
# Columns that hold keys, by file; the first copy of technicians keeps theirs, which readings name.
KEYS = {
    "technicians": ["technician"],
    "sites": ["site"],
    "agreements": ["agreement", "site"],
    "units": ["unit", "site"],
    "components": ["component", "unit", "replaced_by"],
    "readings": ["reading", "component"],
}


def multiplied(name):
    """The demo's rows of a kind several times under different keys."""
    with open(ROOT / f"seed/demo/{name}.csv", newline="") as file:
        reader = csv.DictReader(file)
        rows = list(reader)
    text = io.StringIO()
    writer = csv.DictWriter(text, reader.fieldnames)
    writer.writeheader()
    people = name == "technicians"
    for copy in range(PEOPLE if people else TIMES):
        for row in rows:
            changed = {} if people and copy == 0 else {k: f"{row[k]}x{copy}" for k in KEYS[name] if row[k]}
            writer.writerow(row | changed)
    return text.getvalue()


class Office:
    """Commands and requests of one installation in a folder of its own."""

    def __init__(self, folder):
        self.folder = folder
        self.environment = {k: v for k, v in os.environ.items() if not k.startswith("HOTSPELL_")} | {
            "HOTSPELL_DATABASE__URL": f"sqlite:{folder}/hotspell.db",
            "HOTSPELL_SERVER__BIND": "127.0.0.1:0",
            "HOTSPELL_SERVER__REQUESTS_PER_MINUTE": "1000000",
            "HOTSPELL_SERVER__BODY_LIMIT_BYTES": str(64 << 20),
            "HOTSPELL_MAIL__FOLDER": f"{folder}/outbox",
            "HOTSPELL_JOBS__ENABLED": "false",
            "HOTSPELL_LOG__FORMAT": "json",
            "HOTSPELL_LINKS__SIGNING_KEY": "a-key-for-measuring-of-thirty-two-characters",
        }

    def run(self, *arguments):
        command = ["faketime", NOW, BINARY, *arguments]
        done = subprocess.run(command, env=self.environment, cwd=self.folder, text=True, capture_output=True)
        if done.returncode != 0:
            sys.exit(f"pages: {' '.join(arguments)}: {done.stderr}")
        return done.stdout.strip()

    def serve(self):
        log = open(f"{self.folder}/log", "w")
        command = ["faketime", NOW, BINARY, "serve"]
        # A group of its own: faketime is a parent that ends alone, and its child would live on.
        self.daemon = subprocess.Popen(
            command, env=self.environment, cwd=self.folder, stdout=subprocess.DEVNULL, stderr=log,
            start_new_session=True,
        )
        for _ in range(600):
            found = re.search(r'"address":"([^"]+)"', Path(f"{self.folder}/log").read_text())
            if found:
                self.connection = http.client.HTTPConnection(found[1], timeout=600)
                return
            time.sleep(0.1)
        sys.exit("pages: the daemon does not listen")

    def api(self, method, path, body=None, kind="application/json", status=(200, 201)):
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": kind}
        self.connection.request(method, path, body, headers)
        answer = self.connection.getresponse()
        content = answer.read()
        if answer.status not in status:
            sys.exit(f"pages: {method} {path}: {answer.status} {content[:500]}")
        return json.loads(content)

    def sign_in(self):
        body = urllib.parse.urlencode({"token": self.token, "next": "/"})
        self.connection.request("POST", "/sign-in", body, {"Content-Type": "application/x-www-form-urlencoded"})
        answer = self.connection.getresponse()
        answer.read()
        self.cookie = answer.getheader("Set-Cookie").split(";")[0]

    def page(self, path, form=None):
        """Seconds and bytes of one answer; with a form, of the page that sending it shows."""
        headers = {"Cookie": self.cookie}
        if form:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        begin = time.perf_counter()
        self.connection.request("POST" if form else "GET", path, form, headers)
        answer = self.connection.getresponse()
        content = answer.read()
        seconds = time.perf_counter() - begin
        if answer.status != 200:
            sys.exit(f"pages: {path}: {answer.status}")
        return seconds, len(content), content.decode()


def filled(office):
    """Imports, scores, plans and adopts; a day with routes."""
    office.run("branch", "add", "--key", "big", "--name", "Big branch", "--time-zone", "America/Phoenix",
               "--postal-address", "1 Example Street, Phoenix, AZ 85001", "--depot", "33.4712,-112.0574",
               "--station", "USW00023183", "--station-at", "33.4278,-112.0039")
    office.token = office.run("account", "add", "--role", "office", "--name", "O", "--email", "o@example.com")
    for name in KEYS:
        path = Path(office.folder) / f"{name}.csv"
        path.write_text(multiplied(name))
        office.run("import", name, str(path))
    office.serve()
    record = (ROOT / "seed/weather/ghcnd_USW00023183.dly").read_bytes()
    office.api("PUT", "/api/v1/weather-stations/1/file", record, "text/plain")
    run = office.api("POST", "/api/v1/scoring-runs", "{}")
    plan = {"first_day": "2025-02-18", "last_day": "2025-05-30", "seed": 1, "iterations_per_visit": 20}
    draft = office.api("POST", "/api/v1/plans", json.dumps(plan))
    office.api("POST", f"/api/v1/plans/{draft['id']}/adoption", "{}")
    print(f"{run['components']} components in service, {draft['figures']['owed']} visits owed")
    visits = office.api("GET", "/api/v1/visits?state=placed&limit=1")
    return visits["items"][0]


def link_of_a_household(office):
    """Tells the households of their visits; the path behind the link in one of the mails."""
    office.api("POST", "/api/v1/notices/composition", "{}")
    office.api("POST", "/api/v1/notices/delivery", '{"limit": 50}')
    for file in sorted(Path(office.folder).glob("outbox/**/*.eml")):
        message = email.message_from_bytes(file.read_bytes(), policy=email.policy.default)
        found = re.search(r"https?://[^/\s]+(/a/\S+)", message.get_body(("plain",)).get_content())
        if found:
            return found[1]
    sys.exit("pages: no mail with a link in the outbox")


def main():
    with tempfile.TemporaryDirectory() as folder:
        office = Office(folder)
        try:
            visit = filled(office)
            office.sign_in()
            scores = office.api("GET", "/api/v1/scores?limit=1")["items"][0]
            call = office.api("POST", "/api/v1/no-cool-calls", json.dumps({"site_id": visit["site_id"]}))
            household = link_of_a_household(office)
            plan = office.api("GET", "/api/v1/plans?state=adopted")["items"][0]["id"]
            of_plan = f"/office/plans/{plan}"
            pages = [
                "/office/season", "/office/weather", "/office/risk", "/office/risk?place=mesa",
                "/office/rehearsal", "/office/proof",
                f"/office/day?day={visit['day']}", f"/office/parts/{scores['component_id']}",
                f"/office/sites/{visit['site_id']}", "/office/sites?words=mesa",
                f"/technician/today?day={visit['day']}&technician={visit['technician_id']}",
                f"/technician/visit/{visit['id']}",
                "/office/plans", of_plan, f"{of_plan}/days/{visit['day']}", f"{of_plan}/visits/{visit['id']}",
                f"{of_plan}/visits/{visit['id']}?day=2025-03-12&technician={visit['technician_id']}",
                "/office/no-cool?home=mesa", f"/office/no-cool/{call['id']}",
                household, (household, "answer=other"),
            ] + sys.argv[1:]
            print("| page | median, ms | slowest, ms | kB |\n|---|---|---|---|")
            for page in pages:
                path, form = page if isinstance(page, tuple) else (page, None)
                rounds = [office.page(path, form)[:2] for _ in range(ROUNDS)]
                # The link of a household holds its signature.
                path = re.sub(r"^/a/.+", "/a/…", path) + (f"` sent `{form}" if form else "")
                times = [1000 * seconds for seconds, _ in rounds]
                print(f"| `{path}` | {statistics.median(times):.1f} | {max(times):.1f} | "
                      f"{rounds[0][1] / 1000:.0f} |")
        finally:
            if hasattr(office, "daemon"):
                os.killpg(office.daemon.pid, signal.SIGTERM)
                office.daemon.wait()


if __name__ == "__main__":
    main()
