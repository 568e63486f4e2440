"""Documents that the program's reader has judged, judged again against the schemas that the program publishes.

usage: agreement.py PROGRAM DOCUMENTS

DOCUMENTS has a JSON object a line: kind, document, accepted. The judge is jsonschema's validator for JSON Schema draft
2020-12. Differences go to standard error (the first ten); the last line of standard output is JSON. Exit status 0 if the
two agree on every document, 1 if not.
"""

import json
import subprocess
import sys
from pathlib import Path

from jsonschema import Draft202012Validator


def main(program: str, documents: str) -> int:
    validators: dict[str, Draft202012Validator] = {}
    compared, differ = 0, 0
    for line in Path(documents).read_text(encoding="utf-8").splitlines():
        case = json.loads(line)
        kind = case["kind"]
        if kind not in validators:
            printed = subprocess.run([program, "schema", kind], capture_output=True, text=True, check=True).stdout
            schema = json.loads(printed)
            Draft202012Validator.check_schema(schema)
            validators[kind] = Draft202012Validator(schema)
        error = next(iter(validators[kind].iter_errors(case["document"])), None)
        compared += 1
        if (error is None) != case["accepted"]:
            differ += 1
            if differ <= 10:
                why = "the schema takes it" if error is None else f"{error.json_path}: {error.message[:200]}"
                print(f"{kind}: reader {case['accepted']}, {why}: {json.dumps(case['document'], ensure_ascii=False)[:1500]}",
                      file=sys.stderr)
    print(json.dumps({"compared": compared, "differ": differ}))
    return 1 if differ else 0


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("usage: agreement.py PROGRAM DOCUMENTS")
    sys.exit(main(sys.argv[1], sys.argv[2]))
