"""The settings of the yard page: what overrides what, what is refused, and that it says so plainly."""

import json
import tomllib
from dataclasses import asdict
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as trials
from hypothesis import strategies as st
from plugface.cli.web.limits import Limits
from plugface.cli.web.settings import LimitsIn, SettingsError, load_settings, write_settings


@pytest.fixture
def file(tmp_path):
    """Write a settings file."""

    def write(text: str) -> Path:
        path = tmp_path / "yard.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def sources(settings) -> dict[str, str]:
    return {setting.key: setting.source for setting in settings.all}


_VARIABLES = {"PORT": "2", "HOST": "b", "LIMITS_HOLD_S": "7.5"}


def test_without_anything_the_defaults_are_in_force():
    settings = load_settings(environment={})
    assert settings.limits == Limits()
    assert (settings["host"], settings["port"], settings["lots"]) == ("127.0.0.1", 8017, [])
    assert set(sources(settings).values()) == {"default"}


def test_options_come_before_variables_before_the_file(file):
    path = file('host = "a"\nport = 1\nworkers = 2\n[limits]\nhold_s = 20\nphotos_per_unit = 5')
    environment = {f"PLUGFACE_SERVE_{name}": text for name, text in _VARIABLES.items()}
    settings = load_settings(path, {"host": ("c", "option --host")}, environment)
    assert (settings["host"], settings["port"], settings["workers"]) == ("c", 2, 2)
    assert (settings.limits.hold_s, settings.limits.photos_per_unit) == (7.5, 5)
    found = sources(settings)
    assert found["host"] == "option --host"
    assert found["port"] == "variable PLUGFACE_SERVE_PORT"
    assert found["limits.hold_s"] == "variable PLUGFACE_SERVE_LIMITS_HOLD_S"
    assert found["workers"] == found["limits.photos_per_unit"] == str(path)
    assert found["limits.attempts"] == "default"


def test_a_variable_names_the_file_and_lots_are_parted(file):
    path = file("port = 1")
    environment = {"PLUGFACE_SERVE_SETTINGS": str(path), "PLUGFACE_SERVE_LOTS": "North gate; South, old;"}
    settings = load_settings(environment=environment)
    assert (settings["port"], settings["lots"]) == (1, ["North gate", "South, old"])


def test_paths_in_the_file_count_from_its_folder(file, tmp_path):
    settings = load_settings(file('folder = "state"\nwords = "/etc/words.toml"'), environment={})
    assert settings["folder"] == str(tmp_path / "state")
    assert settings["words"] == "/etc/words.toml"


def test_the_catalogue_may_be_named_by_the_variable_all_commands_know(file):
    environment = {"PLUGFACE_CATALOGUE": "/own"}
    settings = load_settings(environment=environment)
    assert (settings["catalogue"], sources(settings)["catalogue"]) == ("/own", "variable PLUGFACE_CATALOGUE")
    settings = load_settings(file('catalogue = "/other"'), environment=environment)
    assert settings["catalogue"] == "/other"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("prot = 1", 'setting "prot": there is no such setting. Is "port" meant?'),
        ("photo_bytes = 1", 'Is "limits.photo_bytes" meant?'),
        (
            "[limits]\nphotos_bytes = 1",
            'setting "limits.photos_bytes": there is no such setting. Is "limits.photo_bytes',
        ),
        ("[limits]\nport = 1", 'Is "port" meant?'),
        ("[limit]\nport = 1", 'Is "limits" meant?'),
        ("zzzzzz = 1", "there is no such setting. Is "),
        ("limits = 3", 'setting "limits": it is no table'),
        ('port = "8017"', "setting \"port\": got '8017'; input should be a valid integer"),
        ("port = true", "got True; input should be a valid integer"),
        ("port = 70000", "got 70000; input should be less than or equal to 65535"),
        ('lots = "North"', "got 'North'; input should be a valid list"),
        ('lots = ["a\\nb"]', 'setting "lots": got'),
        ('public_url = "http://yard.example"', 'setting "public_url": got'),
        ('trusted_proxies = ["yard.example"]', "does not appear to be an IPv4 or IPv6 network"),
        ('log_level = "loud"', "input should be 'debug', 'info', 'warning' or 'error'"),
        ("[limits]\nhold_s = nan", 'setting "limits.hold_s": got nan'),
        ("[limits]\nupload_s = inf", 'setting "limits.upload_s": got inf'),
        ("[limits]\nphotos_per_unit = 0", "greater than or equal to 1"),
        ("[limits]\nphotos_per_unit = 2.5", 'setting "limits.photos_per_unit": got 2.5'),
        ("port = ", "it is no TOML"),
        # Sound alone, and together nothing would ever be taken in.
        (
            "[limits]\nuploads_bytes = 20_000_000",
            'setting "limits.uploads_bytes": limits.photo_bytes is 25000000',
        ),
        (
            "[limits]\nphoto_bytes = 400_000_000",
            'setting "limits.photo_bytes": limits.photo_bytes is 400000000',
        ),
    ],
)
def test_what_is_wrong_in_the_file_is_said_with_its_place(file, text, said):
    path = file(text)
    with pytest.raises(SettingsError) as refused:
        load_settings(path, environment={})
    assert said in str(refused.value)
    assert str(refused.value).startswith(str(path))
    assert "\n" not in str(refused.value).replace(refused.value.problem, "")


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        (
            "PLUGFACE_SERVE_PROT",
            "1",
            "variable PLUGFACE_SERVE_PROT: there is no such setting. Is PLUGFACE_SERVE_PORT",
        ),
        ("PLUGFACE_SERVE_LIMIT_HOLD_S", "1", "Is PLUGFACE_SERVE_LIMITS_HOLD_S meant?"),
        ("PLUGFACE_SERVE_PORT", "many", "variable PLUGFACE_SERVE_PORT, setting \"port\": got 'many'"),
        ("PLUGFACE_SERVE_LIMITS_HOLD_S", "nan", "got 'nan'"),
        ("PLUGFACE_SERVE_SETTINGS", "/nowhere.toml", "/nowhere.toml: it cannot be read (no such file"),
    ],
)
def test_what_is_wrong_in_a_variable_is_said_with_its_name(name, value, said):
    with pytest.raises(SettingsError) as refused:
        load_settings(environment={name: value})
    assert said in str(refused.value)


def test_check_prints_a_settings_file_of_what_is_in_force(run, file, monkeypatch):
    monkeypatch.setenv("PLUGFACE_SERVE_LIMITS_ATTEMPTS", "4")
    path = file('port = 8020\nlots = ["North \\"gate\\""]\n[limits]\nhold_s = 20')
    ended = run("serve", "--check", "--settings", path, "--workers", 2)
    assert ended.code == 0
    lines = ended.out.splitlines()
    assert f"port = 8020  # {path}" in lines
    assert "workers = 2  # option --workers" in lines
    assert "attempts = 4  # variable PLUGFACE_SERVE_LIMITS_ATTEMPTS" in lines
    assert 'host = "127.0.0.1"  # default' in lines
    found = tomllib.loads(ended.out)
    assert found["lots"] == ['North "gate"']
    assert found["limits"] == asdict(Limits(hold_s=20.0, attempts=4))
    again = load_settings(file(ended.out), environment={})
    assert again.limits == Limits(hold_s=20.0, attempts=4)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("wrokers = 2", 'Is "workers" meant?'),
        ('catalogue = "nowhere"', "nowhere"),
        ('words = "x"', "cannot be read"),
    ],
)
def test_check_finds_what_a_start_would(run, file, text, said):
    ended = run("serve", "--check", "--settings", file(text))
    assert (ended.code, ended.out) == (2, "")
    assert said in ended.err


def test_the_schema_describes_every_setting(run):
    schema = json.loads(run("schema", "settings").out)
    assert schema["additionalProperties"] is False
    assert set(schema["$defs"]["LimitsIn"]["properties"]) == set(asdict(Limits()))
    for properties in (schema["properties"], schema["$defs"]["LimitsIn"]["properties"]):
        for name, entry in properties.items():
            assert entry.get("description"), name
            assert "default" in entry, name
    assert LimitsIn().model_dump() == asdict(Limits())


_VALUES = st.one_of(
    st.integers(), st.floats(), st.text(), st.booleans(), st.lists(st.text(), max_size=3), st.none()
)


_KEYS = [setting.key for setting in load_settings(environment={}).all]


@trials(max_examples=60, deadline=None)
@given(st.dictionaries(st.sampled_from(_KEYS), _VALUES, max_size=4))
def test_whatever_is_given_is_in_force_or_refused_by_name(drawn):
    options = {key: (value, "option --x") for key, value in drawn.items()}
    settings = wrong = None
    try:
        settings = load_settings(options=options, environment={})
    except SettingsError as error:
        wrong = error
    if wrong is not None:
        assert wrong.key in drawn
        assert wrong.file == "option --x"
    else:
        for key, value in drawn.items():
            assert settings[key] == (value.strip() if isinstance(value, str) else value)
        assert tomllib.loads(write_settings(settings))["port"] == settings["port"]
