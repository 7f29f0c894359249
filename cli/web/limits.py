"""What the yard page takes in at most. All of it is our choice; each line says what it guards."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """Limits in bytes, pixels, number and time."""

    photo_bytes: int = 25_000_000  # a phone's largest JPEG; the page sends about one megabyte
    photo_pixels: int = 64_000_000  # decoded: 192 MB of RGB
    message_bytes: int = 64_000  # any other request
    photos_per_unit: int = 8
    waiting_units: int = 200  # the queue of all lots
    waiting_per_lot: int = 100  # of these, of one lot; at 3 s a unit the last one waits five minutes
    units_per_lot: int = 20_000
    bytes_per_lot: int = 20_000_000_000  # of photos on disk
    empty_unit_s: float = 86_400.0  # a unit that has no photo for so long makes room for others
    decoding_at_once: int = 2  # photos checked at the same time, each in a process with its pixels in memory
    decoding_s: float = 20.0  # of the processor, for checking one photo; the largest honest one takes 4 s
    decoding_bytes: int = 1_500_000_000  # of memory, for checking one photo
    uploads_at_once: int = 40  # photos being received or checked at the same time
    uploads_per_lot: int = 10  # of these, of one lot
    uploads_bytes: int = 300_000_000  # of these, in memory
    upload_s: float = 300.0  # one photo from its first byte to its last
    upload_rate: float = 4_000.0  # bytes a second; slower than that is no phone with a signal
    silence_s: float = 30.0  # an upload that sends nothing for so long is dropped
    free_disk_bytes: int = 500_000_000  # below that no photo is taken in
    attempts: int = 3  # a unit that ends the worker so often gets no further try
    connections: int = 512  # open at the same time
    connections_per_address: int = 64  # of one IPv4 address or one /64 of IPv6
    header_s: float = 10.0  # a connection that has asked for nothing after so long is closed
    answer_s: float = 180.0  # one unit
    hold_s: float = 15.0  # how long a unit waits for the further photos that were announced
    wrong_codes: int = 5  # from one IPv4 address or one /64 of IPv6 within `wrong_codes_s`
    wrong_codes_per_lot: int = 60  # for one lot, from wherever
    wrong_codes_s: float = 300.0
    session_days: int = 30
