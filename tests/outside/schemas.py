"""Everything that people write and that the program writes, validated against the schemas that the program publishes.

usage: schemas.py PROGRAM

The validator is jsonschema's for JSON Schema draft 2020-12, TOML is read by the standard library's tomllib: neither is
the program's own reader. Then every document is broken in many ways, one at a time, and each has to be refused. Last, every
field of what people write has to be explained, and what a schema offers an editor to complete has to be valid itself.

Messages go to standard error; the last line of standard output is JSON. Exit status 0 if all is well, 1 if not.
"""

import copy
import datetime
import json
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path

from jsonschema import Draft202012Validator

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
PROTOCOL = EXAMPLES.parent / "drivers" / "PROTOCOL.md"
SKELETON = EXAMPLES / "plug-ins" / "skeleton.py"
JOB = EXAMPLES / "low-frequency.toml"
FAULTS = EXAMPLES / "faults" / "emergency-stop.toml"
# What a file of the examples is follows from where it lies.
KIND_OF_FOLDER = {"plans": "plan", "rigs": "rig", "faults": "faults"}
KIND_OF_FILE = {
    "registers/sensors.toml": "sensors",
    "registers/workshop-sensors.toml": "sensors",
    "registers/references.toml": "references",
    "registers/workshop-references.toml": "references",
    "settings/laboratory.toml": "settings",
    "sound/rig.toml": "rig",
    "sound/plan.toml": "plan",
    "sound/job.toml": "job",
    "settings/scope.toml": "scope",
}
# Every kind that has a schema; each has to turn up.
KINDS = {"plan", "job", "rig", "sensors", "references", "settings", "scope", "faults", "result", "truth", "check", "problems", "run", "journal",
         "protocol"}
# Parts of run.json that are documents of another kind.
WITHIN_RUN = ("plan", "job", "rig", "sensors", "references")
# Of each document, at most so many lists' items are broken: the rest are like them.
ITEMS = 2


def kind_of(path: Path) -> str:
    """The kind of an example; a job lies at the top."""
    name = path.relative_to(EXAMPLES).as_posix()
    return KIND_OF_FILE.get(name) or KIND_OF_FOLDER.get(path.parent.name) or "job"


def plain(value):
    """TOML's dates as the texts that JSON has for them."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [plain(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


class Program:
    """The program and a folder for its runs."""

    def __init__(self, path: str, folder: Path):
        self.path, self.folder = path, folder
        self.validators: dict[str, Draft202012Validator] = {}

    def call(self, arguments: list[str], status: int) -> str:
        common = ["--state-dir", str(self.folder / f"state{status}")]
        done = subprocess.run([self.path, *common, *arguments], capture_output=True, text=True, cwd=self.folder)
        if done.returncode != status:
            raise RuntimeError(f"{arguments} ended with {done.returncode}, not {status}: {done.stderr}")
        return done.stdout

    def validator(self, kind: str) -> Draft202012Validator:
        if kind not in self.validators:
            schema = json.loads(self.call(["schema", kind], 0))
            Draft202012Validator.check_schema(schema)
            self.validators[kind] = Draft202012Validator(schema)
        return self.validators[kind]


def documents(program: Program) -> Iterator[tuple[str, str, object]]:
    """Every document: its kind, its name and what it says."""
    for path in sorted(EXAMPLES.rglob("*.toml")):
        with path.open("rb") as file:
            yield kind_of(path), path.relative_to(EXAMPLES).as_posix(), plain(tomllib.load(file))
    yield "check", "check --json", json.loads(program.call(["check", str(JOB), "--json"], 0))
    yield "problems", "check --json of no file", json.loads(program.call(["check", "nowhere.toml", "--json"], 2))
    yield from (("protocol", name, message) for name, message in (*messages_of_the_text(), *messages_of_a_plug_in()))
    for name, more, status in (("run", [], 0), ("tripped run", ["--faults", str(FAULTS)], 3)):
        out = program.folder / name
        program.call(["dry-run", str(JOB), "--no-certificates", "--out", str(out), *more], status)
        run = json.loads((out / "run.json").read_bytes())
        yield "run", f"{name}: run.json", run
        yield from ((kind, f"{name}: {kind} in run.json", run[kind]) for kind in WITHIN_RUN)
        yield "result", f"{name}: result.json", json.loads((out / "result.json").read_bytes())
        yield "truth", f"{name}: truth.json", json.loads((out / "truth.json").read_bytes())
        for number, line in enumerate((out / "journal.jsonl").read_bytes().splitlines(), start=1):
            yield "journal", f"{name}: journal.jsonl, line {number}", json.loads(line)


def messages_of_the_text() -> Iterator[tuple[str, object]]:
    """The messages that the protocol's text shows: an arrow begins one, and it goes on over the lines below."""
    messages, fence = [], None
    for line in PROTOCOL.read_text(encoding="utf-8").splitlines():
        if line.startswith("```"):
            fence = line if fence is None else None
        elif fence == "```" and line[:1] in ("→", "←"):
            messages.append(line[1:])
        elif fence == "```":
            messages[-1] += line
    for number, message in enumerate(messages, start=1):
        yield f"{PROTOCOL.name}, message {number}", json.loads(message)


def messages_of_a_plug_in() -> Iterator[tuple[str, object]]:
    """A conversation with the skeleton of the examples, both sides of it."""
    hello = {"protocol": "1.0", "instrument": "x", "driver": "plug-in", "latency_s": 0.05, "settings": {},
             "reply_limit_s": 1, "heartbeat_limit_s": 60}
    calls = [("hello", hello), ("make_safe", {"reason": "start"}), ("ambient.read", {}), ("contacts.read", {})]
    plug_in = subprocess.Popen([sys.executable, SKELETON], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    with plug_in:
        for ident, (method, params) in enumerate(calls):
            asked = {"jsonrpc": "2.0", "id": ident, "method": method, "params": params}
            plug_in.stdin.write(json.dumps(asked) + "\n")
            plug_in.stdin.flush()
            yield f"asking a plug-in: {method}", asked
            yield f"answer of a plug-in: {method}", json.loads(plug_in.stdout.readline())


def places(value, path=()) -> Iterator[tuple]:
    """Where something stands in a document, from the outside in."""
    items = value.items() if isinstance(value, dict) else enumerate(value[:ITEMS]) if isinstance(value, list) else ()
    for key, item in items:
        yield (*path, key)
        yield from places(item, (*path, key))


def changed(document, path: tuple, change):
    """A copy of the document with a change at a place."""
    other = copy.deepcopy(document)
    holder = other
    for key in path[:-1]:
        holder = holder[key]
    change(holder, path[-1])
    return other


def broken(kind: str, document) -> Iterator[tuple[str, object]]:
    """Variants that no schema worth its name accepts."""
    free = {*WITHIN_RUN, "scope"} if kind == "run" else set()
    if kind == "rig":
        free = {"settings"}  # a driver's own, unknown to the rig's schema
    if kind == "protocol":
        # A result without any member is one, and a later version may add members.
        free = {"settings", "result"}
    for path in places(document):
        if free & set(path):
            continue
        name = ".".join(map(str, path))

        def other_type(holder, key):
            # Nothing in any document may be a list of such tables.
            holder[key] = [{"no such": "thing"}]

        yield f"{name} of another type", changed(document, path, other_type)
        value = document
        for key in path:
            value = value[key]
        if isinstance(value, str) and is_word(kind, path):
            yield f"{name} with another word", changed(document, path, lambda h, k: h.__setitem__(k, "no such word"))
    if "schema" in document:
        yield "another schema", {**document, "schema": "x/9"}
    elif "format" in document:
        yield "another format", {**document, "format": 99}
    yield "no table at all", [document]


def is_word(kind: str, path: tuple) -> bool:
    """Whether only some words may stand there, or a quantity: what people name freely is left out."""
    words = {"status", "decision", "outcome", "state", "method", "polarity", "sensitivity_unit", "kind", "condition",
             "mounting", "mode", "mute", "rule", "deviation_from", "frequency", "amplitude", "rate", "range"}
    return path[-1] in words


def missing(validator: Draft202012Validator, document) -> Iterator[tuple[str, object]]:
    """The document without each of its required keys, and with one that nobody knows, where the schema closes it."""
    schema = validator.schema
    for key in schema.get("required", []):
        yield f"without {key}", {k: v for k, v in document.items() if k != key}
    if schema.get("additionalProperties") is False:
        yield "with an unknown key", {**document, "no_such_key": 1}


# What people write, and an editor helps with.
WRITTEN = ("plan", "job", "rig", "sensors", "references", "settings", "faults", "scope")


def fields(root: dict, schema: dict, path: str = "") -> Iterator[tuple[str, dict]]:
    """Every field of a schema with its path, through tables, lists and alternatives."""
    if "$ref" in schema:
        target = root
        for part in schema["$ref"].removeprefix("#/").split("/"):
            target = target[part]
        schema = {**target, **{key: value for key, value in schema.items() if key != "$ref"}}
    for key, field in schema.get("properties", {}).items():
        yield f"{path}.{key}", field
        yield from fields(root, field, f"{path}.{key}")
    inner = [schema[key] for key in ("items", "additionalProperties") if isinstance(schema.get(key), dict)]
    for way in ("anyOf", "oneOf", "allOf"):
        inner += schema.get(way, [])
    for field in inner:
        yield from fields(root, field, f"{path}[]")


def unexplained(root: dict) -> Iterator[str]:
    """What a schema leaves an editor without: an explanation, an example, or one that is valid."""
    for path, field in fields(root, root):
        if len(field.get("description", "").split()) < 1:
            yield f"{path} is not explained"
        ways = [field, *field.get("anyOf", []), *field.get("oneOf", [])]
        if any("pattern" in way for way in ways) and not any("examples" in way or "const" in way for way in ways):
            yield f"{path} has a pattern and no example"
        for way in ways:
            judge = Draft202012Validator({**way, "$defs": root.get("$defs", {})})
            offered = [*way.get("examples", []), *([way["default"]] if "default" in way else [])]
            yield from (f"{path}: {value!r} is offered and not valid" for value in offered if not judge.is_valid(value))


def main(path: str) -> int:
    valid, refused, wrong, kinds = 0, 0, 0, set()
    with tempfile.TemporaryDirectory() as folder:
        program = Program(str(Path(path).resolve()), Path(folder))
        for kind, name, document in documents(program):
            kinds.add(kind)
            validator = program.validator(kind)
            problems = [f"{error.json_path}: {error.message[:300]}" for error in validator.iter_errors(document)]
            valid += not problems
            wrong += len(problems)
            for problem in problems:
                print(f"{name}: {problem}", file=sys.stderr)
            for what, variant in (*broken(kind, document), *missing(validator, document)):
                if validator.is_valid(variant):
                    wrong += 1
                    print(f"{name}: accepted {what}", file=sys.stderr)
                else:
                    refused += 1
        for kind in WRITTEN:
            for problem in unexplained(program.validator(kind).schema):
                wrong += 1
                print(f"schema of {kind}: {problem}", file=sys.stderr)
    for kind in sorted(KINDS - kinds):
        wrong += 1
        print(f"no document of kind {kind} turned up", file=sys.stderr)
    print(f"{valid} documents of {len(kinds)} kinds valid, {refused} broken variants refused, {wrong} wrong")
    print(json.dumps({"valid": valid, "refused": refused, "wrong": wrong, "kinds": sorted(kinds)}))
    return 1 if wrong else 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: schemas.py PROGRAM")
    sys.exit(main(sys.argv[1]))
