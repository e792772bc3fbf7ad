"""How long after a technician's finding the sister's score has risen, over HTTP.

Runs the demo (412 homes, 629 units), sends in the result of visits at homes with two capacitors in service, one
of them found failed, and takes the time from the first byte of the request until the list of scores
has answered with the sister's higher risk: a round trip of two requests.

Run: cargo build --release; tests/.venv/bin/python tests/speed/sister_score.py
"""

import json
import os
import re
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BINARY = os.environ.get("HOTSPELL_BINARY", str(ROOT / "target/release/hotspell"))
HOMES = 30
CAPACITORS = ("run-capacitor-single", "run-capacitor-dual")


class Api:
    def __init__(self, address, token):
        self.address, self.token = address, token

    def send(self, method, path, body=None):
        request = urllib.request.Request(
            f"{self.address}{path}",
            method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request) as answer:
            return json.load(answer)

    def all(self, path):
        """Every item of a paged list."""
        items, cursor = [], ""
        while cursor is not None:
            page = self.send("GET", f"{path}{'&' if '?' in path else '?'}limit=500{cursor}")
            items += page["items"]
            cursor = f"&cursor={page['next']}" if page.get("next") else None
        return items


def started():
    """The demo, its address and the office's token."""
    demo = subprocess.Popen([BINARY, "demo"], stdout=subprocess.PIPE, text=True)
    address = None
    for line in demo.stdout:
        address = address or re.search(r"http://[0-9.]+:[0-9]+", line)
        token = re.match(r" +office +(\S+)", line)
        if token:
            return demo, Api(address[0], token[1])
    sys.exit("sister_score: the demo ended before it said its address")


def score_of(api, component):
    return api.send("GET", f"/api/v1/scores?component_id={component}")["items"][0]["p_season"]


def one(api, visit, failed, sister):
    """Seconds until the sister's score has risen."""
    before = score_of(api, sister)
    result = {
        "key": f"speed-{visit['id']}", "day": visit["day_of_work"], "technician_id": visit["technician_id"],
        "readings": [], "replacements": [{"component_id": failed, "end_kind": "failed"}], "complete": True,
    }
    begin = time.perf_counter()
    api.send("POST", f"/api/v1/visits/{visit['id']}/results", result)
    after = score_of(api, sister)
    seconds = time.perf_counter() - begin
    if not after > before:
        sys.exit(f"sister_score: {before} did not rise, but is {after} (component {sister})")
    return seconds


def main():
    demo, api = started()
    try:
        today = api.send("GET", "/api/v1/season")["as_of"]
        parts = {}
        for score in api.all("/api/v1/scores"):
            if score["class"] in CAPACITORS:
                parts.setdefault(score["site_id"], []).append(score["component_id"])
        placed = api.all("/api/v1/visits?state=announced") + api.all("/api/v1/visits?state=placed")
        taken = []
        for visit in placed:
            pair = parts.pop(visit["site_id"], [])
            if len(pair) >= 2 and len(taken) < HOMES:
                visit["day_of_work"] = today
                taken.append(one(api, visit, pair[0], pair[1]))
    finally:
        demo.terminate()
        demo.wait()
    taken.sort()
    print(f"{len(taken)} homes: median {1000 * taken[len(taken) // 2]:.0f} ms, "
          f"fastest {1000 * taken[0]:.0f} ms, slowest {1000 * taken[-1]:.0f} ms")


if __name__ == "__main__":
    main()
