"""What a learned file that cannot be used is answered with."""

_AGAIN = "Train it again (plugface learn), or install plugface again"


class ModelError(Exception):
    """A learned file that cannot be used: which file, what is wrong, what to do."""

    def __init__(self, file: str, problem: str, remedy: str = _AGAIN) -> None:
        self.file, self.problem, self.remedy = file, problem, remedy
        super().__init__(f"{file}: {problem}. {remedy}")
