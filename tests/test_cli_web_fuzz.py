"""The API against requests drawn from its own description: no fault, and nothing it did not announce."""

import pytest
from hypothesis import HealthCheck, given, settings


@pytest.fixture(scope="module")
def schemathesis():
    """Imported where it is used: it takes a second, and every worker imports every file."""
    module = pytest.importorskip("schemathesis", reason="schemathesis is not installed")
    module.serializer.alias(["image/tiff", "image/heic"], "image/jpeg")  # it knows no samples of these
    return module


@pytest.fixture
def description(make_yard, schemathesis):
    """The API of a page that needs codes, as it describes itself, and a token for it."""
    asgi = pytest.importorskip("schemathesis.python.asgi")
    made = make_yard(open_lot=False, local_names=False)
    code = made.yard.add_lot("North")
    token = made.client.post("/api/v1/tokens", json={"code": code}).json()["token"]
    described = schemathesis.openapi.from_asgi("/api/v1/openapi.json", made.app)  # starts the page
    described.config.update(headers={"Authorization": f"Bearer {token}"})
    yield described
    asgi.shutdown_lifespans()  # its plugin of pytest, which is not used, would end the page


def test_the_api_keeps_its_word(description, some):
    """Each operation by itself; schemathesis' own pytest plugin does not run under pytest 9.2."""
    checks = pytest.importorskip("schemathesis.specs.openapi.checks")
    tried, examples = 0, len(some(range(6), 3))
    for found in description.get_all_operations():
        operation = found.ok()

        @given(case=operation.as_strategy())
        @settings(
            max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), database=None
        )
        def keeps_its_word(case):
            # Well-formed requests may be refused all the same: most drawn families are in no catalogue.
            case.call_and_validate(excluded_checks=[checks.positive_data_acceptance])

        keeps_its_word()
        tried += 1
    assert tried >= 5
