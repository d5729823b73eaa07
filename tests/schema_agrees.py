"""Says of each case on standard input whether it is TOML and whether its JSON Schema takes it.

Input: {"schemas": {role: schema}, "cases": [{"role": ..., "text": ...}, ...]}, output: a list of
"not TOML", "refused" or "taken", one for each case. The schemas themselves are checked first.
Needs Python 3.11 and the package `jsonschema`.
"""

import json
import sys
import tomllib

from jsonschema import Draft202012Validator


def verdict(validator, text):
    try:
        instance = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return "not TOML"
    # Dates have no counterpart in JSON; every text about one is refused where a text is expected.
    instance = json.loads(json.dumps(instance, default=lambda date: {"date": str(date)}))
    return "taken" if validator.is_valid(instance) else "refused"


def main():
    given = json.load(sys.stdin)
    for schema in given["schemas"].values():
        Draft202012Validator.check_schema(schema)
    validators = {role: Draft202012Validator(schema) for role, schema in given["schemas"].items()}
    json.dump([verdict(validators[case["role"]], case["text"]) for case in given["cases"]], sys.stdout)


if __name__ == "__main__":
    main()
