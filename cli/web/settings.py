"""What an operator may set: one TOML file with a schema, environment variables over it, options over both.

Every value knows where it came from, so that `plugface serve --check` can say so, and so that a mistake names
the file, the variable or the option it stands in.
"""

import ipaddress
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal, get_type_hints

import rtoml
from plugface.cli.settings import CATALOGUE_VARIABLE, default_catalogue, yard_folder
from plugface.cli.web.limits import Limits
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
    create_model,
)
from pydantic.fields import FieldInfo

#: Begins the name of each variable; the rest is the setting's name in capitals, "." as "_".
PREFIX = "PLUGFACE_SERVE_"

#: Variable that names the settings file.
FILE_VARIABLE = "PLUGFACE_SERVE_SETTINGS"

#: Parts several entries of a list in one variable.
_SEPARATOR = ";"

_Line = StringConstraints(strip_whitespace=True, pattern=r"^[^\x00-\x1f\x7f]*$")
_Text = Annotated[str, _Line, Field(max_length=400)]
_LotName = Annotated[str, _Line, Field(min_length=1, max_length=80)]

_LISTS = ("lots", "shared_lots", "trusted_proxies")


def _check_proxy(text: str) -> str:
    if text != "*":
        ipaddress.ip_network(text)  # its ValueError says what is wrong
    return text


_Proxy = Annotated[str, AfterValidator(_check_proxy)]

_STRICT = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

_LIMITS: dict[str, Any] = {
    field.name: (get_type_hints(Limits, include_extras=True)[field.name], field.default)
    for field in fields(Limits)
}

LimitsIn = create_model(
    "LimitsIn",
    __config__=_STRICT,
    __doc__="What the page takes in at most; each has a default that was chosen for a yard.",
    **_LIMITS,
)


class ServeSettingsIn(BaseModel):
    """The settings file of `plugface serve`. Paths in it count from the folder that it lies in."""

    model_config = _STRICT

    folder: _Text = Field("", description="where photos, queue and ledger are kept; empty: the user's data")
    catalogue: _Text = Field("", description="folder of the catalogue; empty: the invented demo")
    lots: list[_LotName] = Field([], description="lots with an access code of their own", max_length=1000)
    shared_lots: list[_LotName] = Field(
        [],
        description="of the lots, those in which anybody adds photos to anybody's unit; elsewhere a unit is "
        "added to only by the person or phone that began it",
        max_length=1000,
    )
    host: Annotated[str, _Line, Field(min_length=1, max_length=255)] = Field(
        "127.0.0.1", description="address to listen on"
    )
    port: int = Field(8017, ge=0, le=65535, description="0: any that is free")
    public_url: Annotated[str, StringConstraints(pattern=r"^(https://[^\s/?#]+/?)?$")] = Field(
        "", description="https address of a proxy in front of the page; empty: none"
    )
    trusted_proxies: list[_Proxy] = Field(
        ["127.0.0.1", "::1"],
        description="addresses or networks of proxies whose X-Forwarded-For is believed; *: of whoever asks",
        max_length=100,
    )
    workers: int = Field(1, ge=1, le=16, description="units looked at at once")
    keep_days: int = Field(
        0,
        ge=0,
        le=36_500,
        description="days that units are kept after the last that was recorded; 0: for good",
    )
    phone_plugs: bool = Field(
        False,
        description="let phones look for plugs by themselves before a photo is sent, a help and no answer; "
        "off, for all of it takes a slow phone more than two seconds",
    )
    words: _Text = Field("", description="file with the page's text, translated; empty: English")
    log_level: Literal["debug", "info", "warning", "error"] = Field(
        "info", description="from which level on lines are written to the log"
    )
    # The class is made from `Limits` as the program starts, so that mypy cannot know it.
    limits: LimitsIn = Field(LimitsIn(), description="what is taken in at most")  # type: ignore[valid-type]


class SettingsError(Exception):
    """Settings that cannot be used: where they stand, which one, what is wrong, what mends it."""

    def __init__(self, where: str, key: str, problem: str, remedy: str) -> None:
        self.file, self.key, self.problem, self.remedy = where, key, problem, remedy
        named = f'{where}, setting "{key}"' if key else where
        super().__init__(f"{named}: {problem}. {remedy}.")


@dataclass(frozen=True)
class Setting:
    """One value that is in force, and where it comes from."""

    key: str  # "port", "limits.photo_bytes"
    value: Any
    source: str


@dataclass(frozen=True)
class ServeSettings:
    """All that is in force."""

    all: tuple[Setting, ...]

    def __getitem__(self, key: str) -> Any:
        return next(setting.value for setting in self.all if setting.key == key)

    @property
    def limits(self) -> Limits:
        """The limits among them."""
        start = "limits."
        return Limits(**{s.key.removeprefix(start): s.value for s in self.all if s.key.startswith(start)})


def load_settings(
    file: Path | None = None,
    options: Mapping[str, Any] | None = None,
    environment: Mapping[str, str] | None = None,
) -> ServeSettings:
    """Put together what is in force: defaults, the file, the environment, the options, each over the last.

    Parameters
    ----------
    file : Path or None
        Settings file; None: the one that PLUGFACE_SERVE_SETTINGS names, if it does.
    options : mapping, optional
        Setting -> value and, as a pair, the option's name; what was not given is not in it.
    environment : mapping, optional
        By default the program's own.

    Raises
    ------
    SettingsError
        For the first thing that is wrong.
    """
    environment = os.environ if environment is None else environment
    kinds = _kinds()
    found = {key: Setting(key, default, "default") for key, (_kind, default) in kinds.items()}
    if not found["folder"].value:
        found["folder"] = Setting("folder", str(yard_folder()), "default")
    found["catalogue"] = _default_catalogue(environment)
    named = environment.get(FILE_VARIABLE, "")
    if file is None and named:
        file = Path(named)
    given = [
        *(_from_file(file) if file is not None else ()),
        *_from_environment(environment, kinds),
        *(Setting(key, value, name) for key, (value, name) in (options or {}).items()),
    ]
    for setting in given:
        found[setting.key] = _check(setting, kinds, lax=setting.source.startswith("variable "))
    _check_together(found)
    return ServeSettings(tuple(found[key] for key in kinds))


def write_settings(settings: ServeSettings) -> str:
    """What is in force as a settings file that says of each line where it comes from."""
    lines = []
    within = ""
    for setting in settings.all:
        table, _, name = setting.key.rpartition(".")
        if table != within:
            lines += ["", f"[{table}]"]
            within = table
        text = rtoml.dumps({name: setting.value}).strip()
        lines.append(f"{text}  # {setting.source}")
    return "\n".join(lines) + "\n"


def settings_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the settings file."""
    return ServeSettingsIn.model_json_schema()


def _kinds() -> dict[str, tuple[TypeAdapter, Any]]:
    """Setting -> how its value is checked, and its default."""
    fields_of = {name: field for name, field in ServeSettingsIn.model_fields.items() if name != "limits"}
    fields_of |= {f"limits.{name}": field for name, field in LimitsIn.model_fields.items()}
    return {key: (_adapter(field), field.default) for key, field in fields_of.items()}


def _adapter(field: FieldInfo) -> TypeAdapter:
    kind: Any = Annotated[field.annotation, "setting", *field.metadata]
    return TypeAdapter(kind, config=ConfigDict(allow_inf_nan=False))


def _default_catalogue(environment: Mapping[str, str]) -> Setting:
    named = environment.get(CATALOGUE_VARIABLE, "")
    if named:
        return Setting("catalogue", named, f"variable {CATALOGUE_VARIABLE}")
    return Setting("catalogue", str(default_catalogue()), "default")


def _from_file(file: Path) -> Iterator[Setting]:
    where = str(file)
    try:
        content = rtoml.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = (getattr(error, "strerror", None) or "it is no UTF-8").lower()
        raise SettingsError(where, "", f"it cannot be read ({reason})", "Name another --settings") from None
    except (rtoml.TomlParsingError, ValueError) as error:
        raise SettingsError(where, "", f"it is no TOML ({error})", "Correct that line") from None
    known = [key.partition(".")[2] or key for key in _kinds()] + ["limits"]
    for name, value in content.items():
        if name != "limits":
            _refuse_unknown(where, name, [key for key in _kinds() if "." not in key] + ["limits"], known)
            if name in ("folder", "catalogue", "words") and isinstance(value, str) and value:
                value = str(file.parent.absolute() / value)
            yield Setting(name, value, where)
            continue
        if not isinstance(value, dict):
            raise SettingsError(where, "limits", "it is no table", "Write [limits] above the limits")
        for limit, value_of_it in value.items():
            _refuse_unknown(where, limit, list(LimitsIn.model_fields), known, "limits.")
            yield Setting(f"limits.{limit}", value_of_it, where)


def _from_environment(
    environment: Mapping[str, str], kinds: Mapping[str, tuple[TypeAdapter, Any]]
) -> Iterator[Setting]:
    names = {PREFIX + key.upper().replace(".", "_"): key for key in kinds}
    for name, text in sorted(environment.items()):
        if not name.startswith(PREFIX) or name == FILE_VARIABLE:
            continue
        if name not in names:
            near = get_close_matches(name, [*names, FILE_VARIABLE], n=1, cutoff=0.0)
            raise SettingsError(
                f"variable {name}", "", "there is no such setting", f"Is {near[0]} meant? If not, unset it"
            )
        key = names[name]
        parts = [part.strip() for part in text.split(_SEPARATOR) if part.strip()]
        yield Setting(key, parts if key in _LISTS else text, f"variable {name}")


def _refuse_unknown(where: str, name: str, here: list[str], anywhere: list[str], within: str = "") -> None:
    if name in here:
        return
    near = get_close_matches(name, here, n=1) or get_close_matches(name, anywhere, n=1, cutoff=0.0)
    full = f"limits.{near[0]}" if near[0] in LimitsIn.model_fields else near[0]
    raise SettingsError(
        where,
        within + name,
        "there is no such setting",
        f'Is "{full}" meant? `plugface schema settings` lists all',
    )


def _check(setting: Setting, kinds: Mapping[str, tuple[TypeAdapter, Any]], *, lax: bool) -> Setting:
    kind, default = kinds[setting.key]
    value = setting.value
    if isinstance(default, float) and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)  # whole seconds are seconds
    try:
        checked = kind.validate_python(value, strict=not lax)
    except ValidationError as error:
        problem = error.errors()[0]["msg"]
        raise SettingsError(
            setting.source,
            setting.key,
            f"got {_shown(value)}; {problem[:1].lower()}{problem[1:]}",
            "Correct it and start again",
        ) from None
    return Setting(setting.key, checked, setting.source)


def _check_together(found: Mapping[str, Setting]) -> None:
    """Refuse values that are sound by themselves and let nothing in together."""
    for small, large in (
        ("limits.photo_bytes", "limits.uploads_bytes"),
        ("limits.message_bytes", "limits.photo_bytes"),
        ("limits.connections_per_address", "limits.connections"),
    ):
        if found[small].value > found[large].value:
            wrong = found[large] if found[small].source == "default" else found[small]
            raise SettingsError(
                wrong.source,
                wrong.key,
                f"{small} is {found[small].value} and {large} is {found[large].value}",
                f"The first may be at most the second; {small} comes from {found[small].source}, "
                f"{large} from {found[large].source}",
            )


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
