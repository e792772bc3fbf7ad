#!/usr/bin/env python3
"""Small season instances against an exact answer of OR-Tools CP-SAT, which knows nothing of this project.

The instances are invented from a seed in the file form of docs/planning.md; the model below is written
from that page alone: one circuit for each technician-day, optional visits, starts of work as variables.
CP-SAT proves its optimum; the planner must reach it to the second.

Run from the project's root: tests/.venv/bin/python tests/outside/planning_exact.py
"""

import json
import math
import random
import subprocess
import sys
import tempfile
from pathlib import Path

from ortools.sat.python import cp_model

INSTANCES = 12
ITERATIONS = 20_000
SKILLS = ["standard", "heat-pump", "large"]


def invent(seed):
    draw = random.Random(seed)
    days, people, count = 3, 2, 7
    place = lambda: (draw.randrange(30_000), draw.randrange(20_000))
    technicians = []
    for _ in range(people):
        x, y = place()
        technicians.append({
            "x": x, "y": y, "start_s": 27_000, "end_s": 27_000 + draw.randrange(14_000, 26_000),
            "skills": draw.sample(SKILLS[:2], draw.choice([1, 2, 2])),
            "off_days": [day for day in range(days) if draw.random() < 0.15],
        })
    visits = []
    for number in range(count):
        x, y = place()
        allowed = [day for day in range(days) if draw.random() < 0.8] or [0]
        visits.append({
            "id": 100 + number, "home": number, "x": x, "y": y, "units": 1,
            "duration_s": 60 * draw.randrange(45, 110), "skill": draw.choice(SKILLS[:2]),
            "release": allowed[0], "due": draw.choice(allowed), "last": allowed[-1], "days": allowed,
            "tw_s": draw.choice([[28_800, 43_200], [43_200, 61_200], [28_800, 61_200]]),
            "risk_s": draw.randrange(300, 24_000),
        })
    heat = sorted([0] + [draw.randrange(1_000_000) for _ in range(days - 1)])
    return {"name": f"exact-{seed}", "days": days, "heat_ppm": heat, "late_s_per_day": 1_200,
            "drop_base_s": draw.choice([0, 3_000, 18_000]), "techs": technicians, "visits": visits}


def travel_s(a, b):
    dx, dy = a["x"] - b["x"], a["y"] - b["y"]
    return 0 if dx == dy == 0 else 120 + math.isqrt(dx * dx + dy * dy) * 123 // 1000


def optimum_s(instance):
    """The least objective in seconds, proved."""
    model = cp_model.CpModel()
    visits = instance["visits"]
    cost = 0
    served = [[] for _ in visits]
    for day in range(instance["days"]):
        for person in instance["techs"]:
            if day in person["off_days"]:
                continue
            here = [i for i, v in enumerate(visits)
                    if day in v["days"] and v["skill"] in person["skills"]]
            stops = [person] + [visits[i] for i in here]
            start = [None] + [model.new_int_var(*v["tw_s"], "") for v in stops[1:]]
            arcs = []
            empty = model.new_bool_var("")
            arcs.append((0, 0, empty))
            for node, index in enumerate(here, start=1):
                visit = visits[index]
                skipped = model.new_bool_var("")
                arcs.append((node, node, skipped))
                served[index].append(skipped.negated())
                on_day = visit["risk_s"] * instance["heat_ppm"][day] // 1_000_000
                on_day += instance["late_s_per_day"] * max(0, day - visit["due"])
                cost += on_day * skipped.negated()
            for a in range(len(stops)):
                for b in range(len(stops)):
                    if a == b:
                        continue
                    used = model.new_bool_var("")
                    arcs.append((a, b, used))
                    way = travel_s(stops[a], stops[b])
                    cost += way * used
                    leave = person["start_s"] if a == 0 else start[a] + stops[a]["duration_s"]
                    arrive_by = person["end_s"] if b == 0 else start[b]
                    model.add(leave + way <= arrive_by).only_enforce_if(used)
            model.add_circuit(arcs)
    for visit, ways in zip(visits, served):
        dropped = model.new_bool_var("")
        model.add_exactly_one([*ways, dropped])
        left_out = visit["risk_s"] + instance["drop_base_s"]
        left_out += instance["late_s_per_day"] * (visit["last"] - visit["due"])
        cost += left_out * dropped
    model.minimize(cost)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 2
    solver.parameters.max_time_in_seconds = 120
    status = solver.solve(model)
    if status != cp_model.OPTIMAL:
        sys.exit(f"{instance['name']}: CP-SAT proved no optimum: {solver.status_name(status)}")
    return round(solver.objective_value)


def main():
    build = ["cargo", "build", "--quiet", "--release", "--locked", "-p", "hotspell-planning",
             "--example", "season", "--message-format", "json"]
    built = subprocess.run(build, check=True, capture_output=True, text=True).stdout.splitlines()
    program = next(e for e in (json.loads(line).get("executable") for line in built) if e)
    wrong = 0
    left_out = 0
    for seed in range(1, INSTANCES + 1):
        instance = invent(seed)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "instance.json")
            path.write_text(json.dumps(instance))
            command = [program, str(path), "60", str(seed), "1", str(ITERATIONS)]
            answer = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        plan = json.loads(answer)
        ours, exact = round(plan["objective"] * 60), optimum_s(instance)
        left_out += len(plan["unplaced"])
        if ours != exact:
            wrong += 1
            print(f"{instance['name']}: planner {ours} s, CP-SAT {exact} s")
    # Where nothing is ever left out, the choice of what to leave out is not compared.
    if left_out == 0:
        sys.exit("no instance left a visit out")
    if wrong:
        sys.exit(f"{wrong} of {INSTANCES} instances differ from the optimum")
    print(f"{INSTANCES} instances, {left_out} visits left out: all optimal by CP-SAT")


if __name__ == "__main__":
    main()
