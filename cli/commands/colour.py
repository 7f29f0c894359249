"""plugface catalogue colour: shades of one's own, coded like every other colour."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from plugface.cli.commands import options
from plugface.cli.commands.catalogue import read_colour_code
from plugface.cli.present.plain_text import say
from plugface.vision.colour_table import BY_CODE
from plugface.vision.observations import Polygon

if TYPE_CHECKING:
    from plugface.analysis import MeasuredColour
    from plugface.models.catalogue.entries import Catalogue, LabColour, Shade, SrgbColour
    from rich.console import Console

#: Plugs of these colours warn (see the cautions); a shade near them under another code hides the warning.
WARNING_COLOURS = {code: BY_CODE[code].lab for code in ("OG", "YE")}
NEAR_WARNING = 20.0  # CIEDE2000; our choice, wide because a caution too many costs a look


def colour(
    path: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the catalogue.", show_default=False)],
    name: Annotated[
        str | None,
        typer.Option("--name", help="Name of the shade; without it, list them.", show_default=False),
    ] = None,
    code: Annotated[
        str | None, typer.Option("--code", help="Its code of IEC 60757, such as TQ.", show_default=False)
    ] = None,
    srgb: Annotated[
        list[str] | None,
        typer.Option("--srgb", metavar="R,G,B", help="Example, 0 to 255 (repeat it).", show_default=False),
    ] = None,
    lab: Annotated[
        list[str] | None,
        typer.Option("--lab", metavar="L,a,b", help="Example, CIE L*a*b*, D65.", show_default=False),
    ] = None,
    photo: Annotated[
        Path | None, typer.Option("--photo", help="Measure it on this photo.", show_default=False)
    ] = None,
    connector: Annotated[
        int | None,
        typer.Option("--connector", min=1, metavar="N", help="Which plug of the photo.", show_default=False),
    ] = None,
    box: Annotated[
        str | None,
        typer.Option(
            "--box", metavar="X0,Y0,X1,Y1", help="Where the plug is, in pixels.", show_default=False
        ),
    ] = None,
    unit: options.UnitNumber = None,
) -> None:
    """Name a shade that your plugs have, and the code it is entered under; or list the shades there are.

    Examples are colours (--srgb, --lab) or a plug on a photo: --photo with --connector N, as `plugface
    identify` counts them, or with --box around it. A shade joins the common ones: plugs that measure near it
    are called by its code from then on, and what the network says of them counts less. Adding to a name adds
    examples.

    Exit code: 0; 2 when the catalogue, the photo or the request cannot be used.
    """
    from plugface.cli.present.screen import Screen
    from plugface.models.catalogue.entries import load_catalogue

    catalogue = load_catalogue(path)
    console = Screen()
    if name is None:
        if code or srgb or lab or photo:
            raise typer.BadParameter("a shade needs a name: add --name")
        _render(console, catalogue)
        return
    if code is None:
        raise typer.BadParameter("a shade needs a code of IEC 60757: add --code, such as --code TQ")
    code = read_colour_code(code)
    _refuse_other_code(catalogue, name, code)
    examples_lab = [_numbers(text, 3, "--lab", float) for text in lab or []]
    examples_srgb = [_numbers(text, 3, "--srgb", int) for text in srgb or []]
    source = "given by hand"
    if photo is not None:
        measured = _measure(photo, catalogue, connector, box, unit)
        examples_lab.append(tuple(round(value, 1) for value in measured.lab))
        source = f"measured on {photo.name}, light judged by {measured.light.method}"
        _say_measured(measured)
    elif connector or box:
        raise typer.BadParameter("a plug is on a photo: add --photo")
    if not examples_lab and not examples_srgb:
        raise typer.BadParameter("a shade needs an example: --srgb, --lab, or --photo with --connector")
    added = _checked(name, code, examples_lab, examples_srgb, source)
    after = _append(path, added)
    for warning in _warnings(added, after):
        say(f"warning: {warning}", err=True)
    _render(console, after)


def _refuse_other_code(catalogue: Catalogue, name: str, code: str) -> None:
    from plugface.models.catalogue.shades import name_shades

    known = name_shades(catalogue).get(name)
    if known is not None and known[0] != code:
        raise typer.BadParameter(
            f'"{name}" is there and coded {known[0]}; give it another name, or edit catalogue.toml'
        )


def _numbers(text: str, count: int, option: str, kind: type) -> tuple:
    try:
        numbers = tuple(kind(word) for word in text.replace(",", " ").split())
    except ValueError:
        numbers = ()
    if len(numbers) != count:
        whole = " whole" if kind is int else ""
        raise typer.BadParameter(f'{option} takes {count}{whole} numbers with commas, not "{text}"')
    return numbers


def _checked(name: str, code: str, lab: list[LabColour], srgb: list[SrgbColour], source: str) -> Shade:
    from plugface.models.catalogue.entries import Shade
    from pydantic import ValidationError

    try:
        return Shade.model_validate(
            {"name": name, "code": code, "lab": tuple(lab), "srgb": tuple(srgb), "source": source}
        )
    except ValidationError as error:
        found = error.errors(include_url=False)[0]
        where = "lab" if "lab" in found["loc"] else "srgb" if "srgb" in found["loc"] else found["loc"][0]
        raise typer.BadParameter(f"--{where}: got {found['input']}; {found['msg'].lower()}") from None


def _measure(
    photo: Path, catalogue: Catalogue, connector: int | None, box: str | None, unit: int | None
) -> MeasuredColour:
    """Colour of the plug that is pointed at.

    Raises
    ------
    typer.BadParameter
        If nothing is pointed at, or nothing can be measured there.
    """
    from plugface.analysis import Settings, decide_observed, known_shades, measure_colour, observe_photos
    from plugface.cli.limited_photo import read_photo
    from plugface.cli.store.learned_model import default_model

    if (connector is None) == (box is None):
        raise typer.BadParameter("point at one plug: either --connector N or --box X0,Y0,X1,Y1")
    opened = read_photo(photo)
    (seen,) = observe_photos([opened], known_shades(catalogue))
    if box is not None:
        x0, y0, x1, y1 = _numbers(box, 4, "--box", float)
        width, height = seen.quality.width_px, seen.quality.height_px
        if not (0 <= x0 < x1 <= width and 0 <= y0 < y1 <= height):
            raise typer.BadParameter(
                f"--box {box} does not lie within the {width} x {height} pixels of {photo}"
            )
        outline: Polygon = ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
    else:
        assert connector is not None  # one of the two is given
        asked = Settings(unit=unit, advise=False)
        # The answer says which way round the plugs are counted.
        (meant,) = decide_observed(
            [str(photo)], [seen], catalogue, settings=asked, model=default_model()
        ).units
        plugs = meant.connectors if meant else ()
        if not 1 <= connector <= len(plugs):
            there = f"{len(plugs)} plugs were seen" if plugs else "no plug was seen"
            why = "; ".join(seen.notes)
            raise typer.BadParameter(
                f"{photo} has no plug {connector}: {there} on it. Point at it with --box X0,Y0,X1,Y1. {why}"
            )
        outline = plugs[connector - 1].polygon
    measured = measure_colour(opened, outline, seen)
    if measured is None:
        raise typer.BadParameter(f"too few pixels of {photo} are left there to measure; take it larger")
    return measured


def _say_measured(measured: MeasuredColour) -> None:
    light = measured.light
    say(f"Measured L*a*b* {_three(measured.lab)}, spread {_three(measured.spread)}.", err=True)
    if light.confidence < 0.5:
        say(
            f"warning: the light was judged by {light.method} alone, so the colour may be off; a white label "
            "or sheet of paper in the photo settles it",
            err=True,
        )


def _append(path: Path, added: Shade) -> Catalogue:
    """Add the shade at the end of catalogue.toml, comments and all kept, and read the whole again."""
    from plugface.cli.lot.run_folder import write_whole
    from plugface.cli.present.catalogue_template import toml_text
    from plugface.models.catalogue.entries import CatalogueHead, load_catalogue

    target = path / "catalogue.toml"
    old = target.read_text(encoding="utf-8-sig")
    lines = ["", "[[shades]]", f"name = {toml_text(added.name)}", f'code = "{added.code}"']
    if added.lab:
        lines.append(f"lab = [{', '.join(f'[{_three(one)}]' for one in added.lab)}]")
    if added.srgb:
        lines.append(f"srgb = [{', '.join(f'[{_three(one)}]' for one in added.srgb)}]")
    lines.append(f"source = {toml_text(added.source)}")
    new = old.rstrip("\n") + "\n" + "\n".join(lines) + "\n"
    try:
        CatalogueHead.model_validate(tomllib.loads(new))
    except ValueError as error:  # both kinds are: a list of shades is written there in another way
        raise typer.BadParameter(f"{target} takes no further [[shades]] at its end ({error})") from None
    write_whole(target, new.encode())
    return load_catalogue(path)


def _warnings(added: Shade, catalogue: Catalogue) -> list[str]:
    from plugface.models.catalogue.shades import difference, find_shade_problems, middle_lab

    lab = middle_lab(added)
    said = [
        f'"{added.name}" looks like {code} (difference {difference(lab, warning):.0f}), which warns of '
        f"{'high voltage' if code == 'OG' else 'restraint systems'}; under {added.code} it will not warn"
        for code, warning in WARNING_COLOURS.items()
        if added.code != code and difference(lab, warning) < NEAR_WARNING
    ]
    problems = find_shade_problems(catalogue)
    return said + [f"{words}. {remedy}." for _, _, words, remedy in problems if f'"{added.name}"' in words]


def _render(console: Console, catalogue: Catalogue) -> None:
    from plugface.cli.present.swatches import ink_on
    from plugface.models.catalogue.shades import ALIKE_DIFFERENCE, name_shades
    from rich.table import Table
    from rich.text import Text
    from skimage.color import lab2rgb

    shades = name_shades(catalogue)
    if not shades:
        console.print("The catalogue has no shades of its own; the common ones are always known.")
        return
    table = Table(box=None, pad_edge=False)
    for caption in ("shade", "code", "L*a*b*", "examples"):
        table.add_column(caption)
    for name, (code, lab) in shades.items():
        rgb = tuple(round(255 * value) for value in lab2rgb([[lab]])[0, 0])
        ink = ",".join(map(str, ink_on(rgb)))
        chip = Text(f" {name} ", style=f"rgb({ink}) on rgb({','.join(map(str, rgb))})")
        entries = [shade for shade in catalogue.head.shades if shade.name == name]
        examples = sum(len(shade.lab) + len(shade.srgb) for shade in entries)
        table.add_row(chip, code, _three(lab), str(examples))
    console.print(table)
    console.print(f"Shades that differ by less than {ALIKE_DIFFERENCE:g} (CIEDE2000) pass for each other.")


def _three(values) -> str:
    return ", ".join(f"{value:g}" if isinstance(value, int) else f"{value:.1f}" for value in values)
