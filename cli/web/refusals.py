"""What the yard page refuses: one table of names with their HTTP status; english.toml has the words."""

STATUS = {
    "bad_request": 422,
    "busy": 503,
    "claim": 422,
    "code_needed": 401,
    "code_wrong": 403,
    "cross_site": 403,
    "disk_full": 507,
    "fault": 500,
    "lot_full": 409,
    "metrics_closed": 401,
    "name_bound": 422,
    "name_needed": 422,
    "name_other": 422,
    "no_family": 422,
    "no_variant": 422,
    "no_unit": 404,
    "not_a_photo": 422,
    "not_found": 404,
    "not_kept": 503,
    "not_yours": 403,
    "photos_full": 409,
    "quota_full": 507,
    "queue_full": 503,
    "silence": 408,
    "too_many_bytes": 413,
    "too_many_guesses": 429,
    "too_many_pixels": 413,
    "too_slow": 408,
    "wrong_host": 421,
    "wrong_method": 405,
}


class Refused(Exception):
    """Something the page does not do: which row of the table, when to try again, what the words need.

    Parameters
    ----------
    name : str
        A key of `STATUS`, and of the section "refused" in the page's text.
    retry_s : int
        Seconds after which it may go; 0: trying again does not help.
    """

    def __init__(self, name: str, *, retry_s: int = 0, **values: object) -> None:
        self.name, self.retry_s, self.values = name, retry_s, values
        super().__init__(f"{name} {values}" if values else name)

    def __reduce__(self) -> tuple[object, tuple[str, int, dict[str, object]]]:
        """Made again from its parts on the way back from another process."""
        return _make, (self.name, self.retry_s, self.values)

    @property
    def status(self) -> int:
        """HTTP status of it."""
        return STATUS[self.name]


def _make(name: str, retry_s: int, values: dict[str, object]) -> Refused:
    return Refused(name, retry_s=retry_s, **values)
