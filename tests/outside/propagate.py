"""Propagates uncertainty through models by GTC and compares with what was found for them.

    python propagate.py models.json

Needs GTC (Measurement Standards Laboratory of New Zealand; tried with 1.5.1). The models come with inputs, correlations
and the figures to compare. Wanted: 1e-9, relative. Exits 1 if missed. The last line of standard output is JSON.
"""

import json
import math
import sys

import GTC

WANTED = 1e-9
# Beyond this, degrees of freedom are as good as infinite.
MANY = 1e6

BINARY = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "/": lambda a, b: a / b,
}
UNARY = {name: getattr(GTC, name) for name in ("sin", "cos", "atan", "exp", "log", "sqrt")}


def evaluate(tree, inputs):
    if isinstance(tree, dict):
        return inputs[tree["input"]]
    if not isinstance(tree, list):
        return tree
    name, *parts = tree
    parts = [evaluate(part, inputs) for part in parts]
    # A subtree of constants alone is a plain number, which GTC's functions take as well.
    return BINARY[name](*parts) if name in BINARY else UNARY[name](*parts)


def uncertain(case):
    """Inputs: those of the first degrees of freedom were observed together, the last one by itself."""
    *together, alone = case["inputs"]
    dof = together[0]["dof"]
    assert all(i["dof"] == dof for i in together)
    inputs = list(GTC.multiple_ureal([i["value"] for i in together], [i["standard"] for i in together], dof))
    for a, b, r in case["pairs"]:
        GTC.set_correlation(r, inputs[a], inputs[b])
    inputs.append(GTC.ureal(alone["value"], alone["standard"], math.inf if alone["dof"] is None else alone["dof"]))
    return inputs


def off(found, expected):
    """Relative difference; a number that is none is infinitely off."""
    difference = abs(found - expected) / max(abs(expected), 1e-12)
    return difference if difference >= 0 else math.inf


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        cases = json.load(file)
    worst, figures = 0.0, 0
    for number, case in enumerate(cases):
        inputs = uncertain(case)
        results = [evaluate(r["model"], inputs) for r in case["results"]]
        differences = []
        for found, said in zip(results, case["results"]):
            differences += [off(said["value"], found.x), off(said["standard"], found.u)]
            dof = math.inf if said["dof"] is None else said["dof"]
            if min(dof, found.df) < MANY:
                differences.append(off(dof, found.df))
        if case["correlation"] is not None:
            differences.append(abs(case["correlation"] - GTC.get_correlation(*results)))
        figures += len(differences)
        worst = max(worst, *differences)
        if max(differences) > WANTED:
            print(f"model {number + 1}: off by {max(differences):.2e}: {differences}")
    print(json.dumps({"models": len(cases), "figures": figures, "worst_relative": worst}))
    return 0 if worst <= WANTED else 1


if __name__ == "__main__":
    sys.exit(main())
