"""The OpenAPI document as the page on the API shows it."""

from plugface.cli.web.calls import Value, read_calls

SMALL = {
    "paths": {
        "/things/{thing}": {
            "put": {
                "description": "Change a thing.",
                "parameters": [
                    {"name": "thing", "required": True, "schema": {"type": "string"}, "description": "which"},
                    {"name": "face", "required": False, "schema": {"enum": ["front", "back"]}},
                ],
                "requestBody": {
                    "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Thing"}}}
                },
                "responses": {
                    "200": {
                        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Thing"}}}
                    },
                    "404": {"content": {}},
                },
            },
            "post": {
                "requestBody": {"description": "its bytes", "content": {"image/png": {}}},
                "responses": {"202": {"content": {"image/jpeg": {}}}},
            },
        }
    },
    "components": {
        "schemas": {
            "Thing": {
                "properties": {"name": {"type": "string"}, "in": {"$ref": "#/components/schemas/Inner"}},
                "required": ["name"],
            },
            "Inner": {
                "properties": {
                    "year": {
                        "anyOf": [{"type": "integer", "minimum": 1.0, "maximum": 9.0}, {"type": "null"}],
                        "description": "when",
                    }
                }
            },
        }
    },
}


def test_a_call_has_its_parameters_and_the_fields_of_its_body():
    put, post = read_calls(SMALL)
    assert (put.method, put.path, put.about, put.body) == ("PUT", "/things/{thing}", "Change a thing.", "")
    assert put.takes == (
        Value("thing", "string", "which", True),
        Value("face", "front | back", "", False),
        Value("name", "string", "", True),
        Value("in.year", "integer 1 to 9", "when", False),
    )
    assert put.gives == (("200", "Thing"),)
    assert (post.takes, post.body, post.gives) == ((), "its bytes", (("202", "image/jpeg"),))


def test_the_page_names_every_call_and_everything_it_takes(make_yard):
    made = make_yard()
    with made.client as client:
        page = client.get("/api").text.replace("<wbr>", "")
        described = client.get("/api/v1/openapi.json").json()
    calls = read_calls(described)
    assert len(calls) == 9  # as many as the routes in api.py
    for call in calls:
        assert f"{call.method} {call.path}" in page
        assert all(f"<code>{value.name}</code>: {value.kind}" in page for value in call.takes)
    assert not [name for name in described["components"]["schemas"] if "__" in name]  # no two of one name
    for name in ("needs.crank_teeth", "queue_full", "crank_teeth</code>: integer 1 to 400"):
        assert name in page
