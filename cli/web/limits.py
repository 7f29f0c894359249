"""What the yard page takes in at most. All of it is our choice; each line says what it guards.

The descriptions and bounds are read by the settings file (settings.py), where an operator may change any of
them.
"""

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field


def _up_to(most: float, description: str, least: float = 1) -> Any:
    return Field(ge=least, le=most, description=description)


_TB = 1e15  # more than any disk: what is larger was typed wrong
_YEAR_S = 31_536_000.0


@dataclass(frozen=True)
class Limits:
    """Limits in bytes, pixels, number and time."""

    photo_bytes: Annotated[
        int, _up_to(1e9, "bytes of one photo; a phone's largest JPEG, the page sends about a million")
    ] = 25_000_000
    photo_pixels: Annotated[int, _up_to(1e9, "pixels of one photo; 64 million take 192 MB decoded")] = (
        64_000_000
    )
    message_bytes: Annotated[int, _up_to(1e8, "bytes of any other request", 1000)] = 64_000
    photos_per_unit: Annotated[int, _up_to(1000, "photos of one unit")] = 8
    waiting_units: Annotated[int, _up_to(1e6, "units that wait for an answer, of all lots")] = 200
    waiting_per_lot: Annotated[
        int,
        _up_to(
            1e6,
            "of these, of one lot, one phone half of them; at 3 s a unit the last of 100 waits five minutes",
        ),
    ] = 100
    units_per_lot: Annotated[int, _up_to(1e8, "units of one lot")] = 20_000
    bytes_per_lot: Annotated[int, _up_to(_TB, "bytes of one lot's photos on disk")] = 20_000_000_000
    empty_unit_s: Annotated[
        float, _up_to(_YEAR_S, "seconds after which a unit without a photo makes room for others")
    ] = 86_400.0
    decoding_at_once: Annotated[
        int, _up_to(64, "photos checked at the same time, each in a process with its pixels in memory")
    ] = 2
    decoding_s: Annotated[
        float, _up_to(3600, "seconds of the processor for checking one photo; the largest honest one takes 4")
    ] = 20.0
    decoding_per_lot_s: Annotated[
        float,
        _up_to(
            3600,
            "seconds of the processor a minute for checking one lot's photos, 40 of the page's; what is more "
            "is checked after those of other lots",
        ),
    ] = 5.0
    decoding_bytes: Annotated[int, _up_to(_TB, "bytes of memory for checking one photo", 1e8)] = 1_500_000_000
    uploads_at_once: Annotated[int, _up_to(10_000, "photos being received or checked at the same time")] = 40
    uploads_per_lot: Annotated[int, _up_to(10_000, "of these, of one lot, one phone half of them")] = 10
    uploads_bytes: Annotated[int, _up_to(_TB, "bytes of these, in memory")] = 300_000_000
    upload_s: Annotated[float, _up_to(86_400, "seconds from one photo's first byte to its last")] = 300.0
    upload_rate: Annotated[
        float, _up_to(1e9, "bytes a second; slower than 4000 is no phone with a signal")
    ] = 4_000.0
    silence_s: Annotated[
        float, _up_to(3600, "seconds after which an upload that sends nothing is dropped")
    ] = 30.0
    free_disk_bytes: Annotated[
        int, _up_to(_TB, "bytes that must be free on the disk for a photo to be taken in", 0)
    ] = 500_000_000
    attempts: Annotated[int, _up_to(20, "tries of a unit that ends the worker each time")] = 3
    connections: Annotated[int, _up_to(100_000, "connections open at the same time")] = 512
    connections_per_address: Annotated[
        int, _up_to(100_000, "of these, of one IPv4 address or one /64 of IPv6")
    ] = 64
    header_s: Annotated[
        float, _up_to(3600, "seconds after which a connection that has asked for nothing is closed")
    ] = 10.0
    answer_s: Annotated[float, _up_to(3600, "seconds for answering one unit")] = 180.0
    hold_s: Annotated[
        float, _up_to(3600, "seconds that a unit waits for further photos that were announced", 0)
    ] = 15.0
    wrong_codes: Annotated[
        int, _up_to(1000, "wrong codes from one IPv4 address or one /64 of IPv6 within wrong_codes_s")
    ] = 5
    wrong_codes_per_lot: Annotated[int, _up_to(100_000, "wrong codes for one lot, from wherever")] = 60
    wrong_codes_s: Annotated[float, _up_to(86_400, "seconds over which wrong codes are counted")] = 300.0
    session_days: Annotated[int, _up_to(3650, "days until a code must be entered again")] = 30
