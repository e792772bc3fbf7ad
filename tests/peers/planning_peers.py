#!/usr/bin/env python3
"""Runs PyVRP, OR-Tools and this project's planner on the same instances, the same seconds, one thread
each, one after the other in one run, and prints the table of docs/planning.md.

    tests/peers/planning.sh [--seconds 10] [--season-seconds 20] [--seed 1] [--instances R112,RC208]

Routes: distances and times floor(10 d) / 10, least total distance, any number of vehicles; every answer
is evaluated again here and must be feasible. Season: the objective of docs/planning.md in minutes; plans
of both are evaluated again here.
"""

import argparse
import csv
import importlib.metadata
import json
import math
import subprocess
import sys
import time
from pathlib import Path

import pyvrp
import pyvrp.stop
from ortools.constraint_solver import pywrapcp, routing_enums_pb2

DATA = Path("service/planning/tests/data")


def read_instance(path):
    rows = [line.split() for line in path.read_text().splitlines()]
    rows = [[int(word) for word in row] for row in rows if row and row[0].isdigit()]
    (fleet, capacity), customers = rows[0], rows[1:]
    return fleet, capacity, customers


def tenths(a, b):
    return math.floor(10 * math.hypot(a[1] - b[1], a[2] - b[2]))


def evaluate(instance, routes):
    """Distance of feasible routes; ends the run if a rule is broken."""
    fleet, capacity, rows = instance
    seen = sorted(stop for route in routes for stop in route)
    if seen != list(range(1, len(rows))) or len([r for r in routes if r]) > fleet:
        sys.exit("an answer does not serve every customer once")
    total = 0
    for route in routes:
        clock, load, here = 10 * rows[0][4], 0, 0
        for stop in [*route, 0]:
            way = tenths(rows[here], rows[stop])
            total += way
            clock = max(clock + way, 10 * rows[stop][4])
            load += rows[stop][3]
            if clock > 10 * rows[stop][5] or load > capacity:
                sys.exit("an answer breaks a time window or the capacity")
            clock += 10 * rows[stop][6]
            here = stop
    return total / 10


def by_pyvrp(path, instance, seconds, seed):
    fleet, capacity, rows = instance
    model = pyvrp.Model()
    places = [model.add_location(x=row[1], y=row[2]) for row in rows]
    depot = model.add_depot(places[0], tw_early=10 * rows[0][4], tw_late=10 * rows[0][5])
    for place, row in zip(places[1:], rows[1:]):
        model.add_client(place, delivery=[row[3]], service_duration=10 * row[6],
                         tw_early=10 * row[4], tw_late=10 * row[5])
    model.add_vehicle_type(fleet, capacity=[capacity], start_depot=depot, end_depot=depot)
    for a, row_a in zip(places, rows):
        for b, row_b in zip(places, rows):
            if a is not b:
                way = tenths(row_a, row_b)
                model.add_edge(a, b, distance=way, duration=way)
    result = model.solve(stop=pyvrp.stop.MaxRuntime(seconds), seed=seed, display=False)
    return [[stop.idx + 1 for stop in route if stop.is_client()] for route in result.best.routes()]


def ortools_parameters(seconds):
    parameters = pywrapcp.DefaultRoutingSearchParameters()
    strategy = routing_enums_pb2.FirstSolutionStrategy
    parameters.first_solution_strategy = strategy.PARALLEL_CHEAPEST_INSERTION
    local = routing_enums_pb2.LocalSearchMetaheuristic
    parameters.local_search_metaheuristic = local.GUIDED_LOCAL_SEARCH
    parameters.time_limit.FromMilliseconds(int(seconds * 1000))
    return parameters


def read_routes(manager, routing, solution, vehicles):
    routes = []
    for vehicle in range(vehicles):
        index, route = solution.Value(routing.NextVar(routing.Start(vehicle))), []
        while not routing.IsEnd(index):
            route.append(manager.IndexToNode(index))
            index = solution.Value(routing.NextVar(index))
        routes.append(route)
    return routes


def by_ortools(path, instance, seconds, seed):
    fleet, capacity, rows = instance
    way = [[tenths(a, b) for b in rows] for a in rows]
    manager = pywrapcp.RoutingIndexManager(len(rows), fleet, 0)
    routing = pywrapcp.RoutingModel(manager)
    node = manager.IndexToNode
    distance = routing.RegisterTransitCallback(lambda i, j: way[node(i)][node(j)])
    routing.SetArcCostEvaluatorOfAllVehicles(distance)
    clock = routing.RegisterTransitCallback(
        lambda i, j: way[node(i)][node(j)] + 10 * rows[node(i)][6])
    horizon = 10 * rows[0][5]
    routing.AddDimension(clock, horizon, horizon, False, "time")
    for stop in range(1, len(rows)):
        span = routing.GetDimensionOrDie("time").CumulVar(manager.NodeToIndex(stop))
        span.SetRange(10 * rows[stop][4], 10 * rows[stop][5])
    load = routing.RegisterUnaryTransitCallback(lambda i: rows[node(i)][3])
    routing.AddDimension(load, 0, capacity, True, "load")
    solution = routing.SolveWithParameters(ortools_parameters(seconds))
    return read_routes(manager, routing, solution, fleet) if solution else None


def by_us(path, instance, seconds, seed):
    command = [program("route"), str(path), str(seconds), str(seed)]
    return json.loads(subprocess.run(command, check=True, capture_output=True).stdout)["routes"]


def program(example):
    return str(Path("target/release/examples", example))


def routes_table(names, seconds, seed):
    best = {row["instance"]: float(row["distance"])
            for row in csv.DictReader((DATA / "vrptw/best_known.csv").open())
            if row["convention"] == "dimacs-distance"}
    version = importlib.metadata.version
    solvers = {"this planner": by_us, f"PyVRP {version('pyvrp')}": by_pyvrp,
               f"OR-Tools {version('ortools')}": by_ortools}
    print(f"| instance, {seconds:g} s | best known | " + " | ".join(solvers) + " |")
    print("|---|---|" + "---|" * len(solvers))
    gaps = {name: [] for name in solvers}
    for name in names:
        path = DATA / "vrptw" / f"{name}.txt"
        instance = read_instance(path)
        cells = []
        for solver, solve in solvers.items():
            routes = solve(path, instance, seconds, seed)
            if routes is None:
                cells.append("no answer")
                gaps[solver].append(math.inf)
                continue
            gap = 100 * (evaluate(instance, routes) / best[name] - 1)
            gaps[solver].append(gap)
            cells.append(f"{abs(gap) if gap < 0.005 else gap:.2f} ({len([r for r in routes if r])})")
        print(f"| {name} | {best[name]} | " + " | ".join(cells) + " |", flush=True)
    for title, figure in (("mean", lambda g: sum(g) / len(g)), ("worst", max)):
        print(f"| {title} | | " + " | ".join(f"{figure(g):.2f}" for g in gaps.values()) + " |")


def travel_s(a, b):
    dx, dy = a["x"] - b["x"], a["y"] - b["y"]
    return 0 if dx == dy == 0 else 120 + math.isqrt(dx * dx + dy * dy) * 123 // 1000


def day_cost_s(season, visit, day):
    late = season["late_s_per_day"] * max(0, day - visit["due"])
    return visit["risk_s"] * season["heat_ppm"][day] // 1_000_000 + late


def drop_cost_s(season, visit):
    late = season["late_s_per_day"] * (visit["last"] - visit["due"])
    return visit["risk_s"] + late + season["drop_base_s"]


def season_objective(season, routes):
    """(objective in minutes, visits left out) of {(day, technician): [visit index]}."""
    total, placed = 0, set()
    for (day, person), route in routes.items():
        home = season["techs"][person]
        here, clock = home, home["start_s"]
        for index in route:
            visit = season["visits"][index]
            if index in placed or day not in visit["days"] or visit["skill"] not in home["skills"]:
                sys.exit("a season plan breaks a rule")
            placed.add(index)
            way = travel_s(here, visit)
            total += way + day_cost_s(season, visit, day)
            clock = max(clock + way, visit["tw_s"][0])
            if clock > visit["tw_s"][1]:
                sys.exit("a season plan breaks a time window")
            clock += visit["duration_s"]
            here = visit
        if route:
            total += travel_s(here, home)
            if clock + travel_s(here, home) > home["end_s"]:
                sys.exit("a season plan breaks a shift")
    dropped = [v for i, v in enumerate(season["visits"]) if i not in placed]
    total += sum(drop_cost_s(season, visit) for visit in dropped)
    return total / 60, len(dropped)


def season_by_ortools(season, seconds):
    visits, people = season["visits"], season["techs"]
    slots = [(d, k) for d in range(season["days"]) for k, p in enumerate(people)
             if d not in p["off_days"]]
    # Nodes: visits, then the technicians' homes.
    places = visits + people
    ends = [len(visits) + k for _, k in slots]
    manager = pywrapcp.RoutingIndexManager(len(places), len(slots), ends, ends)
    routing = pywrapcp.RoutingModel(manager)
    node = manager.IndexToNode
    way = [[travel_s(a, b) for b in places] for a in places]
    work = [visit["duration_s"] for visit in visits] + [0] * len(people)
    clock = routing.RegisterTransitCallback(
        lambda i, j: way[node(i)][node(j)] + work[node(i)])
    latest = max(p["end_s"] for p in people)
    routing.AddDimension(clock, latest, latest, False, "time")
    dimension = routing.GetDimensionOrDie("time")
    price = [[day_cost_s(season, v, d) for v in visits] + [0] * len(people)
             for d in range(season["days"])]
    on_day = [routing.RegisterTransitCallback(
        lambda i, j, d=d: way[node(i)][node(j)] + price[d][node(j)]) for d in range(season["days"])]
    for vehicle, (day, person) in enumerate(slots):
        routing.SetArcCostEvaluatorOfVehicle(on_day[day], vehicle)
        dimension.CumulVar(routing.Start(vehicle)).SetValue(people[person]["start_s"])
        dimension.CumulVar(routing.End(vehicle)).SetMax(people[person]["end_s"])
    for number, visit in enumerate(visits):
        index = manager.NodeToIndex(number)
        dimension.CumulVar(index).SetRange(*visit["tw_s"])
        allowed = [v for v, (d, k) in enumerate(slots)
                   if d in visit["days"] and visit["skill"] in people[k]["skills"]]
        routing.VehicleVar(index).SetValues([-1, *allowed])
        routing.AddDisjunction([index], drop_cost_s(season, visit))
    solution = routing.SolveWithParameters(ortools_parameters(seconds))
    if solution is None:
        return None
    return dict(zip(slots, read_routes(manager, routing, solution, len(slots))))


def season_by_us(season, path, seconds, seed):
    command = [program("season"), str(path), str(seconds), str(seed), "1"]
    plan = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    index = {visit["id"]: i for i, visit in enumerate(season["visits"])}
    return {(r["day"], r["tech"]): [index[v] for v in r["visits"]] for r in plan["routes"]}


def season_table(names, seconds, seed):
    print(f"| season, {seconds:g} s | this planner, min (left out) | OR-Tools, min (left out) |")
    print("|---|---|---|")
    for name in names:
        path = DATA / "season" / f"{name}.json"
        season = json.loads(path.read_text())
        cells = []
        for routes in (season_by_us(season, path, seconds, seed), season_by_ortools(season, seconds)):
            if routes is None:
                cells.append("no answer")
            else:
                cells.append("{:,.0f} ({})".format(*season_objective(season, routes)))
        print(f"| {name} | " + " | ".join(cells) + " |", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--season-seconds", type=float, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--instances", default="C101,R101,R112,R201,RC105,RC208,R1_2_1,RC1_2_5,R1_4_1")
    parser.add_argument("--seasons", default="s300")
    options = parser.parse_args()
    names = [name for name in options.instances.split(",") if name]
    seasons = [name for name in options.seasons.split(",") if name]
    started = time.monotonic()
    if names:
        routes_table(names, options.seconds, options.seed)
        print()
    if seasons:
        season_table(seasons, options.season_seconds, options.seed)
    print(f"\nThe whole run took {time.monotonic() - started:.0f} s.")


if __name__ == "__main__":
    main()
