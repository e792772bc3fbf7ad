#!/usr/bin/env python3
"""README's tour is what the demo prints.

    docs/tour.py PRINTED            puts what was printed into README.md
    docs/tour.py --check PRINTED    fails when README.md shows what the demo no longer prints

The check passes over figures, and over names in the route and the list of parts: the last digit of a
logarithm differs between processors, and one visit placed otherwise changes a route.
"""
import re
import sys
from pathlib import Path

README = Path(__file__).resolve().parent.parent / "README.md"
PARTS_SHOWN = 4


def sections(printed):
    """Heading to its lines, heading and rule included."""
    found = {}
    for block in printed.strip().split("\n\n"):
        lines = block.split("\n")
        if len(lines) > 2 and set(lines[1]) == {"-"}:
            found[kind(lines[0])] = lines
    return found


def kind(heading):
    for start in ("The season 20", "The ten parts", "The season plan", "The life model", "Notices"):
        if heading.startswith(start):
            return start
    return "route" if re.search(r" on [A-Z][a-z]+day \d+ [A-Z]", heading) else heading


def shown(name, lines):
    """The lines as README shows them."""
    if name == "The ten parts":
        begins = [at for at, line in enumerate(lines) if re.match(r"\s+\d+ %", line)]
        return lines[: begins[PARTS_SHOWN]] + ["  ..."]
    return [re.sub(r"(hotspell-demo-)\w+", r"\1XXXXXX", line) for line in lines]


def skeleton(name, lines):
    """What does not depend on the last digit."""
    if name in ("route", "The ten parts"):
        return []
    return [re.sub(r" *\d+", " N", re.sub(r"-+", "-", line.rsplit(" into ", 1)[0])) for line in lines]


def main(arguments):
    check = arguments[:1] == ["--check"]
    if len(arguments) != 1 + check:
        sys.exit(__doc__)
    printed = sections(Path(arguments[-1]).read_text(encoding="utf-8"))
    text = README.read_text(encoding="utf-8")
    stale, seen = [], set()

    def replaced(block):
        name = kind(block.group(1).split("\n")[0])
        if name not in printed:
            stale.append(f"the demo prints no section like «{block.group(1).splitlines()[0]}»")
            return block.group(0)
        seen.add(name)
        lines = shown(name, printed[name])
        old = block.group(1).rstrip("\n").split("\n")
        if skeleton(name, lines) != skeleton(name, old):
            stale.append(f"«{old[0]}» is printed otherwise now")
        return "```text\n" + "\n".join(lines) + "\n```"

    fresh = re.sub(r"```text\n(.*?)\n```", replaced, text, flags=re.S)
    if missing := set(printed) - seen:
        stale.append(f"README shows nothing of {sorted(missing)}")
    if check:
        if stale:
            sys.exit("README.md: " + "; ".join(stale) + "\nmend it with docs/tour.py")
        print(f"tour: {len(seen)} sections are as the demo prints them")
    else:
        README.write_text(fresh, encoding="utf-8")


main(sys.argv[1:])
